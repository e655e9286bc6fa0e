"""Numbers measured step by step: written as a stream, read piece by piece, stored in one file that is checked.

A record is what was measured of one step, an array of one shape and type. A file is a header of 64 bytes and the
records, little-endian, CRC-32 over both.
"""

from __future__ import annotations

import io
import math
import os
import struct
import tempfile
import threading
import weakref
import zlib
from abc import ABC, abstractmethod
from pathlib import Path
from typing import IO, Any, ClassVar, Self

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import DamagedFile
from layerpipe.core.files.atomic import whole_file

_HEADER = struct.Struct("<16sIIIQQI12xI")
_HELD_BYTES = 1 << 20
_READ_BYTES = 1 << 20


class DamagedRecords(DamagedFile):
    """A file of records does not hold what was written into it."""


class Records(ABC):
    """Records of `steps` steps of a sound; a subclass says what they are.

    Read piece by piece, from memory or, above 1 MB, from a file, so memory does not grow with the song. Threads may
    share one.

    Parameters
    ----------
    file : binary file
        From `Spool.finish` or an opened file of records; closed with this object.
    at : int
        Where the records begin.
    sizes : tuple of two int
        What the shape of a record follows from.
    rate_hz, frames : int
        Of the sound.
    steps : int
    check : int
        CRC-32 of the records.
    """

    magic: ClassVar[bytes]
    kind: ClassVar[str]
    """numpy's name of the type, with the order of its bytes."""

    def __init__(self, file: IO[bytes], at: int, sizes: tuple[int, int], rate_hz: int, frames: int, steps: int,
                 check: int) -> None:
        self.sizes, self.rate_hz, self.frames, self.steps = sizes, rate_hz, frames, steps
        self._file, self._at, self._check = file, at, check
        self._one_at_a_time = threading.Lock()
        self._close = weakref.finalize(self, file.close)

    @property
    @abstractmethod
    def record_shape(self) -> tuple[int, ...]:
        """Shape of one record."""

    @property
    def count(self) -> int:
        """Number of records."""
        return self.steps

    @staticmethod
    def are_possible(sizes: tuple[int, int]) -> bool:
        """Whether a file may have these sizes."""
        return min(sizes) >= 1

    @property
    def at_once(self) -> int:
        """How many records are read in one piece."""
        return max(1, _READ_BYTES // self._record_bytes)

    def read(self, first: int, stop: int) -> npt.NDArray[Any]:
        """Records first to stop, shape (records, ...), read-only.

        Raises
        ------
        DamagedRecords
            If the file became shorter.
        """
        return np.frombuffer(self._bytes(first, stop), dtype=self.kind).reshape(stop - first, *self.record_shape)

    def save(self, path: Path) -> None:
        """Write to one file, whole or not at all; another file of that name is replaced.

        Raises
        ------
        OSError
            If it cannot be written.
        """
        head = _HEADER.pack(self.magic, *self.sizes, self.rate_hz, self.frames, self.steps, self._check, 0)[:-4]
        with whole_file(path) as new:
            new.file.write(head + struct.pack("<I", zlib.crc32(head)))
            for first in range(0, self.count, self.at_once):
                new.file.write(self._bytes(first, min(first + self.at_once, self.count)))

    @classmethod
    def load(cls, path: Path) -> Self:
        """Open a file written by `save`, every byte checked.

        Raises
        ------
        DamagedRecords
            If it is not such a file, is cut short or has been changed.
        OSError
            If it cannot be read.
        """
        file: IO[bytes] = path.open("rb")
        try:
            size = file.seek(0, os.SEEK_END)
            file.seek(0)
            if size <= _HELD_BYTES:
                held = io.BytesIO(file.read())
                file.close()
                file = held
            return cls._opened(file, size, path)
        except BaseException:
            file.close()
            raise

    @classmethod
    def _opened(cls, file: IO[bytes], size: int, path: Path) -> Self:
        """Check header and content."""
        head = file.read(_HEADER.size)
        if len(head) < _HEADER.size:
            raise DamagedRecords(f"{path}: cut short, or not such a file")
        magic, one, other, rate_hz, frames, steps, check, of_head = _HEADER.unpack(head)
        if magic != cls.magic or zlib.crc32(head[:-4]) != of_head or not cls.are_possible((one, other)):
            raise DamagedRecords(f"{path}: not such a file, or its header has been changed")
        records = cls(file, _HEADER.size, (one, other), rate_hz, frames, steps, check)
        wanted = _HEADER.size + records.count * records._record_bytes
        if size != wanted:
            raise DamagedRecords(f"{path}: {size} bytes where {wanted} were written")
        found = 0
        while piece := file.read(_READ_BYTES):
            found = zlib.crc32(piece, found)
        if found != check:
            raise DamagedRecords(f"{path}: its content has been changed")
        return records

    @property
    def _record_bytes(self) -> int:
        return math.prod(self.record_shape) * np.dtype(self.kind).itemsize

    def _bytes(self, first: int, stop: int) -> bytes:
        """Records as they lie in the file."""
        with self._one_at_a_time:
            self._file.seek(self._at + first * self._record_bytes)
            found = self._file.read((stop - first) * self._record_bytes)
        if len(found) != (stop - first) * self._record_bytes:
            raise DamagedRecords("the records became shorter while they were read")
        return found


class Spool:
    """Collects records in their order, above 1 MB in a temporary file.

    Parameters
    ----------
    folder : Path, optional
        For the temporary file; default: the system's temporary folder.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.check = 0
        # Closed by Records, to which it passes; an abandoned one is closed by its finalizer.
        self._file: IO[bytes] = tempfile.SpooledTemporaryFile(  # noqa: SIM115
            max_size=_HELD_BYTES, dir=str(folder) if folder else None)
        self._abandon = weakref.finalize(self, self._file.close)

    def add(self, records: npt.NDArray[Any]) -> None:
        """Add records of the type of the file."""
        data = np.ascontiguousarray(records).data.cast("B")
        self._file.write(data)
        self.check = zlib.crc32(data, self.check)

    def finish(self) -> IO[bytes]:
        """The file, for `Records`; nothing can be added any more."""
        self._abandon.detach()
        return self._file

"""A processed take as the store keeps it: float32 frames on disk, checked as they are read (CRC-32 per second)."""

from __future__ import annotations

import contextlib
import zlib
from array import array
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from layerpipe.core.errors import LayerpipeError
from layerpipe.core.files.shared_reader import SharedFile
from layerpipe.core.sound import Float32Array, FloatArray


class DamagedEntry(LayerpipeError):  # noqa: N818 - it is not the reader's error: the store makes the entry again
    """An entry does not hold what was written; it has been removed."""

    exit_code = 1


@dataclass(frozen=True)
class CachedTake:
    """A processed take on disk, a `Sound` of float32 frames."""

    key: str
    path: Path
    file: SharedFile
    rate_hz: int
    frames: int
    checks: array[int]
    facts: Mapping[str, Any]
    rows_check: int

    def table(self) -> Float32Array:
        """Per step of 10 ms (see chain.Reduction): shape (3, steps); read when asked for, many takes would add up.

        Raises
        ------
        DamagedEntry
            If it is not what was written; the entry is removed.
        """
        try:
            rows = self.path.with_suffix(".json").read_bytes().partition(b"\n")[2]
        except OSError:
            rows = b""
        if zlib.crc32(rows) != self.rows_check:
            self.remove()
            raise DamagedEntry(f"{self.path}: damaged entry of the store; it will be made again")
        return np.frombuffer(rows, dtype="<f4").reshape(3, -1)

    def read_float32(self, start: int, stop: int) -> Float32Array:
        """Frames start to stop as float32, every block that is touched checked.

        Raises
        ------
        DamagedEntry
            If the file is shorter than described or a block does not match its check; the entry is removed.
        """
        first = start // self.rate_hz * self.rate_hz
        last = min(-(-stop // self.rate_hz) * self.rate_hz, self.frames)
        kept = self.file.read(4 * first, 4 * max(last - first, 0))
        if len(kept) != 4 * max(last - first, 0) or not self._as_checked(kept, first):
            self.remove()
            raise DamagedEntry(f"{self.path}: damaged entry of the store; it will be made again")
        return np.frombuffer(kept, dtype="<f4")[start - first : stop - first]

    def read_into(self, start: int, room: Float32Array) -> None:
        """Fill an array with the frames from `start` on; both its ends lie on whole seconds or at the take's end.

        Raises
        ------
        DamagedEntry
            As `read_float32`.
        """
        view = room.data.cast("B")
        if self.file.read_into(4 * start, view) != len(view) or not self._as_checked(view, start):
            self.remove()
            raise DamagedEntry(f"{self.path}: damaged entry of the store; it will be made again")

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64."""
        return self.read_float32(start, stop).astype(np.float64)

    def remove(self) -> None:
        """Take the entry out of the store, its description first."""
        for path in (self.path.with_suffix(".json"), self.path):
            with contextlib.suppress(OSError):
                path.unlink()

    def _as_checked(self, kept: bytes | memoryview, first: int) -> bool:
        """Whether every block has the check that was written down."""
        view, size = memoryview(kept), 4 * self.rate_hz
        found = array("I", (zlib.crc32(view[at : at + size]) for at in range(0, len(kept), size)))
        return found == self.checks[first // self.rate_hz :][: len(found)]


def by_the_second(blocks: Iterable[FloatArray], rate_hz: int) -> Iterator[FloatArray]:
    """The same sound in blocks of one second: what is checked as one. Blocks that come so are handed on as they are."""
    left = np.zeros(0)
    for block in blocks:
        joined = np.concatenate([left, block]) if len(left) else block
        whole = len(joined) // rate_hz * rate_hz
        for at in range(0, whole, rate_hz):
            yield joined[at : at + rate_hz]
        left = joined[whole:]
    if len(left):
        yield left

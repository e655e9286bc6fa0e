"""A processed take in the cache: float32 frames on disk, checked as they are read (CRC-32 per second)."""

from __future__ import annotations

import contextlib
import json
import os
import zlib
from array import array
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from msgspec import Struct

from layerpipe.core.errors import LayerpipeError
from layerpipe.core.files.regular import is_regular
from layerpipe.core.files.shared_reader import SharedFile
from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.render.cache.digests import cache_key


class DamagedEntry(LayerpipeError):  # noqa: N818 - it is not the reader's error: the cache rebuilds the entry
    """An entry cannot be read or does not hold what was written; it has been removed."""

    exit_code = 1

    @classmethod
    def at(cls, path: Path) -> DamagedEntry:
        """The message for an entry."""
        return cls(f"{path}: damaged cache entry; it will be rebuilt")


class CachedTake(Struct, frozen=True):
    """A processed take on disk, a `Sound` of float32 frames."""

    key: str
    path: Path
    file: SharedFile
    rate_hz: int
    frames: int
    crcs: array[int]
    """CRC-32 of each second."""
    facts: Mapping[str, Any]
    table_crc: int

    @classmethod
    def find(cls, folder: Path, key: str) -> CachedTake | None:
        """The take under this key in a folder, or None; a description that cannot be right is removed."""
        described, path = folder / f"{key}.json", folder / f"{key}.f32"
        if not (is_regular(described) and is_regular(path)):
            return None
        try:
            text, _, rows = described.read_bytes().partition(b"\n")
            words = json.loads(text)
            take = cls(key, path, SharedFile(path), words["rate_hz"], words["frames"],
                       array("I", words["checks"]), words["facts"], zlib.crc32(rows))
            whole = take.file.size_bytes == 4 * take.frames and words["seal"] == seal_of(words, rows)
        except OSError:
            return None
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            with contextlib.suppress(OSError):
                described.unlink()
            return None
        if not whole:
            take.remove()
            return None
        with contextlib.suppress(OSError):
            os.utime(described)
        return take

    def table(self) -> Float32Array:
        """Gain reduction per step of 10 ms (`chain.Reduction`), shape (3, steps), read from disk at each call.

        Raises
        ------
        DamagedEntry
            If it is not what was written; the entry is removed.
        """
        try:
            rows = self.path.with_suffix(".json").read_bytes().partition(b"\n")[2]
        except OSError as refusal:
            raise self._damaged() from refusal
        if zlib.crc32(rows) != self.table_crc:
            raise self._damaged()
        return np.frombuffer(rows, dtype="<f4").reshape(3, -1)

    def read_float32(self, start: int, stop: int) -> Float32Array:
        """Frames start to stop as float32; every second that is touched is checked.

        Raises
        ------
        DamagedEntry
            If the file cannot be read, is too short or a second does not match its checksum; the entry is removed.
        """
        first = start // self.rate_hz * self.rate_hz
        last = min(-(-stop // self.rate_hz) * self.rate_hz, self.frames)
        try:
            data = self.file.read(4 * first, 4 * max(last - first, 0))
        except OSError as refusal:
            raise self._damaged() from refusal
        if len(data) != 4 * max(last - first, 0) or not self._is_intact(data, first):
            raise self._damaged()
        return np.frombuffer(data, dtype="<f4")[start - first : stop - first]

    def read_into(self, start: int, room: Float32Array) -> None:
        """Fill an array with the frames from `start` on; it begins and ends on whole seconds or at the take's end.

        Raises
        ------
        DamagedEntry
            As `read_float32`.
        """
        view = room.data.cast("B")
        try:
            count = self.file.read_into(4 * start, view)
        except OSError as refusal:
            raise self._damaged() from refusal
        if count != len(view) or not self._is_intact(view, start):
            raise self._damaged()

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64."""
        return self.read_float32(start, stop).astype(np.float64)

    def remove(self) -> None:
        """Remove the entry from the cache, its description first."""
        for path in (self.path.with_suffix(".json"), self.path):
            with contextlib.suppress(OSError):
                path.unlink()

    def _damaged(self) -> DamagedEntry:
        """Remove the entry; the error to raise."""
        self.remove()
        return DamagedEntry.at(self.path)

    def _is_intact(self, data: bytes | memoryview, first: int) -> bool:
        """Whether every second from frame `first` on has its checksum."""
        view, size = memoryview(data), 4 * self.rate_hz
        found = array("I", (zlib.crc32(view[at : at + size]) for at in range(0, len(data), size)))
        return found == self.crcs[first // self.rate_hz :][: len(found)]


def by_the_second(blocks: Iterable[FloatArray], rate_hz: int) -> Iterator[FloatArray]:
    """The same sound in blocks of one second, the unit of the checksums; such blocks are passed through."""
    left = np.zeros(0)
    for block in blocks:
        joined = np.concatenate([left, block]) if len(left) else block
        whole = len(joined) // rate_hz * rate_hz
        for at in range(0, whole, rate_hz):
            yield joined[at : at + rate_hz]
        left = joined[whole:]
    if len(left):
        yield left


def seal_of(words: Mapping[str, Any], rows: bytes) -> str:
    """Checksum over a description, without its own entry, and the table that follows it."""
    return cache_key({**{name: value for name, value in words.items() if name != "seal"}, "rows": zlib.crc32(rows)})

"""A stem on the disk, which may be damaged: its chunks, samples and checksum, and where two stems differ.

This reader shares no code with the writer and reads as much as there is. Samples are integers, shape (frames,
channels); positions are frames.
Layout: EBU Tech 3285 v2 (`bext`), EBU Tech 3306 and ITU-R BS.2088 (RF64).
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from layerpipe.core.files.regular import is_regular
from layerpipe.core.files.shared_reader import SharedFile
from layerpipe.core.units import db_of_gain

IntArray = npt.NDArray[np.int32]
Reader = Callable[[int, int], IntArray]
"""Frames start to stop; fewer past the end."""
READ_FRAMES = 1 << 17
"""Read at once: about 3 s, 1 MB of stereo."""
_UNKNOWN_SIZE = 0xFFFFFFFF
"""In `data` of an RF64 file: the length is in `ds64`."""
_MOST_CHUNKS = 10_000
"""Walked through before `data`; real files have a dozen."""


@dataclass(frozen=True)
class StemHead:
    """What the header says, and how many frames there are."""

    rate_hz: int
    channels: int
    bit_depth: int
    promised_frames: int
    frames: int
    time_reference_frames: int | None
    data_at: int


class StemFile:
    """A PCM file of 16 or 24 bits, readable from any place.

    Raises
    ------
    ValueError
        If it is not one; the message says why.
    OSError
        If it cannot be read.
    """

    def __init__(self, path: Path) -> None:
        if not is_regular(path):
            raise ValueError("is not a regular file")
        with path.open("rb") as file:
            self.head = _head(file, path.stat().st_size)
        self._file = SharedFile(path)

    @property
    def frames(self) -> int:
        """Frames in the file, whatever the header says."""
        return self.head.frames

    def read(self, start: int, stop: int) -> IntArray:
        """Frames start to stop, shape (frames, channels); fewer past the end, none before the beginning."""
        head = self.head
        start, stop = min(max(start, 0), head.frames), min(max(stop, 0), head.frames)
        width = head.bit_depth // 8
        frame_bytes = width * head.channels
        raw = self._file.read(head.data_at + start * frame_bytes, max(stop - start, 0) * frame_bytes)
        raw = raw[: len(raw) // frame_bytes * frame_bytes]
        if width == 2:
            return np.frombuffer(raw, "<i2").astype(np.int32).reshape(-1, head.channels)
        # Four bytes from each third one on: the sample, and above it a byte of the next, which is shifted out.
        wide = np.ndarray((len(raw) // 3,), "<i4", raw + b"\0", strides=(3,)).astype(np.int32) << np.int32(8)
        return (wide >> np.int32(8)).reshape(-1, head.channels)


def checksum_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def sum_reader(files: Sequence[StemFile]) -> Reader:
    """The integer sum of files of one length."""
    return lambda start, stop: np.sum([file.read(start, stop) for file in files], axis=0, dtype=np.int32)


def difference(one: Reader, other: Reader, frames: int) -> tuple[int | None, int]:
    """First frame that differs and the largest difference in integer steps; missing frames count as 0 and differ."""
    first, largest = None, 0
    for start in range(0, frames, READ_FRAMES):
        a, b = one(start, start + READ_FRAMES), other(start, start + READ_FRAMES)
        if np.array_equal(a, b):
            continue
        longest = max(len(a), len(b))
        a_padded, b_padded = (np.pad(block, ((0, longest - len(block)), (0, 0))).astype(np.int64) for block in (a, b))
        steps = np.abs(a_padded - b_padded)
        differs = steps.any(axis=1)
        differs[min(len(a), len(b)) :] = True
        if first is None:
            first = start + int(np.argmax(differs))
        largest = max(largest, int(steps.max()))
    return first, largest


def dbfs_of_steps(steps: int, bit_depth: int) -> float:
    """Integer steps as a level in dBFS."""
    return db_of_gain(steps / (1 << (bit_depth - 1)))


def _head(file: BinaryIO, size: int) -> StemHead:
    """Walk through the chunks up to `data`."""
    magic = file.read(12)
    if len(magic) < 12 or magic[:4] not in (b"RIFF", b"RF64") or magic[8:] != b"WAVE":
        raise ValueError("is not a WAVE file")
    at, form, reference, long_bytes = 12, None, None, None
    for _ in range(_MOST_CHUNKS):
        file.seek(at)
        head = file.read(8)
        if len(head) < 8:
            break
        name, length = head[:4], struct.unpack("<I", head[4:])[0]
        if name == b"fmt ":
            form = file.read(16)
        elif name == b"ds64":
            sizes = file.read(16)
            long_bytes = struct.unpack("<Q", sizes[8:])[0] if len(sizes) == 16 else None
        elif name == b"bext":
            body = file.read(346)
            reference = struct.unpack("<Q", body[338:346])[0] if len(body) == 346 else None
        elif name == b"data":
            if length == _UNKNOWN_SIZE and long_bytes is not None:
                length = long_bytes
            return _head_of(form, reference, at + 8, length, size)
        at += 8 + length + length % 2
    raise ValueError("ends before its samples begin")


def _head_of(form: bytes | None, reference: int | None, data_at: int, length: int, size: int) -> StemHead:
    """Check `fmt` and count frames."""
    if form is None or len(form) < 16:
        raise ValueError("has no fmt chunk before its samples")
    kind, channels, rate_hz, _, _, bits = struct.unpack("<HHIIHH", form)
    if kind not in (1, 0xFFFE) or bits not in (16, 24) or not 1 <= channels <= 64 or rate_hz == 0:
        raise ValueError(f"has format {kind}, {channels} channels, {rate_hz} Hz, {bits} bits; "
                         "stems are PCM of 16 or 24 bits")
    frame_bytes = channels * bits // 8
    return StemHead(rate_hz, channels, bits, length // frame_bytes, min(length, max(size - data_at, 0)) // frame_bytes,
                    reference, data_at)

"""Broadcast WAVE: 16- or 24-bit PCM with a `bext` chunk, its header final before the first sample.

Samples are integers that were rounded elsewhere; nothing is scaled or clipped here. Little-endian, chunks padded to
even length, without date of writing or machine name: the same sound gives the same file. Past 4 GiB the file is RF64.
`bext` comes before `data`, as in the standard's figures, for readers that stop at `data`.
Layout: EBU Tech 3285 v2 (May 2011), EBU R 98-1999 (coding history), EBU Tech 3306 and ITU-R BS.2088 (RF64, `ds64`).
"""

from __future__ import annotations

import hashlib
import struct
import threading
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field

from layerpipe.core.errors import OutputError, ParameterError
from layerpipe.core.files.atomic import NewFile
from layerpipe.dsp.quantize import pack_pcm

ORIGINATOR = "layerpipe"
_NOT_MEASURED = (0x7FFF,) * 5
"""The five loudness fields; bounce.json holds the figures, which are known only after the sound."""
_LARGEST_RIFF = 0xFFFFFFFF

PcmArray = npt.NDArray[np.int32]


class BroadcastInfo(Struct, frozen=True):
    """The fields of a `bext` chunk that a bounce fills. Text is ASCII; text longer than its field is cut.

    `date` is yyyy-mm-dd, from the recipe or empty: never from the clock. `tags`, for listening files, are those of
    `INFO_NAMES`, written in UTF-8 as a LIST chunk.
    """

    description: str = ""
    date: str = ""
    time_reference_frames: int = 0
    tags: Mapping[str, str] = field(default_factory=dict)


INFO_NAMES = {"title": b"INAM", "artist": b"IART", "album": b"IPRD", "track": b"ITRK", "comment": b"ICMT"}
"""Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0 (1991), "INFO list chunk"; ITRK is in
general use, but not in it (from memory)."""


def bext_chunk(info: BroadcastInfo, rate_hz: int, channels: int, bit_depth: int) -> bytes:
    """The body of a `bext` chunk, without name and length.

    Returns
    -------
    bytes
        602 bytes and one row of coding history; an even number.

    Raises
    ------
    ParameterError
        If the time reference is negative or past 64 bits.

    References
    ----------
    EBU Tech 3285 v2, sec. 2.3.
    """
    if not 0 <= info.time_reference_frames < 1 << 64:
        raise ParameterError(f"time_reference_frames={info.time_reference_frames} must be 0 or above, of 64 bits")
    mode = {1: "mono", 2: "stereo"}.get(channels, f"{channels} channels")
    row = f"A=PCM,F={rate_hz},W={bit_depth},M={mode},T={ORIGINATOR}\r\n"
    fixed = struct.pack(
        "<256s32s32s10s8sQH64s5h180x", _ascii(info.description), _ascii(ORIGINATOR),
        b"", _ascii(info.date), b"", info.time_reference_frames, 2, b"",
        *_NOT_MEASURED)
    body = fixed + _ascii(row)
    # Padded inside the chunk: libsndfile 1.2.2 misreads what follows an odd chunk in an RF64 file.
    return body + bytes(len(body) % 2)


def _ascii(text: str) -> bytes:
    """Text in ASCII, as the standard requires; other characters become question marks."""
    return text.encode("ascii", "replace")


def wave_header(rate_hz: int, channels: int, bit_depth: int, frames: int, info: BroadcastInfo) -> bytes:
    """Everything before the first sample of a file of known length.

    Returns
    -------
    bytes
        RIFF, or RF64 with `ds64` where the file would pass 4 GiB; `bext`, `fmt `, and the head of `data`.
    """
    frame_bytes = channels * bit_depth // 8
    data_bytes = frames * frame_bytes
    bext = _chunk(b"bext", bext_chunk(info, rate_hz, channels, bit_depth))
    form = _chunk(b"fmt ", struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, bit_depth))
    if info.tags:
        form += _chunk(b"LIST", b"INFO" + b"".join(
            _chunk(INFO_NAMES[name], text.encode() + b"\0") for name, text in info.tags.items()))
    riff_bytes = 4 + len(bext) + len(form) + 8 + data_bytes + data_bytes % 2
    if riff_bytes <= _LARGEST_RIFF:
        return (b"RIFF" + struct.pack("<I", riff_bytes) + b"WAVE" + bext + form
                + b"data" + struct.pack("<I", data_bytes))
    sizes = _chunk(b"ds64", struct.pack("<QQQI", riff_bytes + 36, data_bytes, frames, 0))
    return (b"RF64" + struct.pack("<I", _LARGEST_RIFF) + b"WAVE" + sizes + bext + form
            + b"data" + struct.pack("<I", _LARGEST_RIFF))


def _chunk(name: bytes, body: bytes) -> bytes:
    """A chunk with name, length and padding."""
    return name + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


_rooms = threading.local()


class StemWriter:
    """Writes one Broadcast WAVE of known length, completely or not at all.

    The file takes its name when the `with` block ends well; otherwise it is removed. `sha256` then holds the digest
    of the whole file, taken while it was written.

    Parameters
    ----------
    path : Path
    rate_hz, channels : int
    bit_depth : int
        16 or 24.
    frames : int
        Frames that will be written, no more and no fewer.
    info : BroadcastInfo, optional

    Raises
    ------
    ParameterError
        Another bit depth, or not the announced number of frames.
    OutputError
        If the file cannot be written.
    """

    def __init__(self, path: Path, rate_hz: int, channels: int, bit_depth: int, frames: int,
                 info: BroadcastInfo | None = None) -> None:
        if bit_depth not in (16, 24):
            raise ParameterError(f"bit_depth={bit_depth} must be 16 or 24")
        self.path, self.frames, self.channels, self.bit_depth = path, frames, channels, bit_depth
        self.sha256 = ""
        self._written = 0
        self._digest = hashlib.sha256()
        try:
            self._new = NewFile(path)
        except OSError as refusal:
            raise self._refused(refusal) from refusal
        self._guarded_put(wave_header(rate_hz, channels, bit_depth, frames, info or BroadcastInfo()))

    def write(self, pcm: PcmArray) -> None:
        """Append frames: int32 of shape (frames,) or (frames, channels), inside the range of the bit depth."""
        flat = np.ascontiguousarray(pcm).reshape(-1)
        # Packing memory per thread: per writer it would add up in a bounce of many stems.
        _rooms.packed = pack_pcm(flat, self.bit_depth, getattr(_rooms, "packed", np.empty(0, np.uint8)))
        self.write_packed(_rooms.packed[: len(flat) * self.bit_depth // 8].data)

    def write_packed(self, data: memoryview | bytes) -> None:
        """Append packed samples."""
        self._written += len(data)
        if self._written > self.frames * self._frame_bytes:
            raise ParameterError(f"{self.path.name}: more than the announced {self.frames} frames")
        self._guarded_put(data)

    def close(self) -> None:
        """Finish the file and give it its name."""
        if self._written != self.frames * self._frame_bytes:
            short = self._written / self._frame_bytes
            self.abandon()
            raise ParameterError(f"{self.path.name}: {short:g} frames written, {self.frames} announced")
        try:
            self._put(bytes(self._written % 2))
            self._new.finish()
        except OSError as refusal:
            self.abandon()
            raise self._refused(refusal) from refusal
        self.sha256 = self._digest.hexdigest()

    def abandon(self) -> None:
        """Remove what was written."""
        self._new.discard()

    @property
    def _frame_bytes(self) -> int:
        """Bytes of one frame."""
        return self.channels * self.bit_depth // 8

    def _guarded_put(self, data: memoryview | bytes) -> None:
        """Write, or discard the file."""
        try:
            self._put(data)
        except OSError as refusal:
            self.abandon()
            raise self._refused(refusal) from refusal

    def _put(self, data: memoryview | bytes) -> None:
        """Write all of it and add it to the digest."""
        self._new.file.write(data)
        self._digest.update(data)

    def _refused(self, refusal: OSError) -> OutputError:
        """The system's error as one that names the target."""
        return OutputError(f"{self.path}: cannot be written: {refusal.strerror or refusal}")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()

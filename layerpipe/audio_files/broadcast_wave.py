"""Broadcast WAVE: 16- or 24-bit PCM with a `bext` chunk, its header final before the first sample.

Samples are integers that were rounded elsewhere; nothing is scaled or clipped here. Little-endian, chunks padded to
even length, no clock and no machine in any byte: the same sound gives the same file. Past 4 GiB the file is RF64.
`bext` stands before the sound, as the standard draws it and as readers expect that stop at the sound.
Layout: EBU Tech 3285 v2 (May 2011), EBU R 98-1999 (coding history), EBU Tech 3306 and ITU-R BS.2088 (RF64, `ds64`).
"""

from __future__ import annotations

import hashlib
import math
import struct
import threading
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import OutputError, ParameterError
from layerpipe.dsp.quantize import pack_pcm

ORIGINATOR = "layerpipe"
UNUSED = 0x7FFF
BEXT_BYTES = 602
_LARGEST_RIFF = 0xFFFFFFFF

PcmArray = npt.NDArray[np.int32]


@dataclass(frozen=True)
class BextLoudness:
    """Figures of a `bext` chunk, LUFS, LU and dBTP; None or infinite where not measured."""

    integrated_lufs: float | None = None
    range_lu: float | None = None
    max_true_peak_dbtp: float | None = None
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None


@dataclass(frozen=True)
class BroadcastInfo:
    """What a `bext` chunk says. Text is kept to ASCII; longer text is cut at its field's end.

    `date` is yyyy-mm-dd and `time` hh-mm-ss, from the recipe or left out: never from the clock.
    """

    description: str = ""
    originator_reference: str = ""
    date: str = ""
    time: str = ""
    time_reference_frames: int = 0
    loudness: BextLoudness = field(default_factory=BextLoudness)
    history: str = ""
    """Coding history of what came before; this file's own row is added after it."""


def loudness_field(value: float | None) -> int:
    """A loudness figure as `bext` stores it: 100 times the value, halves away from zero.

    Parameters
    ----------
    value : float or None
        LUFS, LU or dBTP.

    Returns
    -------
    int
        -9999 to 9999, or 7FFFh (unused) for None, infinite and larger values.

    References
    ----------
    EBU Tech 3285 v2, sec. 2.4, with its worked examples of rounding.
    """
    if value is None or not math.isfinite(value):
        return UNUSED
    # Half a millionth allows for decimal figures that binary numbers only come near to, such as -22.645.
    hundredths = math.floor(abs(value) * 100 + 0.5 + 5e-7)
    if hundredths > 9999:
        return UNUSED
    return -hundredths if value < 0 else hundredths


def bext_chunk(info: BroadcastInfo, rate_hz: int, channels: int, bit_depth: int) -> bytes:
    """The body of a `bext` chunk, without name and length.

    Returns
    -------
    bytes
        602 bytes and the coding history; an even number.

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
    figures = info.loudness
    loudness = (figures.integrated_lufs, figures.range_lu, figures.max_true_peak_dbtp, figures.max_momentary_lufs,
                figures.max_short_term_lufs)
    mode = {1: "mono", 2: "stereo"}.get(channels, f"{channels} channels")
    row = f"A=PCM,F={rate_hz},W={bit_depth},M={mode},T={ORIGINATOR}\r\n"
    fixed = struct.pack(
        "<256s32s32s10s8sQH64s5h180x", _ascii(info.description), _ascii(ORIGINATOR),
        _ascii(info.originator_reference), _ascii(info.date), _ascii(info.time), info.time_reference_frames, 2, b"",
        *(loudness_field(value) for value in loudness))
    body = fixed + _ascii(info.history) + _ascii(row)
    # Made even by a NUL of its own: libsndfile 1.2.2 loses its way behind an odd chunk of an RF64 file.
    return body + bytes(len(body) % 2)


def _ascii(text: str) -> bytes:
    """Text as the standard wants it; what ASCII lacks becomes a question mark."""
    return text.encode("ascii", "replace")


def header_of(rate_hz: int, channels: int, bit_depth: int, frames: int, info: BroadcastInfo) -> bytes:
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
    """Writes one Broadcast WAVE of known length, whole or not at all.

    The file grows beside its place as `name.partial` and takes its name when the `with` block ends well; otherwise
    it is removed. `sha256` then holds the digest of the file, `data_sha256` that of its samples if it was asked for.

    Parameters
    ----------
    path : Path
    rate_hz, channels : int
    bit_depth : int
        16 or 24.
    frames : int
        Frames that will be written, no more and no fewer.
    info : BroadcastInfo
    loudness_later : bool
        The figures of `bext` come with `set_loudness` after the sound. The digest is then taken from the finished
        file; without it the digest is taken on the way and the file is not read again.
    digest_data : bool
        Also keep the digest of the samples alone.

    Raises
    ------
    ParameterError
        Another bit depth, or not the number of frames that was announced.
    OutputError
        If the file cannot be written.
    """

    def __init__(self, path: Path, rate_hz: int, channels: int, bit_depth: int, frames: int,
                 info: BroadcastInfo | None = None, *, loudness_later: bool = False,
                 digest_data: bool = False) -> None:
        if bit_depth not in (16, 24):
            raise ParameterError(f"bit_depth={bit_depth} must be 16 or 24")
        self.path, self.frames, self.channels, self.bit_depth = path, frames, channels, bit_depth
        self.sha256, self.data_sha256 = "", ""
        self._rate_hz, self._info = rate_hz, info or BroadcastInfo()
        self._partial = path.with_name(path.name + ".partial")
        self._written = 0
        self._loudness_later = loudness_later
        self._digest = None if loudness_later else hashlib.sha256()
        self._data_digest = hashlib.sha256() if digest_data else None
        self._header = header_of(rate_hz, channels, bit_depth, frames, self._info)
        try:
            # What an interrupted run left is removed, never followed: it could be a link to somewhere else.
            self._partial.unlink(missing_ok=True)
            self._file = self._partial.open("xb+", buffering=0)
        except OSError as refusal:
            raise self._refused(refusal) from refusal
        self._guarded_put(self._header)

    def write(self, pcm: PcmArray) -> None:
        """Append frames: int32 of shape (frames,) or (frames, channels), inside the range of the bit depth."""
        flat = np.ascontiguousarray(pcm).reshape(-1)
        # Room to pack in, one a thread: one a writer weighs much where there are many.
        _rooms.packed = pack_pcm(flat, self.bit_depth, getattr(_rooms, "packed", np.empty(0, np.uint8)))
        self.write_packed(_rooms.packed[: len(flat) * self.bit_depth // 8].data)

    def write_packed(self, data: memoryview | bytes) -> None:
        """Append samples that are packed already."""
        self._written += len(data)
        if self._written > self.frames * self._frame_bytes:
            raise ParameterError(f"{self.path.name}: more than the announced {self.frames} frames")
        self._guarded_put(data)
        if self._data_digest is not None:
            self._data_digest.update(data)

    def set_loudness(self, loudness: BextLoudness) -> None:
        """Fill the figures of `bext` in; allowed where the writer was opened with `loudness_later`."""
        if not self._loudness_later:
            raise ParameterError("the header is final; open the writer with loudness_later=True")
        info = BroadcastInfo(**{**vars(self._info), "loudness": loudness})
        self._header = header_of(self._rate_hz, self.channels, self.bit_depth, self.frames, info)
        try:
            self._file.seek(0)
            self._file.write(self._header)
            self._file.seek(0, 2)
        except OSError as refusal:
            raise self._refused(refusal) from refusal

    def close(self) -> None:
        """Finish the file and give it its name."""
        if self._written != self.frames * self._frame_bytes:
            short = self._written / self._frame_bytes
            self.abandon()
            raise ParameterError(f"{self.path.name}: {short:g} frames written, {self.frames} announced")
        try:
            self._put(bytes(self._written % 2))
            if self._digest is None:
                self._file.seek(0)
                self.sha256 = hashlib.file_digest(self._file, "sha256").hexdigest()
            else:
                self.sha256 = self._digest.hexdigest()
            self._file.close()
            self._partial.replace(self.path)
        except OSError as refusal:
            self.abandon()
            raise self._refused(refusal) from refusal
        if self._data_digest is not None:
            self.data_sha256 = self._data_digest.hexdigest()

    def abandon(self) -> None:
        """Remove what was written."""
        self._file.close()
        self._partial.unlink(missing_ok=True)

    @property
    def _frame_bytes(self) -> int:
        """Bytes of one frame."""
        return self.channels * self.bit_depth // 8

    def _guarded_put(self, data: memoryview | bytes) -> None:
        """Write, or give everything up."""
        try:
            self._put(data)
        except OSError as refusal:
            self.abandon()
            raise self._refused(refusal) from refusal

    def _put(self, data: memoryview | bytes) -> None:
        """Write all of it; a raw file may take less than it is given."""
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) :]
        if self._digest is not None:
            self._digest.update(data)

    def _refused(self, refusal: OSError) -> OutputError:
        """The system's refusal as a letter."""
        return OutputError(f"{self.path}: cannot be written: {refusal.strerror or refusal}")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()

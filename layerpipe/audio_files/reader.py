"""Reading audio files at any position. Beside `flac` the only module that imports soundfile, when a file is opened.

Files are read as they are: full scale is 1.0, nothing is clipped, resampled or mixed. Integer samples are exact in
float64, and in float32 up to 24 bits. Whatever is wrong with a file is an `AudioError` that names it; only regular
files are opened, so a pipe or a device never blocks a run. `broadcast_wave` writes Broadcast WAVE.
"""

from __future__ import annotations

import functools
import logging
import os
import threading
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from msgspec.structs import replace

from layerpipe.audio_files.header import Header
from layerpipe.audio_files.info import (
    FileFacts,
    FileStamp,
    audio_fault,
    byte_rate,
    channel_problem,
    read_header,
    refuse_cut_short,
    refuse_unusable,
    source_digest,
    stamp_of,
    time_text,
)
from layerpipe.core.errors import ParameterError
from layerpipe.core.files.shared_reader import SharedFile
from layerpipe.core.sound import Float32Array, FloatArray, Made
from layerpipe.dsp import kernels

__all__ = ["FileFacts", "FileStamp", "OpenFile", "SourceFile", "StereoFile", "inspect", "reason_of", "source_digest"]

_WAV_FORMATS = ("WAV", "WAVEX", "RF64")
_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
PcmArray = npt.NDArray[np.int32]
_WORTH_A_WARNING_S = 0.1
"""Audio past the header's length, s: less is padding that some programs leave (our own limit)."""


def inspect(path: Path) -> FileFacts:
    """Read the facts of an audio file; refuse one that cannot be a take.

    Parameters
    ----------
    path : Path

    Returns
    -------
    FileFacts

    Raises
    ------
    AudioError
        Missing, a folder, device or pipe, empty, not WAV, AIFF or FLAC, cut short, of no frames, of more than 64
        channels, outside 8 to 192 kHz, longer than 24 hours.
    """
    stamp = stamp_of(path)
    if stamp.size == 0:
        raise audio_fault(path, "is empty (0 bytes)")
    header = read_header(path, stamp.size)
    try:
        with _handle_of(path) as handle:
            facts = FileFacts(path, int(handle.samplerate), int(handle.channels), int(handle.frames),
                              str(handle.subtype), str(handle.format), _BITS.get(handle.subtype), stamp,
                              _packed_24_start(handle, header))
    except (OSError, RuntimeError) as refusal:
        # An error of libsndfile is a RuntimeError.
        refuse_cut_short(path, stamp.size, header)
        problem = f"is damaged: its {header.kind} header cannot be read ({reason_of(refusal)})"
        raise audio_fault(path, problem) from refusal
    refuse_unusable(facts)
    refuse_cut_short(path, stamp.size, header, facts)
    facts = replace(facts, ignored_s=header.extra_bytes / byte_rate(facts), time_reference=header.time_reference)
    warn_of_extra(facts)
    return facts


def warn_of_extra(facts: FileFacts) -> None:
    """Say once that a header is too short for its file."""
    if facts.ignored_s >= _WORTH_A_WARNING_S:
        _warn_once_of_extra(str(facts.path), facts.seconds, facts.ignored_s)


@functools.cache
def _warn_once_of_extra(path: str, told_s: float, ignored_s: float) -> None:
    """The warning."""
    logging.getLogger("layerpipe").warning(
        "%s: the header says %.3f s, but %.3f s more audio follow and are ignored; repair the header or export the "
        "file again", path, told_s, ignored_s)


def _packed_24_start(handle: Any, header: Header) -> int | None:
    """Byte at which the samples begin, if they are packed 24-bit integers and as many as the header says."""
    packed = handle.format in _WAV_FORMATS and handle.subtype == "PCM_24" and header.sound_bytes is not None
    return header.sound_start if packed and header.sound_bytes // (3 * handle.channels) == handle.frames else None


class SourceFile:
    """One channel of an audio file, readable at any position; a `layerpipe.core.sound.Sound`.

    Parameters
    ----------
    path : Path
    channel : int, optional
        Counted from 1. May be omitted if the file has one channel.
    facts : FileFacts, optional
        From an earlier `inspect`.

    Raises
    ------
    AudioError
        As `inspect`; also if the file has several channels and none was named, or not the one named.
    """

    def __init__(self, path: Path, channel: int | None = None, *, facts: FileFacts | None = None) -> None:
        self.facts = inspect(path) if facts is None else facts
        problem = channel_problem(self.facts, channel)
        if problem:
            raise audio_fault(path, problem)
        self._column = (channel or 1) - 1
        self._file = OpenFile(self.facts)

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return self.facts.rate_hz

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self.facts.frames

    @property
    def made_of(self) -> Made:
        """One channel of a file."""
        return "channel", self.facts, self._column

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64 of shape (stop - start,)."""
        sound: FloatArray = self._file.read(start, stop, "float64")[:, self._column]
        return sound

    def read_float32(self, start: int, stop: int) -> Float32Array:
        """Frames start to stop as float32: exact for integers of up to 24 bits and for float files."""
        sound: Float32Array = self._file.read(start, stop, "float32")[:, self._column]
        return sound

    def close(self) -> None:
        """Close the file; a later read opens it again."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()


class StereoFile:
    """All channels of an audio file; `read` gives (frames, channels)."""

    def __init__(self, path: Path, *, facts: FileFacts | None = None) -> None:
        self.facts = inspect(path) if facts is None else facts
        self._file = OpenFile(self.facts)

    @property
    def made_of(self) -> Made:
        """All channels of a file."""
        return "channels", self.facts

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64 of shape (stop - start, channels)."""
        sound: FloatArray = self._file.read(start, stop, "float64")
        return sound

    def close(self) -> None:
        """Close the file; a later read opens it again."""
        self._file.close()


def _handle_of(path: Path) -> Any:
    """A libsndfile handle opened by descriptor: by name, some file endings would be taken for a format."""
    import soundfile

    return soundfile.SoundFile(os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0)), closefd=True)


class OpenFile:
    """An audio file opened on first use; the lock is needed because libsndfile handles are not thread-safe."""

    def __init__(self, facts: FileFacts) -> None:
        self._facts = facts
        self._handle: Any = None
        self._bytes: SharedFile | None = None
        self._at = 0
        self._lock = threading.Lock()

    def read(self, start: int, stop: int, dtype: str) -> npt.NDArray[Any]:
        """Frames start to stop, shape (stop - start, channels)."""
        facts = self._facts
        if not 0 <= start <= stop <= facts.frames:
            raise ParameterError(f"frames {start} to {stop} must lie inside 0 to {facts.frames}")
        if facts.sound_start is not None and dtype == "float64":
            return self._unpacked(start, stop)
        with self._lock:
            try:
                if self._handle is None:
                    self._handle, self._at = _handle_of(facts.path), 0
                if self._at != start:
                    self._handle.seek(start)
                sound: npt.NDArray[Any] = self._handle.read(stop - start, dtype=dtype, always_2d=True)
            except (OSError, RuntimeError) as refusal:
                # An error of libsndfile is a RuntimeError.
                self._let_go()
                place = f"between {time_text(start, facts.rate_hz)} and {time_text(stop, facts.rate_hz)}"
                raise audio_fault(facts.path, f"is damaged {place} ({reason_of(refusal)}); copy it again") from refusal
            self._at = start + len(sound)
        if len(sound) < stop - start:
            raise audio_fault(facts.path, f"ends at {time_text(start + len(sound), facts.rate_hz)}, before the "
                                     f"{time_text(facts.frames, facts.rate_hz)} its header promises")
        return sound

    def _unpacked(self, start: int, stop: int) -> FloatArray:
        """Read packed 24-bit samples without libsndfile, which takes many times as long for the same numbers."""
        facts = self._facts
        frame_bytes = 3 * facts.channels
        with self._lock:
            try:
                if self._bytes is None:
                    self._bytes = SharedFile(facts.path)
                packed = self._bytes.read((facts.sound_start or 0) + start * frame_bytes, (stop - start) * frame_bytes)
            except OSError as refusal:
                raise audio_fault(facts.path, f"cannot be read ({reason_of(refusal)})") from refusal
        if len(packed) < (stop - start) * frame_bytes:
            ends = time_text(start + len(packed) // frame_bytes, facts.rate_hz)
            raise audio_fault(facts.path, f"ends at {ends}, before the {time_text(facts.frames, facts.rate_hz)} "
                                    "its header promises")
        sound = np.empty((stop - start) * facts.channels)
        kernels.unpack_24(np.frombuffer(packed, np.uint8), 2.0**-23, sound)
        return sound.reshape(-1, facts.channels)

    def close(self) -> None:
        """Close the handle if one is open."""
        with self._lock:
            self._let_go()
            self._bytes = None

    def _let_go(self) -> None:
        """Close the handle; the caller holds the lock."""
        if self._handle is not None:
            self._handle.close()
            self._handle = None


def reason_of(refusal: BaseException) -> str:
    """The library's or the system's reason, without object names and final full stop."""
    if isinstance(refusal, OSError) and refusal.strerror:
        return refusal.strerror
    told = getattr(refusal, "error_string", None)
    if told is not None:
        # libsndfile's.
        return str(told).removeprefix("Error : ").rstrip(". ")
    return str(refusal).rstrip(". ")

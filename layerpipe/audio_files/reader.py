"""The door for sound files: what a file holds, reading it from any place, FLAC writing. The only importer of soundfile.

Files are read as they are: full scale is 1.0, nothing is clipped, resampled or mixed. Integer samples are exact in
float64, and in float32 up to 24 bits. Whatever is wrong with a file is an `AudioError` that names it; only regular
files are opened, so a pipe or a device never blocks a run. Broadcast WAVE is written by `broadcast.py`.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import soundfile

from layerpipe.audio_files.header import Promise
from layerpipe.audio_files.info import (
    FileFacts,
    FileStamp,
    channel_problem,
    promise_in,
    refuse_cut_short,
    refuse_unusable,
    source_digest,
    stamp_of,
    time_text,
    unfit,
)
from layerpipe.core.errors import OutputError, ParameterError
from layerpipe.core.files.atomic import whole_file
from layerpipe.core.files.shared_reader import SharedFile
from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.dsp import kernels

__all__ = ["FileFacts", "FileStamp", "OpenFile", "SourceFile", "StereoFile", "flac_writer", "inspect", "source_digest",
           "write_flac"]

_PLAIN = ("WAV", "WAVEX", "RF64")
_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
PcmArray = npt.NDArray[np.int32]


def inspect(path: Path) -> FileFacts:
    """Say what a sound file holds, and refuse what cannot be a take.

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
        raise unfit(path, "is empty (0 bytes)")
    promise = promise_in(path, stamp.size)
    try:
        with _handle_of(path) as handle:
            facts = FileFacts(path, int(handle.samplerate), int(handle.channels), int(handle.frames),
                              str(handle.subtype), str(handle.format), _BITS.get(handle.subtype), stamp,
                              _start_of_plain(handle, promise))
    except (soundfile.LibsndfileError, OSError, RuntimeError) as refusal:
        refuse_cut_short(path, stamp.size, promise)
        raise unfit(path, f"is damaged: its {promise.kind} header cannot be read ({_reason(refusal)})") from refusal
    refuse_unusable(facts)
    refuse_cut_short(path, stamp.size, promise, facts)
    return facts


def _start_of_plain(handle: Any, promise: Promise) -> int | None:
    """Where the samples begin, if they are packed 24 bits as the header counts them."""
    packed = handle.format in _PLAIN and handle.subtype == "PCM_24" and promise.sound_bytes is not None
    return promise.sound_start if packed and promise.sound_bytes // (3 * handle.channels) == handle.frames else None


class SourceFile:
    """One channel of a sound file, readable from any place; a `layerpipe.core.sound.Sound`.

    Parameters
    ----------
    path : Path
    channel : int, optional
        Counted from 1. May be left out where the file has one channel only.
    facts : FileFacts, optional
        As `inspect` found them, to spare a second look.

    Raises
    ------
    AudioError
        As `inspect`; also if the file has several channels and none was named, or not the one named.
    """

    def __init__(self, path: Path, channel: int | None = None, *, facts: FileFacts | None = None) -> None:
        self.facts = inspect(path) if facts is None else facts
        problem = channel_problem(self.facts, channel)
        if problem:
            raise unfit(path, problem)
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

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64 of shape (stop - start,)."""
        sound: FloatArray = self._file.read(start, stop, "float64")[:, self._column]
        return sound

    def read_float32(self, start: int, stop: int) -> Float32Array:
        """Frames start to stop as float32: exact for integers of up to 24 bits and for float files."""
        sound: Float32Array = self._file.read(start, stop, "float32")[:, self._column]
        return sound

    def close(self) -> None:
        """Let go of the file; a later read opens it again."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()


class StereoFile:
    """All channels of a sound file; `read` gives (frames, channels)."""

    def __init__(self, path: Path, *, facts: FileFacts | None = None) -> None:
        self.facts = inspect(path) if facts is None else facts
        self._file = OpenFile(self.facts)

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64 of shape (stop - start, channels)."""
        sound: FloatArray = self._file.read(start, stop, "float64")
        return sound

    def close(self) -> None:
        """Let go of the file; a later read opens it again."""
        self._file.close()


def _handle_of(path: Path) -> Any:
    """A libsndfile handle opened by descriptor, so that no file name is taken for a format of its own."""
    return soundfile.SoundFile(os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0)), closefd=True)


class OpenFile:
    """A handle opened on first use. libsndfile handles are not to be shared by threads at once, hence the lock."""

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
            except (soundfile.LibsndfileError, OSError, RuntimeError) as refusal:
                self._let_go()
                place = f"between {time_text(start, facts.rate_hz)} and {time_text(stop, facts.rate_hz)}"
                raise unfit(facts.path, f"is damaged {place} ({_reason(refusal)}); copy it again") from refusal
            self._at = start + len(sound)
        if len(sound) < stop - start:
            raise unfit(facts.path, f"ends at {time_text(start + len(sound), facts.rate_hz)}, before the "
                                     f"{time_text(facts.frames, facts.rate_hz)} its header promises")
        return sound

    def _unpacked(self, start: int, stop: int) -> FloatArray:
        """The same numbers without libsndfile, which takes many times as long over 24-bit samples."""
        facts = self._facts
        frame_bytes = 3 * facts.channels
        with self._lock:
            try:
                if self._bytes is None:
                    self._bytes = SharedFile(facts.path)
                packed = self._bytes.read((facts.sound_start or 0) + start * frame_bytes, (stop - start) * frame_bytes)
            except OSError as refusal:
                raise unfit(facts.path, f"cannot be read ({_reason(refusal)})") from refusal
        if len(packed) < (stop - start) * frame_bytes:
            ends = time_text(start + len(packed) // frame_bytes, facts.rate_hz)
            raise unfit(facts.path, f"ends at {ends}, before the {time_text(facts.frames, facts.rate_hz)} "
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
        """Close without taking the lock."""
        if self._handle is not None:
            self._handle.close()
            self._handle = None


def flac_writer() -> str:
    """What writes FLAC, with its version: the same sound may be other bytes from another one."""
    return f"libsndfile {soundfile.__libsndfile_version__}"


def write_flac(path: Path, pcm: PcmArray | Iterable[PcmArray], rate_hz: int, bits: int, *, channels: int = 1) -> None:
    """Write integer samples as FLAC, whole or not at all.

    Parameters
    ----------
    path : Path
    pcm : np.ndarray [shape=(frames,) or (frames, channels), int32], or pieces of that shape in order
        Inside the range of `bits`.
    bits : int
        16 or 24.
    channels : int
        Of pieces.

    Raises
    ------
    ParameterError
        If bits is neither, or a sample does not fit.
    OutputError
        If the file cannot be written.
    """
    if bits not in (16, 24):
        raise ParameterError(f"bits={bits} must be 16 or 24")
    pieces: Iterable[PcmArray] = pcm
    if isinstance(pcm, np.ndarray):
        pieces, channels = [pcm], 1 if pcm.ndim == 1 else pcm.shape[1]
    limit = 1 << (bits - 1)
    try:
        with (whole_file(path) as new,
              soundfile.SoundFile(new.file.fileno(), "w", rate_hz, channels, f"PCM_{bits}", format="FLAC",
                                  closefd=False) as file):
            for piece in pieces:
                if piece.size and not (-limit <= piece.min() and piece.max() < limit):
                    raise ParameterError(f"samples must fit into {bits} bits")
                # As 32-bit integers, aligned left, samples arrive as they are; as floats they would be floored.
                file.write(piece << np.int32(32 - bits))
    except (soundfile.LibsndfileError, OSError) as refusal:
        raise OutputError(f"{path}: cannot be written: {_reason(refusal)}") from refusal


def _reason(refusal: BaseException) -> str:
    """The library's or the system's reason, without names of objects and without a full stop."""
    if isinstance(refusal, OSError) and refusal.strerror:
        return refusal.strerror
    if isinstance(refusal, soundfile.LibsndfileError):
        return str(refusal.error_string).removeprefix("Error : ").rstrip(". ")
    return str(refusal).rstrip(". ")

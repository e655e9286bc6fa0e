"""The door for sound files: what a file holds, reading it from any place, FLAC writing. The only importer of soundfile.

Files are read as they are: full scale is 1.0, nothing is clipped, resampled or mixed. Integer samples are exact in
float64, and in float32 up to 24 bits. Whatever is wrong with a file is an `AudioError` that names it; only regular
files are opened, so a pipe or a device never blocks a run. Broadcast WAVE is written by `broadcast.py`.
"""

from __future__ import annotations

import math
import os
import stat
import threading
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import soundfile

from layerpipe.containers import Promise, promise_of
from layerpipe.errors import AudioError, Fault, OutputError, ParameterError
from layerpipe.sound import BLOCK_FRAMES, FloatArray

MOST_CHANNELS = 64
LONGEST_S = 24 * 3600
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
LOUDEST_SAMPLE = 1e6
"""A float file may pass full scale; 120 dB past it there is no sound any more."""

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOATS = ("FLOAT", "DOUBLE")
_FORMATS = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC")
_ALLOWED = "allowed are WAV, AIFF and FLAC of 16, 24 or 32 bit or float"

Float32Array = npt.NDArray[np.float32]
PcmArray = npt.NDArray[np.int32]


@dataclass(frozen=True)
class FileStamp:
    """By what a file is known again without reading it."""

    path: str
    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int


@dataclass(frozen=True)
class FileFacts:
    """What a sound file says about itself. `bits` is None for float samples."""

    path: Path
    rate_hz: int
    channels: int
    frames: int
    subtype: str
    container: str
    bits: int | None
    stamp: FileStamp

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz


def stamp_of(path: Path) -> FileStamp:
    """Stamp of a file as it is now.

    Raises
    ------
    AudioError
        If there is no such file, or it is not a regular file.
    """
    try:
        status = path.stat()
    except FileNotFoundError:
        raise _fault(path, "there is no such file") from None
    except (OSError, ValueError) as refusal:
        raise _fault(path, f"cannot be looked at: {_reason(refusal)}") from refusal
    if stat.S_ISDIR(status.st_mode):
        raise _fault(path, "is a folder; a sound file is needed")
    if not stat.S_ISREG(status.st_mode):
        raise _fault(path, "is a device or a pipe; only regular files are read")
    return FileStamp(os.fspath(path.absolute()), status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


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
        raise _fault(path, "is empty (0 bytes)")
    promise = _promise(path, stamp.size)
    try:
        with _handle_of(path) as handle:
            facts = FileFacts(path, int(handle.samplerate), int(handle.channels), int(handle.frames),
                              str(handle.subtype), str(handle.format), _BITS.get(handle.subtype), stamp)
    except (soundfile.LibsndfileError, OSError, RuntimeError) as refusal:
        raise _fault(path, f"is damaged: its {promise.kind} header cannot be read ({_reason(refusal)})") from refusal
    _refuse_unusable(facts)
    _refuse_cut_short(facts, promise)
    return facts


def _promise(path: Path, size: int) -> Promise:
    """What the header promises; refuse a file that is no sound file."""
    try:
        with path.open("rb") as file:
            promise = promise_of(file, size)
            file.seek(0)
            head = file.read(64)
    except OSError as refusal:
        raise _fault(path, f"cannot be opened: {_reason(refusal)}") from refusal
    if promise is None:
        looks = "; it looks like text" if all(32 <= byte < 127 or byte in b"\t\r\n" for byte in head) else ""
        raise _fault(path, f"is not a sound file known here{looks}; {_ALLOWED}")
    if promise.unfinished:
        raise _fault(path, "was not finished by whatever recorded it: its header does not say how long the sound is; "
                           "open it in the recorder's own tool and save it again")
    return promise


def _refuse_unusable(facts: FileFacts) -> None:
    """Formats, counts and lengths outside what is worked with."""
    if facts.container not in _FORMATS or (facts.bits is None and facts.subtype not in _FLOATS):
        raise _fault(facts.path, f"holds {facts.container} sound of kind {facts.subtype}; {_ALLOWED}")
    if not 1 <= facts.channels <= MOST_CHANNELS:
        raise _fault(facts.path, f"has {facts.channels} channels; at most {MOST_CHANNELS} are read")
    if not LOWEST_RATE_HZ <= facts.rate_hz <= HIGHEST_RATE_HZ:
        raise _fault(facts.path, f"has a rate of {facts.rate_hz} Hz; allowed are {LOWEST_RATE_HZ} to "
                                 f"{HIGHEST_RATE_HZ} Hz")
    if facts.frames <= 0:
        raise _fault(facts.path, "holds no sound (0 frames)")
    if facts.frames > LONGEST_S * facts.rate_hz:
        if facts.frames >= 1 << 62:
            raise _fault(facts.path, "does not say how long it is; encode it again to a file, not to a pipe")
        raise _fault(facts.path, f"claims to be {facts.seconds / 3600:.1f} hours long; at most 24 are read")


def _refuse_cut_short(facts: FileFacts, promise: Promise) -> None:
    """A header that promises more sound than the file holds."""
    if promise.sound_start is None or promise.sound_bytes is None:
        return
    here = max(facts.stamp.size - promise.sound_start, 0)
    if promise.sound_bytes > here:
        frame_bytes = facts.channels * ((facts.bits or (64 if facts.subtype == "DOUBLE" else 32)) // 8)
        promised, held = promise.sound_bytes / frame_bytes, here // frame_bytes
        raise _fault(facts.path, f"is cut short: its header promises {promised / facts.rate_hz:.3f} s, the file holds "
                                 f"{held / facts.rate_hz:.3f} s ({held} frames); copy it again")


class SourceFile:
    """One channel of a sound file, readable from any place; a `layerpipe.sound.Sound`.

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
            raise _fault(path, problem)
        self._column = (channel or 1) - 1
        self._file = _OpenFile(self.facts)

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
        self._file = _OpenFile(self.facts)

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


class _OpenFile:
    """A handle opened on first use. libsndfile handles are not to be shared by threads at once, hence the lock."""

    def __init__(self, facts: FileFacts) -> None:
        self._facts = facts
        self._handle: Any = None
        self._at = 0
        self._lock = threading.Lock()

    def read(self, start: int, stop: int, dtype: str) -> npt.NDArray[Any]:
        """Frames start to stop, shape (stop - start, channels)."""
        facts = self._facts
        if not 0 <= start <= stop <= facts.frames:
            raise ParameterError(f"frames {start} to {stop} must lie inside 0 to {facts.frames}")
        with self._lock:
            try:
                if self._handle is None:
                    self._handle, self._at = _handle_of(facts.path), 0
                if self._at != start:
                    self._handle.seek(start)
                sound: npt.NDArray[Any] = self._handle.read(stop - start, dtype=dtype, always_2d=True)
            except (soundfile.LibsndfileError, OSError, RuntimeError) as refusal:
                self._let_go()
                raise _fault(facts.path, f"is damaged between {clock_of(start, facts.rate_hz)} and "
                                         f"{clock_of(stop, facts.rate_hz)} ({_reason(refusal)})") from refusal
            self._at = start + len(sound)
        if len(sound) < stop - start:
            raise _fault(facts.path, f"ends at {clock_of(start + len(sound), facts.rate_hz)}, before the "
                                     f"{clock_of(facts.frames, facts.rate_hz)} its header promises")
        return sound

    def close(self) -> None:
        """Close the handle if one is open."""
        with self._lock:
            self._let_go()

    def _let_go(self) -> None:
        """Close without taking the lock."""
        if self._handle is not None:
            self._handle.close()
            self._handle = None


def channel_problem(facts: FileFacts, channel: int | None) -> str | None:
    """What is wrong with asking for this channel of this file; None if nothing is."""
    if channel is None and facts.channels > 1:
        return (f'has {facts.channels} channels and a take is one of them: add "channel = 1" '
                f"({facts.channels} at most) to the take")
    if channel is not None and not 1 <= channel <= facts.channels:
        return f"has {facts.channels} channel{'s' if facts.channels > 1 else ''}; there is no channel {channel}"
    return None


def scan(facts: FileFacts, channel: int | None = None) -> None:
    """Read a file to its end where only that can show that it is sound: float samples and compressed files.

    Parameters
    ----------
    facts : FileFacts
        As `inspect` found them.
    channel : int, optional
        Counted from 1; the samples of this channel are looked at, of all channels without it.

    Raises
    ------
    AudioError
        At the first sample that is not a number or not finite, or where the file cannot be decoded.
    """
    if facts.bits is not None and facts.container != "FLAC":
        return
    file = _OpenFile(facts)
    try:
        for start in range(0, facts.frames, BLOCK_FRAMES):
            # float32 also of doubles: what does not fit it becomes infinite and is refused.
            sound = file.read(start, min(start + BLOCK_FRAMES, facts.frames), "float32")
            if facts.bits is None:
                heard = sound if channel is None else sound[:, channel - 1 : channel]
                _refuse_unsound(facts, heard, start)
    finally:
        file.close()


def _refuse_unsound(facts: FileFacts, sound: Float32Array, start: int) -> None:
    """Refuse NaN, infinity and numbers no sound has."""
    # NaN fails every comparison, so one question finds all three.
    if sound.size and sound.min() >= -LOUDEST_SAMPLE and sound.max() <= LOUDEST_SAMPLE:
        return
    bad = ~(np.abs(sound) <= LOUDEST_SAMPLE)
    row, column = np.argwhere(bad)[0]
    value, frame = float(sound[row, column]), start + int(row)
    named = "NaN" if math.isnan(value) else f"{value:g}"
    of_channel = f" of channel {column + 1}" if sound.shape[1] > 1 else ""
    raise _fault(facts.path, f"holds samples that are no sound: the first is {named} at frame {frame}"
                             f"{of_channel} ({clock_of(frame, facts.rate_hz)}); render or export it again")


def read_pcm(path: Path, start: int = 0, stop: int | None = None) -> PcmArray:
    """Integer samples as they are stored, for comparing files.

    Parameters
    ----------
    path : Path
        A file of 8 to 32 bits.
    start, stop : int
        Frames; to the end of the file without stop.

    Returns
    -------
    np.ndarray [shape=(frames, channels), int32]
        Not shifted: a 24-bit file gives -8388608 to 8388607.

    Raises
    ------
    AudioError
        As `inspect`, and for float files.
    """
    facts = inspect(path)
    if facts.bits is None:
        raise _fault(path, "holds float samples; integers were expected")
    file = _OpenFile(facts)
    try:
        left_justified: PcmArray = file.read(start, facts.frames if stop is None else stop, "int32")
    finally:
        file.close()
    return left_justified >> np.int32(32 - facts.bits)


def write_flac(path: Path, pcm: PcmArray, rate_hz: int, bits: int) -> None:
    """Write integer samples as FLAC, whole or not at all.

    Parameters
    ----------
    path : Path
    pcm : np.ndarray [shape=(frames,) or (frames, channels), int32]
        Inside the range of `bits`.
    bits : int
        16 or 24.

    Raises
    ------
    ParameterError
        If bits is neither, or a sample does not fit.
    OutputError
        If the file cannot be written.
    """
    if bits not in (16, 24):
        raise ParameterError(f"bits={bits} must be 16 or 24")
    limit = 1 << (bits - 1)
    if pcm.size and not (-limit <= pcm.min() and pcm.max() < limit):
        raise ParameterError(f"samples must fit into {bits} bits")
    partial = path.with_name(path.name + ".partial")
    try:
        # Handed over as 32-bit integers, aligned left, the samples arrive as they are; as floats they would be floored.
        soundfile.write(os.fspath(partial), pcm << np.int32(32 - bits), rate_hz, subtype=f"PCM_{bits}", format="FLAC")
        partial.replace(path)
    except (soundfile.LibsndfileError, OSError) as refusal:
        raise OutputError(f"{path}: cannot be written: {_reason(refusal)}") from refusal
    finally:
        partial.unlink(missing_ok=True)


def clock_of(frame: int, rate_hz: int) -> str:
    """A place in a file as people read it: minutes, seconds, milliseconds."""
    milliseconds = (1000 * frame + rate_hz // 2) // rate_hz
    return f"{milliseconds // 60_000}:{milliseconds // 1000 % 60:02d}.{milliseconds % 1000:03d}"


def _fault(path: Path, problem: str) -> AudioError:
    """One fault of one file."""
    return AudioError([Fault(path, "", problem)])


def _reason(refusal: BaseException) -> str:
    """The library's or the system's reason, without names of objects and without a full stop."""
    if isinstance(refusal, OSError) and refusal.strerror:
        return refusal.strerror
    if isinstance(refusal, soundfile.LibsndfileError):
        return str(refusal.error_string).rstrip(". ")
    return str(refusal).rstrip(". ")

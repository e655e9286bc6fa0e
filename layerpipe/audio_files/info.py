"""What is known of a sound file without hearing it: facts, stamp, digest; and what is refused by them alone.

Every refusal is an `AudioError` naming the file. Sizes are bytes, lengths frames.
"""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from layerpipe.audio_files.header import Promise, promise_of
from layerpipe.core.errors import AudioError, Fault

MOST_CHANNELS = 64
LONGEST_S = 24 * 3600
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
_FLOATS = ("FLOAT", "DOUBLE")
_FORMATS = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC")
_ALLOWED = "allowed are WAV, AIFF and FLAC of 16, 24 or 32 bit or float"


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
    sound_start: int | None = None
    """Byte at which the samples begin, where they are packed 24 bits and nothing else."""

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
        raise unfit(path, "there is no such file") from None
    except (OSError, ValueError) as refusal:
        raise unfit(path, f"cannot be looked at: {getattr(refusal, 'strerror', None) or refusal}") from refusal
    if stat.S_ISDIR(status.st_mode):
        raise unfit(path, "is a folder; a sound file is needed")
    if not stat.S_ISREG(status.st_mode):
        raise unfit(path, "is a device or a pipe; only regular files are read")
    return FileStamp(os.fspath(path.absolute()), status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


def promise_in(path: Path, size: int) -> Promise:
    """What the header promises; refuse a file that is no sound file."""
    try:
        with path.open("rb") as file:
            promise = promise_of(file, size)
            file.seek(0)
            head = file.read(64)
    except OSError as refusal:
        raise unfit(path, f"cannot be opened: {refusal.strerror or refusal}") from refusal
    if promise is None:
        raise unfit(path, f"is not a sound file known here{_likeness(head)}; {_ALLOWED}")
    if promise.unfinished:
        raise unfit(path, "was not finished by whatever recorded it: its header does not say how long the sound is; "
                           "open it in the recorder's own tool and save it again")
    return promise


def _likeness(head: bytes) -> str:
    """What a file that cannot be used looks like instead."""
    if head.startswith(b"ID3") or (head[:1] == b"\xff" and head[1:2] >= b"\xe0"):
        return "; it looks like MP3"
    if head.startswith(b"OggS"):
        return "; it looks like Ogg"
    text = all(32 <= byte < 127 or byte in b"\t\r\n" for byte in head)
    return "; it looks like text" if text else ""


def refuse_unusable(facts: FileFacts) -> None:
    """Formats, counts and lengths outside what is worked with."""
    if facts.container not in _FORMATS or (facts.bits is None and facts.subtype not in _FLOATS):
        raise unfit(facts.path, f"holds {facts.container} sound of kind {facts.subtype}; {_ALLOWED}")
    if not 1 <= facts.channels <= MOST_CHANNELS:
        raise unfit(facts.path, f"has {facts.channels} channels; at most {MOST_CHANNELS} are read")
    if not LOWEST_RATE_HZ <= facts.rate_hz <= HIGHEST_RATE_HZ:
        raise unfit(facts.path, f"has a rate of {facts.rate_hz} Hz; allowed are {LOWEST_RATE_HZ} to "
                                 f"{HIGHEST_RATE_HZ} Hz")
    if facts.frames <= 0:
        raise unfit(facts.path, "holds no sound (0 frames)")
    if facts.frames > LONGEST_S * facts.rate_hz:
        if facts.frames >= 1 << 62:
            raise unfit(facts.path, "does not say how long it is; encode it again to a file, not to a pipe")
        raise unfit(facts.path, f"claims to be {facts.seconds / 3600:.1f} hours long; at most 24 are read")


def refuse_cut_short(path: Path, size: int, promise: Promise, facts: FileFacts | None = None) -> None:
    """A header that promises more sound than the file holds."""
    if promise.sound_start is None or promise.sound_bytes is None:
        return
    here = max(size - promise.sound_start, 0)
    if promise.sound_bytes <= here:
        return
    promised, held = f"{promise.sound_bytes} bytes of sound", f"{here} bytes"
    if facts is not None:
        byte_rate = facts.rate_hz * facts.channels * ((facts.bits or (64 if facts.subtype == "DOUBLE" else 32)) // 8)
        promised, held = f"{promise.sound_bytes / byte_rate:.3f} s", f"{here / byte_rate:.3f} s"
    raise unfit(path, f"is cut short: its header promises {promised}, the file holds {held}; copy it again")


def source_digest(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal; other threads run meanwhile.

    Raises
    ------
    AudioError
        If it is no regular file or cannot be read.
    """
    stamp_of(path)
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as refusal:
        raise unfit(path, f"cannot be read: {refusal.strerror or refusal}") from refusal


def is_unchanged(facts: FileFacts) -> bool:
    """Whether the file still is the one that was inspected."""
    try:
        return stamp_of(facts.path) == facts.stamp
    except AudioError:
        return False


def channel_problem(facts: FileFacts, channel: int | None) -> str | None:
    """What is wrong with asking for this channel of this file; None if nothing is."""
    if channel is None and facts.channels > 1:
        return (f'has {facts.channels} channels and a take is one of them: add "channel = 1" '
                f"({facts.channels} at most) to the take")
    if channel is not None and not 1 <= channel <= facts.channels:
        return f"has {facts.channels} channel{'s' if facts.channels > 1 else ''}; there is no channel {channel}"
    return None


def time_text(frame: int, rate_hz: int) -> str:
    """A place in a file as people read it: minutes, seconds, milliseconds."""
    milliseconds = (1000 * frame + rate_hz // 2) // rate_hz
    return f"{milliseconds // 60_000}:{milliseconds // 1000 % 60:02d}.{milliseconds % 1000:03d}"


def unfit(path: Path, problem: str) -> AudioError:
    """One fault of one file."""
    return AudioError([Fault(path, "", problem)])

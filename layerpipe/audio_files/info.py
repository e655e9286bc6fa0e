"""Facts about an audio file that need no decoding (format, length, stamp, digest), and what they rule out.

Every refusal is an `AudioError` naming the file. Sizes are bytes, lengths frames.
"""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path

from msgspec import Struct

from layerpipe.audio_files.header import Header, parse_header
from layerpipe.core.errors import AudioError, Fault

MOST_CHANNELS = 64
LONGEST_S = 24 * 3600
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
_FLOATS = ("FLOAT", "DOUBLE")
_FORMATS = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC")
_ALLOWED = "allowed are WAV, AIFF and FLAC of 16, 24 or 32 bit or float"


class FileStamp(Struct, frozen=True):
    """What identifies a file as unchanged without reading it."""

    path: str
    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int


class FileFacts(Struct, frozen=True):
    """What an audio file says about itself. `bits` is None for float samples."""

    path: Path
    rate_hz: int
    channels: int
    frames: int
    subtype: str
    container: str
    bits: int | None
    stamp: FileStamp
    sound_start: int | None = None
    """Byte at which the samples begin, if they are packed 24-bit integers; None otherwise."""
    ignored_s: float = 0.0
    """Seconds of audio after the length that the header gives; they are not read."""
    time_reference: int | None = None
    """Time stamp of a Broadcast WAVE file: samples since midnight at which it begins; None without one."""

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
        raise audio_fault(path, "there is no such file") from None
    except (OSError, ValueError) as refusal:
        raise audio_fault(path, f"cannot be examined: {getattr(refusal, 'strerror', None) or refusal}") from refusal
    if stat.S_ISDIR(status.st_mode):
        raise audio_fault(path, "is a folder; an audio file is needed")
    if not stat.S_ISREG(status.st_mode):
        raise audio_fault(path, "is a device or a pipe; only regular files are read")
    return FileStamp(os.fspath(path.absolute()), status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


def read_header(path: Path, size: int) -> Header:
    """What the header says; a file that is not audio is refused."""
    try:
        with path.open("rb") as file:
            header = parse_header(file, size)
            file.seek(0)
            head = file.read(64)
    except OSError as refusal:
        raise audio_fault(path, f"cannot be opened: {refusal.strerror or refusal}") from refusal
    if header is None:
        raise audio_fault(path, f"is not a supported audio file{_likeness(head)}; {_ALLOWED}")
    if header.unfinished:
        raise audio_fault(path, "its recording was not finished: the header gives no length; open the file in the "
                                "program that recorded it and save it again")
    return header


def _likeness(head: bytes) -> str:
    """What an unsupported file looks like instead."""
    if head.startswith(b"ID3") or (head[:1] == b"\xff" and head[1:2] >= b"\xe0"):
        return "; it looks like MP3"
    if head.startswith(b"OggS"):
        return "; it looks like Ogg"
    text = all(32 <= byte < 127 or byte in b"\t\r\n" for byte in head)
    return "; it looks like text" if text else ""


def refuse_unusable(facts: FileFacts) -> None:
    """Refuse formats, channel counts, rates and lengths outside the supported range."""
    if facts.container not in _FORMATS or (facts.bits is None and facts.subtype not in _FLOATS):
        raise audio_fault(facts.path, f"is {facts.container} with {facts.subtype} samples; {_ALLOWED}")
    if not 1 <= facts.channels <= MOST_CHANNELS:
        raise audio_fault(facts.path, f"has {facts.channels} channels; at most {MOST_CHANNELS} are supported")
    if not LOWEST_RATE_HZ <= facts.rate_hz <= HIGHEST_RATE_HZ:
        raise audio_fault(facts.path, f"has a sample rate of {facts.rate_hz} Hz; allowed are {LOWEST_RATE_HZ} to "
                                 f"{HIGHEST_RATE_HZ} Hz")
    if facts.frames <= 0:
        raise audio_fault(facts.path, "contains no audio (0 samples)")
    if facts.frames > LONGEST_S * facts.rate_hz:
        if facts.frames >= 1 << 62:
            raise audio_fault(facts.path, "header gives no length; encode it again to a file, not to a pipe")
        raise audio_fault(facts.path, f"header says {facts.seconds / 3600:.1f} hours; at most "
                                      f"{LONGEST_S // 3600} are supported")


def refuse_cut_short(path: Path, size: int, header: Header, facts: FileFacts | None = None) -> None:
    """Refuse a file whose header promises more audio than it holds."""
    if header.sound_start is None or header.sound_bytes is None:
        return
    here = max(size - header.sound_start, 0)
    if header.sound_bytes <= here:
        return
    promised, held = f"{header.sound_bytes} bytes of audio", f"{here} bytes"
    if facts is not None:
        promised, held = f"{header.sound_bytes / byte_rate(facts):.3f} s", f"{here / byte_rate(facts):.3f} s"
    raise audio_fault(path, f"is cut short: its header promises {promised}, the file holds {held}; copy it again")


def byte_rate(facts: FileFacts) -> int:
    """Bytes per second of uncompressed audio."""
    return facts.rate_hz * facts.channels * ((facts.bits or (64 if facts.subtype == "DOUBLE" else 32)) // 8)


def source_digest(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal. The GIL is released.

    Raises
    ------
    AudioError
        If it is not a regular file or cannot be read.
    """
    stamp_of(path)
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as refusal:
        raise audio_fault(path, f"cannot be read: {refusal.strerror or refusal}") from refusal


def is_unchanged(facts: FileFacts) -> bool:
    """Whether the file is unchanged since it was inspected."""
    try:
        return stamp_of(facts.path) == facts.stamp
    except AudioError:
        return False


def channel_problem(facts: FileFacts, channel: int | None) -> str | None:
    """Why a take cannot be this channel of this file; None if it can."""
    if channel is None and facts.channels > 1:
        return (f'has {facts.channels} channels, and a take is one of them: add "channel = 1" '
                f"({facts.channels} at most) to the take")
    if channel is not None and not 1 <= channel <= facts.channels:
        return f"has {facts.channels} channel{'s' if facts.channels > 1 else ''}; there is no channel {channel}"
    return None


def time_text(frame: int, rate_hz: int) -> str:
    """A position in a file as minutes, seconds and milliseconds."""
    milliseconds = (1000 * frame + rate_hz // 2) // rate_hz
    return f"{milliseconds // 60_000}:{milliseconds // 1000 % 60:02d}.{milliseconds % 1000:03d}"


def audio_fault(path: Path, problem: str) -> AudioError:
    """An error that names one fault of one file."""
    return AudioError([Fault(path, "", problem)])

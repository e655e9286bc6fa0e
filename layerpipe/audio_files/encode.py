"""Listening files: mp3 and m4a by the encoder that comes with imageio-ffmpeg, flac and wav by this package.

Samples are 24-bit integers in int32, pieces of shape (frames, 2), written as they come: memory does not grow with the
length. Files carry tags, and neither date nor encoder name: ID3 (mp3), metadata items (m4a), Vorbis comments
(flac), a LIST INFO chunk (wav).
"""

from __future__ import annotations

import contextlib
import functools
import os
import subprocess
import tempfile
from collections.abc import Iterable
from importlib.util import find_spec
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from msgspec import Struct
from msgspec.structs import asdict

from layerpipe.audio_files.broadcast_wave import BroadcastInfo, StemWriter
from layerpipe.core.errors import OutputError
from layerpipe.core.files.atomic import whole_file

if TYPE_CHECKING:
    from layerpipe.recipe.model.recipe import PreviewFormat

BIT_RATE = "256k"
HIGHEST_ENCODED_HZ = 48_000
_MUXER = {"mp3": ("mp3", "libmp3lame"), "m4a": ("mp4", "aac")}


class Tags(Struct, frozen=True):
    """What a player shows: in mp3 the standard ID3 frames TIT2, TPE1, TALB, TRCK, COMM, elsewhere their like."""

    title: str = ""
    artist: str = ""
    album: str = ""
    track: int | None = None
    comment: str = ""

    def texts(self) -> dict[str, str]:
        """Those that are set, by name, without control characters."""
        return {name: _printable(str(value)) for name, value in asdict(self).items() if value}


def encode(path: Path, pieces: Iterable[npt.NDArray[np.int32]], frames: int, rate_hz: int, kind: PreviewFormat,
           tags: Tags, *, bit_rate: str = BIT_RATE) -> None:
    """Write one listening file, completely or not at all.

    Parameters
    ----------
    path : Path
    pieces : iterable of np.ndarray [shape=(frames of the piece, 2), int32]
        24-bit samples, in order.
    frames : int
        Of all pieces together.
    rate_hz : int
        mp3 and m4a of more than 48 kHz are converted to 48 kHz by the encoder.
    kind : "mp3", "m4a", "flac" or "wav"
    tags : Tags
    bit_rate : str
        Of mp3 and m4a, as the encoder spells it.

    Raises
    ------
    OutputError
        If the file cannot be written or the encoder fails.
    """
    if kind == "flac":
        from layerpipe.audio_files.flac import write_flac

        write_flac(path, pieces, rate_hz, 24, channels=2, tags=tags.texts())
    elif kind == "wav":
        # Readers of `bext` show its description as the comment.
        info = BroadcastInfo(description=tags.texts().get("comment", ""), tags=tags.texts())
        with StemWriter(path, rate_hz, 2, 24, frames, info) as writer:
            for piece in pieces:
                writer.write(piece)
    else:
        _encode(path, pieces, rate_hz, kind, tags, bit_rate)


@functools.cache
def find_encoder() -> str:
    """Path of the encoder program.

    Raises
    ------
    OutputError
        If there is none.
    """
    program = os.environ.get("IMAGEIO_FFMPEG_EXE") or _program_of_package()
    if program:
        return program
    import imageio_ffmpeg

    try:
        found: str = imageio_ffmpeg.get_ffmpeg_exe()
    except RuntimeError as refusal:
        raise OutputError(f"mp3 and m4a cannot be made: {refusal}") from refusal
    return found


def _program_of_package() -> str | None:
    """The program inside imageio-ffmpeg; the package itself is not imported, which would also run it once."""
    package = find_spec("imageio_ffmpeg")
    folders = package.submodule_search_locations if package else None
    found = [path for folder in folders or () for path in Path(folder, "binaries").glob("ffmpeg-*")]
    return str(found[0]) if len(found) == 1 and os.access(found[0], os.X_OK) else None


def _encode(path: Path, pieces: Iterable[npt.NDArray[np.int32]], rate_hz: int, kind: str, tags: Tags,
            bit_rate: str) -> None:
    """Send piece after piece to the encoder, which works while the next one is made."""
    muxer, codec = _MUXER[kind]
    command = [find_encoder(), "-v", "error", "-y", "-f", "s32le", "-ar", str(rate_hz), "-ac", "2", "-i", "pipe:0",
               "-acodec", codec, "-b:a", bit_rate, "-fflags", "+bitexact", "-flags:a", "+bitexact",
               "-map_metadata", "-1",
               *(word for name, text in tags.texts().items() for word in ("-metadata", f"{name}={text}"))]
    if rate_hz > HIGHEST_ENCODED_HZ:
        command += ["-ar", str(HIGHEST_ENCODED_HZ)]
    if kind == "mp3":
        command += ["-id3v2_version", "3"]
    try:
        with whole_file(path) as new, tempfile.TemporaryFile() as said:
            # After "file:" a name that begins with a hyphen is not taken for an option.
            command += ["-f", muxer, f"file:{new.path}"]
            with _start(command, said) as running:
                try:
                    fed = _feed(running.stdin, pieces)
                except BaseException:
                    running.kill()
                    raise
            if running.returncode or not fed:
                said.seek(0)
                reason = _last_line(said.read().decode("utf-8", "replace"))
                raise OutputError(f"{path}: the {kind} encoder failed: {reason}")
    except OSError as refusal:
        raise OutputError(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal


def _start(command: list[str], said: IO[bytes]) -> subprocess.Popen[bytes]:
    """Start the encoder; what it says goes to a file."""
    try:
        return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=said)
    except OSError as refusal:
        raise OutputError(f"mp3 and m4a cannot be made: {command[0]} cannot be run: {refusal.strerror}") from refusal


def _feed(encoder_takes: IO[bytes] | None, pieces: Iterable[npt.NDArray[np.int32]]) -> bool:
    """Send the pieces, left-justified in 32 bits; whether the encoder accepted all of them."""
    assert encoder_takes is not None
    try:
        for piece in pieces:
            encoder_takes.write(np.ascontiguousarray(piece << np.int32(8), dtype="<i4").data.cast("B"))
        encoder_takes.close()
    except BrokenPipeError:
        with contextlib.suppress(BrokenPipeError):
            encoder_takes.close()
        return False
    return True


def _printable(text: str) -> str:
    """A label without control characters, which players and command lines cannot handle."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _last_line(text: str) -> str:
    """The last line of the encoder's messages."""
    words = [line.strip() for line in text.splitlines() if line.strip()]
    return words[-1] if words else "no reason given"

"""Listening files on disk: mp3 and m4a by the encoder that comes with imageio-ffmpeg, flac and wav by ourselves.

Samples are 24-bit integers in int32, shape (frames, 2). Encoded files carry tags, and neither date nor encoder name.
"""

from __future__ import annotations

import functools
import os
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from layerpipe.broadcast import BroadcastInfo, StemWriter
from layerpipe.errors import OutputError
from layerpipe.wav import write_flac

if TYPE_CHECKING:
    from layerpipe.recipe import PreviewFormat

BIT_RATE = "256k"
HIGHEST_ENCODED_HZ = 48_000
_MUXER = {"mp3": ("mp3", "libmp3lame"), "m4a": ("ipod", "aac")}


def encode(path: Path, pcm: npt.NDArray[np.int32], rate_hz: int, kind: PreviewFormat, *, title: str, artist: str,
           song: str, section: str, version: str) -> None:
    """Write one listening file, whole or not at all.

    Parameters
    ----------
    path : Path
    pcm : np.ndarray [shape=(frames, 2), int32]
        24-bit samples.
    rate_hz : int
        mp3 and m4a of more than 48 kHz are converted to 48 kHz by the encoder.
    kind : "mp3", "m4a", "flac" or "wav"
    title, artist, song, section, version : str
        Tags of mp3 and m4a.

    Raises
    ------
    OutputError
        If the file cannot be written or the encoder fails.
    """
    if kind == "flac":
        write_flac(path, pcm, rate_hz, 24)
        return
    if kind == "wav":
        with StemWriter(path, rate_hz, 2, 24, len(pcm), BroadcastInfo(description=_printable(title))) as writer:
            writer.write(pcm)
        return
    muxer, codec = _MUXER[kind]
    tags = {"title": title, "artist": artist, "album": song, "grouping": section,
            "comment": f"section: {section}; version: {version}", "section": section, "version": version}
    exact = ["-fflags", "+bitexact", "-flags:a", "+bitexact", "-map_metadata", "-1"]
    slower = ["-ar", str(HIGHEST_ENCODED_HZ)] if rate_hz > HIGHEST_ENCODED_HZ else []
    segment = _segments()(data=(pcm << np.int32(8)).tobytes(), sample_width=4, frame_rate=rate_hz, channels=2)
    partial = path.with_name(f"{path.name}.{os.getpid()}.partial")
    try:
        segment.export(partial, format=muxer, codec=codec, bitrate=BIT_RATE, parameters=[*exact, *slower],
                       tags={name: _printable(text) for name, text in tags.items() if text}, id3v2_version="3").close()
        partial.replace(path)
    except OSError as refusal:
        raise OutputError(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal
    except _encoder_errors() as refusal:
        raise OutputError(f"{path}: the {kind} encoder failed: {_last_line(str(refusal))}") from refusal
    finally:
        partial.unlink(missing_ok=True)


def prepare(kind: PreviewFormat) -> None:
    """Get the encoder ready, for whoever has something else to do meanwhile."""
    if kind in _MUXER:
        _segments()


@functools.cache
def _segments() -> Any:
    """pydub's sound class, with the encoder it is to use."""
    with warnings.catch_warnings():
        # It looks for an encoder on PATH when it is imported and warns; it is handed one here.
        warnings.simplefilter("ignore")
        from pydub import AudioSegment
    import imageio_ffmpeg

    AudioSegment.converter = imageio_ffmpeg.get_ffmpeg_exe()
    return AudioSegment


def _encoder_errors() -> Any:
    """What pydub raises when the encoder fails."""
    from pydub.exceptions import CouldntEncodeError

    return CouldntEncodeError


def _printable(text: str) -> str:
    """A tag without control characters, which no player shows and no command line carries."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _last_line(text: str) -> str:
    """The encoder's last word."""
    words = [line.strip() for line in text.replace("\\n", "\n").splitlines() if line.strip(" '\"")]
    return words[-1] if words else "no reason given"

"""Writing FLAC: integer samples, exact, completely or not at all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
import soundfile

from layerpipe.audio_files.reader import reason_of
from layerpipe.core.errors import OutputError, ParameterError
from layerpipe.core.files.atomic import whole_file
from layerpipe.dsp.quantize import PcmArray


def flac_writer() -> str:
    """The library that writes FLAC, with its version: another version may encode the same samples differently."""
    return f"libsndfile {soundfile.__libsndfile_version__}"


def write_flac(path: Path, pcm: PcmArray | Iterable[PcmArray], rate_hz: int, bits: int, *, channels: int = 1,
               tags: Mapping[str, str] | None = None) -> None:
    """Write integer samples as FLAC, completely or not at all.

    Parameters
    ----------
    path : Path
    pcm : np.ndarray [shape=(frames,) or (frames, channels), int32], or pieces of that shape in order
        Inside the range of `bits`.
    bits : int
        16 or 24.
    channels : int
        Of pieces.
    tags : mapping of str, optional
        "title", "artist", "album", "track", "comment" as Vorbis comments (RFC 9639, section 8.6).

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
            for name, text in (tags or {}).items():
                setattr(file, "tracknumber" if name == "track" else name, text)
            for piece in pieces:
                if piece.size and not (-limit <= piece.min() and piece.max() < limit):
                    raise ParameterError(f"samples must fit into {bits} bits")
                # Left-justified 32-bit integers are written exactly; floats would be floored.
                file.write(piece << np.int32(32 - bits))
    except (soundfile.LibsndfileError, OSError) as refusal:
        raise OutputError(f"{path}: cannot be written: {reason_of(refusal)}") from refusal

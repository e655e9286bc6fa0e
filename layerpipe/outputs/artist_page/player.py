"""Sound as AAC: a section in the engineer's setting, for browsers and mail previews that do not run the page's script,
and a single sound, for browsers that cannot decode FLAC.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from layerpipe.audio_files.encode import Tags, encode, find_encoder
from layerpipe.audio_files.reader import StereoFile
from layerpipe.core.sound import BLOCK_FRAMES
from layerpipe.core.units import gain_of_db
from layerpipe.dsp.quantize import PcmArray, to_pcm
from layerpipe.outputs.artist_page.loops import Keep, Loops

BIT_RATE = "64k"
"""About half a megabyte a minute. Enough to judge by, small beside the page's own sound; own choice."""
_VERSION = 1
"""Part of the cache key; raised when the same sound would be encoded in another way."""


def encoded_mix(loops: Loops, levels_db: Sequence[float], gain_db: float, keep: Keep) -> bytes:
    """Mix a section's layers and encode them.

    Parameters
    ----------
    loops : Loops
    levels_db : sequence of float
        Of every layer.
    gain_db : float
        For the whole mix.
    keep : Keep

    Returns
    -------
    bytes
        AAC in an MP4 container; empty if every layer is off or silent.
    """
    if not math.isfinite(gain_db):
        return b""

    def make() -> bytes:
        def pieces() -> Iterator[PcmArray]:
            for start, stop in loops.pieces:
                mix = np.zeros((stop - start, 2))
                for n, level_db in enumerate(levels_db):
                    if level_db > -math.inf:
                        mix += gain_of_db(level_db + gain_db) * loops.heard(n, start, stop)
                yield to_pcm(np.clip(mix, -1.0, 1.0 - 2.0**-23), 24)[0]

        with tempfile.TemporaryDirectory(prefix="layerpipe-") as folder:
            path = Path(folder) / "mix.m4a"
            encode(path, pieces(), loops.part.frames, loops.song.rate_hz, "m4a", Tags(), bit_rate=BIT_RATE)
            return path.read_bytes()

    described = {"player": _VERSION, "encoder": Path(find_encoder()).name, "bit_rate": BIT_RATE, "gain_db": gain_db,
                 "levels": list(levels_db), "sounds": [loops.shaped_by(n) for n in range(len(levels_db))]}
    return keep(described, "player", make)


def aac_of_flac(flac: Path, target: Path) -> None:
    """Encode one stereo sound of a page as AAC in an MP4 container, block by block.

    Parameters
    ----------
    flac : Path
    target : Path
        Written completely or not at all.
    """
    source = StereoFile(flac)
    frames = source.facts.frames
    try:
        pieces = (to_pcm(source.read(at, min(at + BLOCK_FRAMES, frames)), 24)[0]
                  for at in range(0, frames, BLOCK_FRAMES))
        encode(target, pieces, frames, source.facts.rate_hz, "m4a", Tags())
    finally:
        source.close()

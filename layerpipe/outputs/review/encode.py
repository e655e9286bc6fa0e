"""From the sounds of a place to what the page holds: FLAC voices, outlines, and gains of equal loudness."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from layerpipe.audio_files.flac import write_flac
from layerpipe.core.sound import FloatArray
from layerpipe.core.units import db_of_gain
from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.dsp.peaks.true_peak import true_peak
from layerpipe.dsp.quantize import DitherStream, PcmArray, to_pcm
from layerpipe.outputs.artist_page.model import PageSound
from layerpipe.outputs.review.model import ReviewMix, ReviewVoice
from layerpipe.outputs.review.render import LEVEL_STEP, PlaceSounds, PlaceVoice

OUTLINE_POINTS = 320
_HIGHEST_SAMPLE = 0.99
"""Leaves room for the dither below full scale."""
_SAME_STEPS = 2
"""Samples that differ by this little, -84 dBFS, are the same: what is proposed was played anew."""


@dataclass(frozen=True)
class ListeningLevels:
    """How loud places are."""

    loudness_lufs: float
    ceiling_dbtp: float
    most_lift_lu: float = 10.0
    """A place is lifted at most this far over the song: the noise of a pause stays quieter than the playing; own
    choice."""


def encode_voice(voice: PlaceVoice, key: str, rate_hz: int, bits: int) -> ReviewVoice:
    """Write a voice as 16-bit FLAC with triangular dither; of what is proposed only the frames that differ.

    Parameters
    ----------
    voice : PlaceVoice
    key : str
        Seeds the dither.
    rate_hz : int
    bits : int
        16, or less for coarser and smaller sound.
    """
    channels = 1 if voice.recorded.ndim == 1 else voice.recorded.shape[1]
    sounds = [voice.recorded] if voice.proposed is None else [voice.recorded, voice.proposed]
    gain = max(1.0, *(float(np.abs(sound).max(initial=0.0)) / _HIGHEST_SAMPLE for sound in sounds))
    coarser = 16 - bits
    pcm = [to_pcm(sound / (gain * (1 << coarser)), 16, dither=DitherStream(key, channels))[0] for sound in sounds]
    proposed, at = None, 0
    if len(pcm) == 2:
        apart = np.abs(pcm[0] - pcm[1]) > _SAME_STEPS
        frames = np.flatnonzero(apart if channels == 1 else apart.any(axis=1))
        if len(frames):
            at = int(frames[0])
            proposed = _flac(pcm[1][at : int(frames[-1]) + 1], coarser, rate_hz, gain)
    return ReviewVoice(_flac(pcm[0], coarser, rate_hz, gain), channels, voice.pans, proposed, at)


def _flac(pcm: PcmArray, coarser: int, rate_hz: int, gain: float) -> PageSound:
    """Samples as FLAC."""
    with tempfile.TemporaryDirectory(prefix="layerpipe-") as folder:
        path = Path(folder) / "sound.flac"
        write_flac(path, pcm << np.int32(coarser), rate_hz, 16)
        return PageSound.of_flac(path.read_bytes(), gain=gain)


def equal_gains(sounds: PlaceSounds, rate_hz: int, song_lufs: Mapping[str, float],
                wanted: ListeningLevels) -> tuple[ReviewMix, ...]:
    """Gains that make every setting of a place equally loud, with no true peak above the ceiling.

    Parameters
    ----------
    sounds : PlaceSounds
    rate_hz : int
    song_lufs : mapping of str to float
        Loudness of each setting over the whole song, as recorded.
    wanted : ListeningLevels
    """
    measured: dict[tuple[str, int], tuple[float, float]] = {}
    for name in sounds.mixes:
        for state in (0, 1):
            if state and not sounds.is_changed:
                measured[name, 1] = measured[name, 0]
                continue
            mix = sounds.mix(name, state)
            lufs = measure(mix, rate_hz).integrated_lufs
            lowest = song_lufs[name] - wanted.most_lift_lu
            measured[name, state] = max(-math.inf if lufs is None else lufs, lowest), db_of_gain(
                float(true_peak(mix).max()))
    loudness = min([wanted.loudness_lufs, *(lufs - peak_db + wanted.ceiling_dbtp for lufs, peak_db in measured.values()
                                            if math.isfinite(peak_db))])
    return tuple(ReviewMix(name, (_gain_db(loudness, measured[name, 0][0]), _gain_db(loudness, measured[name, 1][0])))
                 for name in sounds.mixes)


def _gain_db(loudness: float, lufs: float) -> float:
    """Gain to a loudness; silence stays as it is."""
    return loudness - lufs if math.isfinite(lufs) else 0.0


def levels_of(sounds: PlaceSounds) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The layer's gain by state: one number, or one for every `LEVEL_STEP` frames."""
    first, second = (tuple(np.atleast_1d(level)[:: LEVEL_STEP].tolist()) for level in sounds.levels)
    return first, second


def outlines_of(sounds: PlaceSounds) -> dict[str, bytes]:
    """Heights of the take as recorded and as proposed, on one scale, and of its double or the rest on another."""
    take = sounds.voices["take"]
    heights = {"recorded": _heights(take.recorded)}
    if take.proposed is not None:
        heights["proposed"] = _heights(take.proposed)
    scale = max(float(height.max()) for height in heights.values())
    found = {name: _bytes(height, scale) for name, height in heights.items()}
    beside = sounds.voices.get("double") or sounds.voices.get("rest")
    if beside is not None:
        height = _heights(beside.recorded)
        found["double"] = _bytes(height, float(height.max()))
    return found


def _heights(sound: FloatArray) -> FloatArray:
    """Largest magnitude in each of the evenly spaced parts."""
    shape = np.abs(sound) if sound.ndim == 1 else np.abs(sound).max(axis=1)
    edges = np.linspace(0, len(shape), OUTLINE_POINTS + 1).astype(int)[:-1]
    heights: FloatArray = np.maximum.reduceat(shape, np.minimum(edges, len(shape) - 1))
    return heights


def _bytes(heights: FloatArray, scale: float) -> bytes:
    """Heights from 0 to 255."""
    return np.rint(255 * heights / max(scale, 1e-9)).astype(np.uint8).tobytes()

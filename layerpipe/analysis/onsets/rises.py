"""Whether anything at all is struck near a moment: the last question before a strum is called missing.

A light stroke on ringing strings adds little to the whole, but its partials rise in several bands at once, where what
rings only decays or beats.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from layerpipe.core.sound import FloatArray, Sound


@dataclass(frozen=True)
class RiseLimits:
    """When something is struck."""

    near_s: float = 0.07
    """From the moment."""
    frame_s: float = 0.02
    hop_s: float = 0.004
    bands_hz: tuple[float, ...] = (630.0, 1000.0, 1600.0, 2500.0, 4000.0, 6300.0, 10_000.0)
    """Edges, two thirds of an octave apart; below, chords beat in several bands at once."""
    noise: float = 1e-4
    """Of the loudest band: what is softer is noise, and noise rises by chance."""
    rise_db: float = 3.0
    fewest: int = 3
    """So many bands rise by so much at once."""


RISES = RiseLimits()


def has_rise(sound: Sound, at_s: float) -> bool:
    """Whether several bands rise at once near a moment of a sound.

    Parameters
    ----------
    sound : Sound
    at_s : float
        Seconds of the sound; outside it nothing rises.
    """
    rate = sound.rate_hz
    start = max(round((at_s - RISES.near_s - 2 * RISES.frame_s) * rate), 0)
    stop = min(round((at_s + RISES.near_s + 2 * RISES.frame_s) * rate), sound.frames)
    levels_db = _band_levels_db(sound.read(start, stop), rate) if stop > start else np.zeros((0, 1))
    frame = round(RISES.frame_s / RISES.hop_s)
    if len(levels_db) <= frame:
        return False
    rising = np.sum(levels_db[frame:] - levels_db[:-frame] > RISES.rise_db, axis=1)
    return bool(rising.max() >= RISES.fewest)


def _band_levels_db(samples: FloatArray, rate_hz: int) -> FloatArray:
    """Level of each band in each frame, dB; shape (frames, bands)."""
    size, hop = round(RISES.frame_s * rate_hz), round(RISES.hop_s * rate_hz)
    if len(samples) < size:
        return np.zeros((0, 1))
    frames = np.lib.stride_tricks.sliding_window_view(samples, size)[::hop] * np.hanning(size)
    power = np.abs(np.fft.rfft(frames, axis=1)) ** 2
    hz = np.fft.rfftfreq(size, 1 / rate_hz)
    inside = [edge for edge in RISES.bands_hz if edge < rate_hz / 2]
    edges = np.searchsorted(hz, inside)
    bands = np.stack([power[:, a:b].sum(axis=1) for a, b in pairwise(edges) if b > a], axis=1)
    levels: FloatArray = 10 * np.log10(bands + RISES.noise * bands.max() + 1e-12)
    return levels

"""Chroma after each onset.

Chroma is twelve numbers, C first, of the magnitude between 250 and 2000 Hz (equal temperament, A at 440 Hz); they add
up to 1. Magnitude instead of energy, so that one loud string does not decide.
"""

from __future__ import annotations

import functools
from array import array
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray


@dataclass(frozen=True)
class ChromaSettings:
    """Which part of an onset is analysed."""

    delay_s: float = 0.02  # the attack itself is noise
    length_s: float = 0.17  # shorter than an eighth at 170 beats per minute
    band_hz: tuple[float, float] = (250.0, 2000.0)  # fundamentals and first partials of a guitar above the high-pass


CHROMA = ChromaSettings()


def chroma_after(samples: FloatArray, frame: int, rate_hz: float) -> Sequence[float]:
    """Chroma of the 170 ms that follow an onset.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames,)]
    frame : int
        Where the onset begins.
    rate_hz : float

    Returns
    -------
    sequence of 12 float
        An array, because a long take has many; empty where the sound ends earlier.
    """
    size, start = round(CHROMA.length_s * rate_hz), frame + round(CHROMA.delay_s * rate_hz)
    piece = samples[start : start + size]
    if len(piece) < size:
        return ()
    window, kept, classes = _plan(size, rate_hz)
    spectrum = np.abs(np.fft.rfft(piece * window, 2 * size))[kept]
    magnitude = np.bincount(classes, weights=spectrum, minlength=12)
    return array("d", (magnitude / (magnitude.sum() + 1e-12)).tolist())


@functools.lru_cache(maxsize=8)
def _plan(size: int, rate_hz: float) -> tuple[FloatArray, npt.NDArray[np.bool_], npt.NDArray[np.int_]]:
    """Window, which bins count, and the pitch class of each of them."""
    bins_hz = np.fft.rfftfreq(2 * size, 1 / rate_hz)
    kept = (bins_hz > CHROMA.band_hz[0]) & (bins_hz < CHROMA.band_hz[1])
    classes = np.round(69 + 12 * np.log2(bins_hz[kept] / 440)).astype(int) % 12
    return np.hanning(size), kept, classes

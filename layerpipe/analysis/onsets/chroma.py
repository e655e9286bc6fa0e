"""What sounds after each strum, as pitch classes, and where it changes: chords change on bar lines more than between.

Twelve numbers, C first, of the energy between 250 and 2000 Hz (equal temperament, A at 440 Hz), compressed by a square
root so that one loud string does not decide; they add up to 1.
"""

from __future__ import annotations

import functools

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray

LOOK_S, AFTER_S = 0.17, 0.02
BAND_HZ = (250.0, 2000.0)
FEWEST_CHANGES = 3


def pitch_classes(samples: FloatArray, frame: int, rate_hz: float) -> tuple[float, ...]:
    """Pitch classes of the 170 ms that follow a strum; empty where the sound ends before.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames,)]
    frame : int
        Where the strum begins.
    rate_hz : float
    """
    size, start = round(LOOK_S * rate_hz), frame + round(AFTER_S * rate_hz)
    piece = samples[start : start + size]
    if len(piece) < size:
        return ()
    window, kept, classes = _plan(size, rate_hz)
    spectrum = np.abs(np.fft.rfft(piece * window, 2 * size))[kept]
    energy = np.bincount(classes, weights=spectrum, minlength=12)
    return tuple(float(one) for one in energy / (energy.sum() + 1e-12))


@functools.lru_cache(maxsize=8)
def _plan(size: int, rate_hz: float) -> tuple[FloatArray, npt.NDArray[np.bool_], npt.NDArray[np.int_]]:
    """Window, which bins count, and the pitch class of each of them."""
    bins_hz = np.fft.rfftfreq(2 * size, 1 / rate_hz)
    kept = (bins_hz > BAND_HZ[0]) & (bins_hz < BAND_HZ[1])
    classes = np.round(69 + 12 * np.log2(bins_hz[kept] / 440)).astype(int) % 12
    return np.hanning(size), kept, classes


def every_other(bars: FloatArray) -> tuple[float, int]:
    """How much more the harmony changes into every other bar than into those between.

    Parameters
    ----------
    bars : np.ndarray [shape=(bars, 12)]
        Pitch classes of each bar, summed.

    Returns
    -------
    (share, first)
        From 0 (the same everywhere) to 1 (never between); `first` is 0 if it changes into bars 0, 2, 4 ..., else 1.
    """
    sizes = np.linalg.norm(bars, axis=1) + 1e-12
    changes = 1 - np.sum(bars[1:] * bars[:-1], axis=1) / (sizes[1:] * sizes[:-1])
    odd, even = changes[0::2], changes[1::2]  # into bars 1, 3, 5 ... and 2, 4, 6 ...
    if min(len(odd), len(even)) < FEWEST_CHANGES:
        return 0.0, 0
    # Bars that stay on their chord say nothing, bars that change where none should say much.
    quiet, busy = sorted((float(np.mean(odd)), float(np.mean(even))))
    return (busy - quiet) / (busy + quiet + 1e-12), int(np.mean(odd) > np.mean(even))

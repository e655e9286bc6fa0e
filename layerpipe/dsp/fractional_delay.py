"""A delay by a part of a frame: a windowed sinc, which delays every frequency by the same time.

The ideal delay is a sinc centred on the delay; here it is cut to 64 frames by a Kaiser window that is centred there
too. Laakso, Valimaki, Karjalainen, Laine, "Splitting the Unit Delay", IEEE Signal Processing Magazine 13(1), 1996,
section "Window methods". Below 0.42 of the rate (20 kHz at 48 kHz) the error is under -80 dB.
"""

from __future__ import annotations

import numpy as np

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray

REACH = 32
"""Frames on either side that a delayed frame is made from."""
KAISER_BETA = 8.0
"""Shape of the window: 80 dB down beside the band that is kept."""
_BLOCK = 4096
"""Frames that are summed at a time, so that they stay in the processor's cache."""


def delay_kernel(part: float) -> FloatArray:
    """Weights of a delay by a part of a frame.

    Parameters
    ----------
    part : float
        Delay in frames, inside [0, 1).

    Returns
    -------
    np.ndarray [shape=(64,), float64]
        Weights of the frames from `REACH` before to `REACH - 1` after; they sum to 1.
    """
    if not 0 <= part < 1:
        raise ParameterError(f"part={part:g} must be inside [0, 1)")
    at = REACH - np.arange(2 * REACH) - part
    window = np.i0(KAISER_BETA * np.sqrt(np.clip(1 - (at / REACH) ** 2, 0, None)))
    weights = np.sinc(at) * window
    return np.asarray(weights / weights.sum(), np.float64)


def delay_part(samples: FloatArray, kernel: FloatArray) -> FloatArray:
    """Delay a sound by a part of a frame.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames + 63,), float64]
        From `REACH` frames before the first frame that is wanted to `REACH - 1` after the last.
    kernel : np.ndarray [shape=(64,), float64]
        From `delay_kernel`.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
        Every frame is summed in one order, wherever the sound is cut.
    """
    frames = len(samples) - len(kernel) + 1
    out = np.zeros(frames)
    product = np.empty(min(frames, _BLOCK))
    for start in range(0, frames, _BLOCK):
        stop = min(start + _BLOCK, frames)
        here, times = out[start:stop], product[: stop - start]
        for n, weight in enumerate(kernel):
            np.multiply(samples[start + n : stop + n], weight, out=times)
            here += times
    return out

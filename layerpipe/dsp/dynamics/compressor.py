"""Light compression of one take: static curve, smoothing of the reduction, gain.

Levels are dBFS of the rectified sample; reductions are dB, 0 or above, and make the sound that much quieter; times
are ms in parameters, coefficients inside. Feed-forward, log domain, smooth decoupled peak detector: it releases about
one attack time later than the branching kind, and keeps the attack of a hit that follows another.
Curve and smoothing: Giannoulis, Massberg, Reiss, JAES 60(6), 399-408, 2012.
"""

from __future__ import annotations

import math

import numpy as np

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.dsp import kernels

_AT_ONCE = 4096
"""Frames per pass of the loop: few enough to stay in the processor's cache."""


def reduction_db(level_db: FloatArray, *, threshold_db: float, ratio: float, knee_db: float) -> FloatArray:
    """Static curve: the reduction of a steady level.

    Parameters
    ----------
    level_db : np.ndarray, float64
        Level in dBFS, any shape.
    threshold_db, ratio, knee_db : float
        ratio at least 1; knee_db at least 0, the width of the soft knee around the threshold.

    Returns
    -------
    np.ndarray, float64
        0 or above, same shape.

    References
    ----------
    Giannoulis et al. 2012, eq. 4.
    """
    past_knee_start = np.maximum(level_db - threshold_db + knee_db / 2, 0.0)
    inside_knee = np.minimum(past_knee_start, knee_db)
    # Inside the knee the slope grows from 0 to 1 - 1/ratio; past it the rest follows the ratio.
    bent = inside_knee**2 / (2 * knee_db) if knee_db > 0 else 0.0
    reduced: FloatArray = (1 - 1 / ratio) * (bent + past_knee_start - inside_knee)
    return reduced


def smoothing_coefficient(time_ms: float, rate_hz: int) -> float:
    """One-pole coefficient that reaches 1 - 1/e of a step after `time_ms`; 0 for 0 ms.

    References
    ----------
    Giannoulis et al. 2012, eq. 7 (number from memory).
    """
    if time_ms < 0:
        raise ParameterError(f"time_ms={time_ms:g} must not be negative")
    return math.exp(-1000.0 / (time_ms * rate_hz)) if time_ms > 0 else 0.0


class Curve:
    """A compressor's settings as the loops need them; it holds no state."""

    def __init__(self, *, threshold_db: float, ratio: float, knee_db: float, attack_ms: float, release_ms: float,
                 makeup_db: float, rate_hz: int) -> None:
        if not ratio >= 1 or not knee_db >= 0:
            raise ParameterError(f"ratio={ratio:g} must be at least 1 and knee_db={knee_db:g} at least 0")
        # Floats, so that the loop is not compiled again for integers.
        self.threshold_db, self.ratio, self.knee_db, self.makeup_db = (
            float(value) for value in (threshold_db, ratio, knee_db, makeup_db))
        self.attack = smoothing_coefficient(attack_ms, rate_hz)
        self.release = smoothing_coefficient(release_ms, rate_hz)
        self._knee_start = 10 ** ((threshold_db - knee_db / 2) / 20)

    def reduction_of(self, samples: FloatArray, state: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Smoothed reduction in dB of a block, shape (frames,), and the state (2,) for the next one."""
        smooth, held = np.empty(len(samples)), np.zeros(2) if state is None else state.copy()
        self.run(samples, held, smooth, np.empty(0))
        return smooth, held

    def run(self, samples: FloatArray, state: FloatArray, smooth: FloatArray, out: FloatArray) -> None:
        """Fill `smooth` with the reduction in dB and, unless it is empty, `out` with the compressed block."""
        sound, room = np.ascontiguousarray(samples, dtype=np.float64), np.empty((3, _AT_ONCE))
        kernels.compress(sound, sound.view(np.int64), self._knee_start, self.threshold_db, 1 - 1 / self.ratio,
                          self.knee_db, self.attack, self.release, self.makeup_db, state, room, room.view(np.int64),
                          smooth, out)


def compress(curve: Curve, samples: FloatArray,
             state: FloatArray | None = None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Compress a block; where the sound is cut into blocks changes no bit.

    Parameters
    ----------
    curve : Curve
    samples : np.ndarray [shape=(frames,), float64]
    state : np.ndarray [shape=(2,), float64], optional
        As returned for the block before; None starts from rest.

    Returns
    -------
    out, reduction_db : np.ndarray [shape=(frames,), float64]
        The compressed block with makeup gain, and the reduction of each frame in dB without it.
    state : np.ndarray [shape=(2,), float64]
    """
    held = np.zeros(2) if state is None else state.copy()
    out, smooth = np.empty(len(samples)), np.empty(len(samples))
    curve.run(samples, held, smooth, out)
    return out, smooth, held

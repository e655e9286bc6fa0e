"""A look-ahead limiter of the true peak, for listening files: the gain goes down before a peak and never overshoots.

Sounds are (frames, 2) float64, one gain for both sides; levels are dB of an amplitude, the reduction is 0 dB or below.

1. Between every two frames the sound is interpolated 4-fold by the interpolator of `dsp.peaks.true_peak`. Where a point
   is above the ceiling, both frames beside it need a gain of ceiling / point.
2. After a peak the needed reduction recovers by a constant number of dB a second.
3. A sliding minimum takes the lowest gain within the look-ahead, and a smoothing window of the same length, of weights
   above 0 that add up to 1 (three boxes, one after the other), makes it smooth. Every gain that the window sees at a
   frame is at most what this frame needs, and so is their mean: the gain is down in time and never overshoots.

A changing gain moves a point between frames a little from where the interpolator saw it: measure the result with
`TruePeakMeter`. The work grows with the length, not with the look-ahead: minimum and boxes are made by doubling.
Design: our own, of parts in general use. BS.1770-5 Annex 2 asks of a meter what is asked of the interpolator here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.core.units import frames_of_ms
from layerpipe.dsp.peaks.true_peak import PHASES, TAPS, interpolator

_BEFORE, _AFTER = TAPS // 2 - 1, TAPS // 2
_CELL = 128
_BOXES = 3


@dataclass(frozen=True)
class LimiterSettings:
    """How the gain moves; common practice, no source."""

    oversampling: int = 4
    look_ahead_ms: float = 5.0
    """Long enough that a bass note is not bent, short enough that a strum's attack covers it."""
    release_db_per_s: float = 40.0
    """6 dB come back in 150 ms: before the next eighth note, slower than a low string's period."""
    most_reduction_db: float = 6.0
    """Asked for more, callers lower the sound instead: beyond this attacks sound flat."""


LIMITER = LimiterSettings()


class PeakLimiter:
    """Limits a stream; where it is cut into blocks changes no bit.

    Parameters
    ----------
    rate_hz : int
    gain : float
        A factor for the sound before it is limited.
    ceiling : float
        Highest amplitude, full scale 1.0.
    """

    def __init__(self, rate_hz: int, gain: float, ceiling: float) -> None:
        self._gain, self._ceiling = gain, ceiling
        self._box = max(1, frames_of_ms(LIMITER.look_ahead_ms, rate_hz) // _BOXES)
        # Frames that the smoothing reaches over, and the minimum too.
        self._reach = _BOXES * (self._box - 1) + 1
        self._slope_db = LIMITER.release_db_per_s / rate_hz
        self._heard = np.zeros((_BEFORE, 2))
        """The last frames that the interpolator reaches back to."""
        self._waiting = np.zeros((0, 2))
        self._needed = np.full(self._reach - 1, 1.0)
        """Gains needed, from the first frame the smoothing still reaches on; before the sound 1."""
        self._before_db = 0.0
        self._recovered_db = math.inf
        """Lowest reduction so far, less what had recovered by its frame."""
        self._at = 0
        self.lowest_gain = 1.0

    def add(self, block: FloatArray) -> FloatArray:
        """Add the next frames; the frames that are ready come back, fewer or more than were given."""
        sound = block * self._gain
        self._waiting = np.concatenate([self._waiting, sound])
        return self._advance(sound)

    def finish(self) -> FloatArray:
        """The last frames."""
        ready = self._advance(np.zeros((_AFTER, 2)))
        self._needed = np.concatenate([self._needed, np.full(self._reach - 1, 1.0)])
        return np.concatenate([ready, self._ready()])

    def _advance(self, sound: FloatArray) -> FloatArray:
        """Find what the frames need whose surroundings are known now."""
        heard = np.concatenate([self._heard, sound])
        if len(heard) < TAPS:
            self._heard = heard
            return np.zeros((0, 2))
        points = _points(heard, self._ceiling)
        self._heard = heard[len(points) :]
        interval_db = np.minimum(0.0, 20 * np.log10(self._ceiling / np.maximum(points, self._ceiling)))
        beside_db = np.minimum(interval_db, np.concatenate([[self._before_db], interval_db[:-1]]))
        self._before_db = float(interval_db[-1])
        recovery_db = self._slope_db * np.arange(self._at, self._at + len(points))
        lowest_db = np.minimum.accumulate(np.concatenate([[self._recovered_db], beside_db - recovery_db]))[1:]
        self._recovered_db = float(lowest_db[-1])
        self._at += len(points)
        self._needed = np.concatenate([self._needed, 10 ** (np.minimum(0.0, lowest_db + recovery_db) / 20)])
        return self._ready()

    def _ready(self) -> FloatArray:
        """Frames whose gain is known."""
        # A gain is a mean of `reach` minima, each over `reach` frames.
        count = min(len(self._needed) - 2 * (self._reach - 1), len(self._waiting))
        if count <= 0:
            return np.zeros((0, 2))
        gain = _sliding(self._needed[: count + 2 * (self._reach - 1)], self._reach, np.minimum)
        for _ in range(_BOXES):
            gain = _sliding(gain, self._box, np.add) / self._box
        self.lowest_gain = min(self.lowest_gain, float(gain.min()))
        ready, self._waiting = self._waiting[:count] * gain[:, None], self._waiting[count:]
        self._needed = self._needed[count:]
        return ready


def _points(sound: FloatArray, ceiling: float) -> FloatArray:
    """Highest point of either side in every interval between two frames; 0 where it cannot be above the ceiling.

    `sound` begins `_BEFORE` frames before the first interval and ends `_AFTER` frames after the last one begins.
    """
    intervals = len(sound) - TAPS + 1
    cells = -(-intervals // _CELL)
    # A cell's interpolation reaches into the next cell and no further.
    padded = np.zeros(((cells + 1) * _CELL, 2))
    padded[: len(sound)] = sound
    design = interpolator()
    frames = _either_side(np.abs(padded))
    bends = np.zeros(len(padded))
    bends[:-2] = _either_side(np.abs(padded[:-2] - 2 * padded[1:-1] + padded[2:]))
    highest, bent = (np.maximum(own[:-1], own[1:]) for own in (
        values.reshape(-1, _CELL).max(axis=1) for values in (frames, bends)))
    # Both bounds are those of the interpolator, see the head of `dsp.peaks.true_peak`.
    bound = np.minimum(design.sum_bound * highest, design.near_bound * highest + design.curve_bounds.sum() * bent)
    found = np.zeros((cells, _CELL))
    wanted = np.flatnonzero(bound * (1 + 1e-9) > ceiling)
    if len(wanted):
        reached = np.lib.stride_tricks.sliding_window_view(padded, _CELL + TAPS - 1, axis=0)[:: _CELL][wanted]
        own = np.abs(reached[:, :, _BEFORE : _BEFORE + _CELL + 1]).max(axis=1)
        peaks = np.maximum(own[:, :-1], own[:, 1:])
        for phase in range(PHASES // LIMITER.oversampling, PHASES, PHASES // LIMITER.oversampling):
            point = np.zeros((len(wanted), 2, _CELL))
            for tap in range(TAPS):
                point += design.taps[tap, phase] * reached[:, :, tap : tap + _CELL]
            np.maximum(peaks, np.abs(point).max(axis=1), out=peaks)
        found[wanted] = peaks
    return found.reshape(-1)[:intervals]


def _either_side(sound: FloatArray) -> FloatArray:
    """The higher of both sides of (frames, 2)."""
    higher: FloatArray = np.maximum(sound[:, 0], sound[:, 1])
    return higher


def _sliding(values: FloatArray, width: int, combine: np.ufunc) -> FloatArray:
    """Minimum or sum of every `width` neighbours, by doubling: the same bits wherever the values are cut."""
    count = len(values) - width + 1
    total: FloatArray | None = None
    power, done, span = values, 0, 1
    while True:
        if width & span:
            piece = power[done : done + count]
            total = piece.copy() if total is None else combine(total, piece)
            done += span
        span *= 2
        if span > width:
            break
        power = combine(power[: -span // 2], power[span // 2 :])
    assert total is not None
    return total



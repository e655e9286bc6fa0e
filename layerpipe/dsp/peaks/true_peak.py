"""True peak: the highest point of the sound between its frames, exact but without computing every point.

Peaks are amplitudes (full scale 1.0) or dBTP. The interpolator is a Kaiser-windowed sinc, 16 phases of 48 taps: flat
within 0.005 dB up to 0.45 of the rate, so that what it misses is the distance between its points, at most 0.034 dB
at 0.45 of the rate and 0.042 dB at half the rate. The sound is silent before its first and after its last frame.
Sources: ITU-R BS.1770-5 (11/2023) Annex 2, and its attachment for the worst under-read, 20 log10 cos(pi f / n).

**What can be skipped.** A point at share t of the way from frame n to n + 1 is, for the taps h of its phase,

    y = sum h[k] x[n+k]
      = (1 - t) x[n] + t x[n+1]  +  s x[n] + m (x[n+1] - x[n])  +  sum g[k] (x[n+k] - 2 x[n+k+1] + x[n+k+2])

because h less the straight line between the two frames, less its sum s and its first moment m, has a double zero at
z = 1 and is therefore some g convolved with 1, -2, 1. So with N = 1 + |s| + 2 |m| and G[k] the largest |g[k]| of any
phase, |y| is at most N max(|x[n]|, |x[n+1]|) + sum G[k] |second difference at k|: hardly more than the frames
themselves where the sound is smooth. It also is at most L max |x| in reach, L being the largest sum of |h|. Where a
bound stays under the highest frame or point counted so far, nothing is computed, and the peak cannot be there. Rounding
is covered: double precision puts a point or a bound off by less than 1e-13 of the highest frame in reach, and
comparisons leave 1e-12 of that and 1e-9 of themselves. Equal peaks are never skipped: the first is the place.
"""

from __future__ import annotations

import functools
import threading
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.core.units import db_of_gain
from layerpipe.dsp import kernels

PHASES = 16
TAPS = 48
_KAISER_BETA = 7.0
# Taps before and after the frame that an interval begins at.
_BEFORE, _AFTER = TAPS // 2 - 1, TAPS // 2
_CELL = 128
_WORK_FRAMES = 1 << 15
_SLACK, _ROUNDING = 1 - 1e-9, 1e-12

IntArray = npt.NDArray[np.int64]


class Interpolator(Struct, frozen=True):
    """Taps by phase, shape (48, 16), and the constants of the bounds, shape (48,): L, N and the 46 of G."""

    taps: FloatArray
    bounds: FloatArray

    @property
    def sum_bound(self) -> float:
        """L."""
        return float(self.bounds[0])

    @property
    def near_bound(self) -> float:
        """N."""
        return float(self.bounds[1])

    @property
    def curve_bounds(self) -> FloatArray:
        """G."""
        return self.bounds[2:]


@functools.cache
def interpolator() -> Interpolator:
    """Design the interpolator and prove its bounds (see the module's head); phase 0 is the frame itself."""
    offset = np.arange(TAPS) - _BEFORE
    taps, near, curve = np.empty((TAPS, PHASES)), 0.0, np.zeros(TAPS - 2)
    for phase in range(PHASES):
        share = phase / PHASES
        away = offset - share
        h = np.sinc(away) * np.i0(_KAISER_BETA * np.sqrt(np.maximum(0.0, 1 - (away / (TAPS / 2)) ** 2)))
        if phase == 0:
            h = (offset == 0).astype(np.float64)
        h /= h.sum()
        rest = h.copy()
        rest[_BEFORE] -= 1 - share
        rest[_BEFORE + 1] -= share
        total, moment = float(rest.sum()), float((offset * rest).sum())
        rest[_BEFORE + 1] -= moment
        rest[_BEFORE] += moment - total
        near = max(near, 1 + abs(total) + 2 * abs(moment))
        curve = np.maximum(curve, np.abs(np.cumsum(np.cumsum(rest)))[:-2])
        taps[:, phase] = h
    taps.setflags(write=False)
    bounds = np.concatenate([[float(np.abs(taps).sum(axis=0).max()), near], curve])
    bounds.setflags(write=False)
    return Interpolator(taps, bounds)


def interpolate(windows: FloatArray) -> FloatArray:
    """Points between frames: (intervals, 48) windows of frames to (intervals, 16) points.

    A point is the same to the bit whatever else is computed beside it: products are added tap by tap.
    """
    taps = interpolator().taps
    points: FloatArray = np.add.reduce(windows.T[:, :, None] * taps[:, None, :], axis=0)
    return points


class TruePeakMeter:
    """Follows the true peak of several channels as they stream past; where they are cut into blocks changes no bit."""

    def __init__(self, channels: int = 1) -> None:
        self._channels = [_Channel() for _ in range(channels)]

    def add(self, block: npt.NDArray[Any], *, step: float = 1.0) -> None:
        """Add the next frames.

        Parameters
        ----------
        block : np.ndarray [shape=(frames,) or (frames, channels), float32, float64 or int32]
        step : float
            Value of one unit of the samples: 2**-23 for 24-bit integers.

        Raises
        ------
        ParameterError
            If the block has another number of channels.
        """
        channels = 1 if block.ndim == 1 else block.shape[1]
        if channels != len(self._channels):
            raise ParameterError(f"block of shape {block.shape}: must have {len(self._channels)} channels")
        # One type of number, so that one loop is compiled; every int32 and float32 is exact in float64.
        flat = np.ascontiguousarray(block, dtype=np.float64).reshape(-1)
        for at, channel in enumerate(self._channels):
            channel.add(flat, at, channels, step)

    @property
    def peak(self) -> FloatArray:
        """True peak so far, as if the sound ended here: amplitudes, shape (channels,)."""
        return np.array([channel.ended()[0] for channel in self._channels])

    def next_part(self) -> FloatArray:
        """Peak since the last call, or the beginning, shape (channels,); the count restarts, the taps keep their past.

        Parts meet to within 24 frames. The last part's peak is `peak`.
        """
        found = np.array([channel.peak for channel in self._channels])
        for channel in self._channels:
            channel.forget()
        return found

    @property
    def place(self) -> IntArray:
        """Frame at or just before each channel's peak (the first of equal ones; 0 for silence), shape (channels,)."""
        return np.array([channel.ended()[1] for channel in self._channels], dtype=np.int64)

    @property
    def peak_dbtp(self) -> float:
        """The highest of all channels in dBTP; silence is -inf."""
        return db_of_gain(float(self.peak.max(initial=0.0)))


def true_peak(samples: npt.ArrayLike) -> FloatArray:
    """True peak of a sound held in memory: amplitudes, shape (channels,), of (frames,) or (frames, channels)."""
    sound = np.asarray(samples)
    meter = TruePeakMeter(1 if sound.ndim == 1 else sound.shape[1])
    meter.add(sound)
    return meter.peak


_rooms = threading.local()


def _room() -> FloatArray:
    """Work memory, one per thread: allocating it for each block would cost more than the work."""
    if not hasattr(_rooms, "room"):
        _rooms.room = np.empty((3, _WORK_FRAMES + 2 * _CELL))
    room: FloatArray = _rooms.room
    return room


class _Channel:
    """One channel: the past frames that the taps need, and the peak so far."""

    def __init__(self) -> None:
        self.peak, self.place = 0.0, 0
        # The highest frame or point of the intervals counted: a lower bound of the peak, known before it is.
        self._floor = 0.0
        # The frames the next intervals reach back to, and the frame of the first of those intervals.
        self._past = np.zeros(TAPS - 1)
        self._next = -_AFTER
        self._ended: tuple[float, int] | None = None

    def add(self, flat: npt.NDArray[Any], channel: int = 0, channels: int = 1, step: float = 1.0) -> None:
        """Add the next frames of one channel of interleaved samples."""
        if not len(flat):
            return
        design, room = interpolator(), _room()
        state = np.array([self.peak, self._floor, _SLACK, _ROUNDING])
        found = kernels.find_true_peak(flat, channel, channels, step, design.taps, design.bounds, _CELL, self._past,
                                       room, room.view(np.int64), state)
        self.peak, self._floor = float(state[0]), float(state[1])
        if found >= 0:
            self.place = found + self._next
        self._next += len(flat) // channels
        self._ended = None

    def forget(self) -> None:
        """Restart the count; the past frames stay because the taps need them."""
        self.peak, self.place, self._floor, self._ended = 0.0, 0, 0.0, None

    def ended(self) -> tuple[float, int]:
        """Peak and its frame, as if the sound ended now."""
        if self._ended is None:
            copy = _Channel()
            copy.peak, copy.place, copy._floor = self.peak, self.place, self._floor
            copy._past, copy._next = self._past.copy(), self._next
            copy.add(np.zeros(TAPS - 1))
            # Ringing before the first and after the last frame belongs to those.
            last = self._next + _AFTER - 1
            self._ended = copy.peak, max(0, min(copy.place, last))
        return self._ended

"""The true peak of `rest + gain * layer` at every gain at once: an exact upper envelope of few points.

At one point in time the mix is r + g l, a straight line in the gain g. The true peak is the highest of all these
lines and of their mirror images, and a highest line is a corner of the convex hull of the points (r, l) and (-r, -l).
Only the corners that face gains of 0 and above are kept: ten to thirty of millions. Amplitudes, full scale 1.0.

**What is never computed.** The points between the frames are those of `dsp.peaks.true_peak`, whose bounds say how far a
point can be above its two frames; a cell of frames (then a single interval) whose bound lies inside the corners found
so far at all the gains at which one corner hands over to the next cannot change the envelope anywhere: between two such
gains the envelope is one straight line, the bound is convex, and a convex function under a line at both ends is under
it in between. Past the last of them only l counts. Rounding is left room for, as there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.peaks.true_peak import TAPS, interpolate, interpolator

_CELL = 64
_CELLS_AT_ONCE = 128
_BEFORE = TAPS // 2 - 1
_SLACK = 1 - 1e-9


class PeakEnvelope:
    """The envelope of everything added so far; `corners` (corners, 2) holds pairs (rest, layer)."""

    def __init__(self, corners: npt.ArrayLike = ()) -> None:
        self.corners = _corners(np.asarray(corners, dtype=np.float64).reshape(-1, 2))

    def peaks(self, gains: npt.ArrayLike) -> FloatArray:
        """True peak of rest + gain * layer, shape (gains,); gains are factors of 0 and above."""
        asked = np.asarray(gains, dtype=np.float64)
        if not len(self.corners):
            return np.zeros(asked.shape)
        found: FloatArray = (self.corners[:, 0] + asked[..., None] * self.corners[:, 1]).max(axis=-1)
        return found

    def merge(self, other: PeakEnvelope) -> None:
        """Add another envelope."""
        self.corners = _corners(np.concatenate([self.corners, other.corners]))

    def add(self, rest: FloatArray, layer: FloatArray) -> None:
        """Add a piece of one side.

        Parameters
        ----------
        rest, layer : np.ndarray [shape=(frames + 47,), float64]
            Frames with what the interpolator reaches: the intervals between frame 23 and frame -24 are looked at.
        """
        intervals = len(rest) - TAPS + 1
        if intervals <= 0:
            return
        design = interpolator()
        curve = float(design.curve_bounds.sum())
        cells = -(-intervals // _CELL)
        padded = [np.concatenate([sound, np.zeros(cells * _CELL + TAPS - 1 - len(sound))]) for sound in (rest, layer)]
        # Highest frame and sharpest bend within reach of each cell's intervals.
        high = np.stack([_reached(np.abs(sound), cells, _BEFORE, _CELL + 1) for sound in padded], axis=1)
        bend = np.stack([_reached(np.abs(_bends(sound)), cells, 0, _CELL + TAPS - 3) for sound in padded], axis=1)
        bound = design.near_bound * high + curve * bend
        left = np.argsort(-bound.sum(axis=1), kind="stable")
        left = left[self._may_pass(bound[left])]
        while len(left):
            some, left = left[:_CELLS_AT_ONCE], left[_CELLS_AT_ONCE:]
            self._look(padded[0], padded[1], some, curve * bend[some], intervals)
            left = left[self._may_pass(bound[left])]

    def _look(self, rest: FloatArray, layer: FloatArray, cells: npt.NDArray[np.intp], bent: FloatArray,
              intervals: int) -> None:
        """Compute the points of the cells' intervals that may pass the envelope."""
        design = interpolator()
        interval = cells[:, None] * _CELL + np.arange(_CELL)
        at = interval[..., None] + _BEFORE + np.arange(2)
        # The frames are points too, cost nothing, and rule most others out.
        begun = at[..., 0][interval < intervals]
        self._take(np.stack([rest[begun], layer[begun]], axis=1))
        # Directions instead of gains, so that "only the layer counts" is one of them.
        ways = self._ways()
        near = np.abs(rest[at][..., None] * ways[:, 0] + layer[at][..., None] * ways[:, 1]).max(axis=2)
        reachable = design.near_bound * near + (bent @ ways.T)[:, None]
        kept = _some_above(reachable, self._heights(ways)) & (interval < intervals)
        found = interval[kept]
        if not len(found):
            return
        windows = found[:, None] + np.arange(TAPS)
        rough = np.stack([rest[windows] @ design.taps, layer[windows] @ design.taps], axis=-1).reshape(-1, 2)
        passing = _some_above(np.abs(rough @ ways.T), self._heights(ways))
        which = np.unique(np.flatnonzero(passing) // design.taps.shape[1])
        if len(which):
            points = np.stack([interpolate(rest[windows[which]]), interpolate(layer[windows[which]])], axis=-1)
            self._take(points.reshape(-1, 2))

    def _take(self, points: FloatArray) -> None:
        """Put points, shape (points, 2), under the envelope."""
        ways = self._ways()
        passing = _some_above(np.abs(points @ ways.T), self._heights(ways))
        if passing.any():
            self.corners = _corners(np.concatenate([self.corners, points[passing]]))

    def _may_pass(self, bound: FloatArray) -> npt.NDArray[np.bool_]:
        """Whether points within (+-bound, +-bound) may pass the envelope somewhere, shape (cells,)."""
        ways = self._ways()
        return _some_above(bound @ ways.T, self._heights(ways))

    def _ways(self) -> FloatArray:
        """Directions (1, gain) in which one corner hands over to the next, with gain 0 and "infinity"."""
        steps = self.corners[:-1] - self.corners[1:]
        turns = np.stack([-steps[:, 1], steps[:, 0]], axis=1)
        return np.concatenate([[[1.0, 0.0]], turns / np.hypot(turns[:, 0], turns[:, 1])[:, None], [[0.0, 1.0]]])

    def _heights(self, ways: FloatArray) -> FloatArray:
        """The envelope in some directions."""
        if not len(self.corners):
            return np.zeros(len(ways))
        heights: FloatArray = (ways @ self.corners.T).max(axis=1)
        return heights


def _corners(points: FloatArray) -> FloatArray:
    """Corners of the hull of points and their mirror images that face gains of 0 and above, by falling rest."""
    both = np.concatenate([points, -points])
    if not both.any():
        return np.zeros((0, 2))
    # The farthest in rest (then in layer) is first; nothing that is lower in both than another is a corner.
    both = both[np.lexsort((-both[:, 1], -both[:, 0]))]
    rising = both[:, 1] > np.maximum.accumulate(np.concatenate([[-np.inf], both[:-1, 1]]))
    kept: list[tuple[float, float]] = []
    for rest, layer in both[rising].tolist():
        while len(kept) > 1 and _is_under(kept[-2], kept[-1], (rest, layer)):
            kept.pop()
        kept.append((rest, layer))
    return np.array(kept)


def _is_under(one: tuple[float, float], middle: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether the middle point lies on or inside the line from one to the other."""
    return ((middle[0] - one[0]) * (other[1] - one[1]) - (middle[1] - one[1]) * (other[0] - one[0])) <= 0


def _some_above(values: FloatArray, heights: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether values (..., ways) pass the heights (ways,) in any of the ways, or might but for rounding."""
    passing: npt.NDArray[np.bool_] = np.any(values > heights * _SLACK, axis=-1)
    return passing


def _bends(sound: FloatArray) -> FloatArray:
    """Second differences, shape (frames - 2,)."""
    bends: FloatArray = sound[2:] - 2.0 * sound[1:-1] + sound[:-2]
    return bends


def _reached(values: FloatArray, cells: int, first: int, width: int) -> FloatArray:
    """Largest value from `first` on over `width` values of each cell, at least; shape (cells,)."""
    # The cells after one's own are looked at whole: too much is as safe as enough, and quick.
    over = -(-width // _CELL)
    room = np.zeros((cells + over) * _CELL)
    some = values[first : first + len(room)]
    room[: len(some)] = some
    highest: FloatArray = room.reshape(-1, _CELL).max(axis=1)
    reached: FloatArray = highest[:cells].copy()
    for more in range(1, over):
        np.maximum(reached, highest[more : more + cells], out=reached)
    return reached

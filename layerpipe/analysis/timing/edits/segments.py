"""Which onsets of a take are displaced together, relative to its own average and to its double.

One search finds displaced runs and single onsets: the onsets are divided into segments that are left alone or shifted
as a whole, at the least sum of squared errors (in units of the spread) plus a penalty for each shifted segment. Optimal
partitioning: Jackson et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal Processing
Letters 12(2), 2005.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.timing.grid.align import robust_spread
from layerpipe.analysis.timing.grid.aligned import FIRST_DOWNBEAT, AlignedTake, IntArray
from layerpipe.analysis.timing.tightness import differences_ms, pair_onsets
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.model.recipe import Timing

FEWEST_ONSETS = 8
"""Fewer onsets show neither a spread nor a distance from the double."""


@dataclass(frozen=True)
class PartitionSettings:
    """The search; penalties are squared deviations in units of the spread."""

    penalty: float = 12.0  # a single onset must be off by 3.5 spreads
    entry_penalty: float = 7.0  # by 2.6 at the first downbeat and after a break, where most faults are
    least_spread_ms: float = 4.0  # a spread below this is not trusted; human takes are looser
    longest: int = 64  # onsets in one displaced segment: two bars of sixteenths in 4/4
    break_gaps: float = 4.0  # a break is longer than this many usual gaps between onsets
    break_s: float = 1.5  # and longer than this
    rounds: int = 3  # the spread is estimated again without the displaced segments


PARTITION = PartitionSettings()


@dataclass(frozen=True)
class Segment:
    """Onsets first to last (indices of the reliable ones) that are displaced by `offset_ms` together."""

    first: int
    last: int
    offset_ms: float


def find_segments(deviations_ms: FloatArray, tolerance_ms: float, penalties: FloatArray) -> tuple[list[Segment], float]:
    """Displaced segments of a take, and its spread (ms) without their displacement.

    Parameters
    ----------
    deviations_ms, penalties : np.ndarray [shape=(onsets,)]
        As `partition` takes them.
    tolerance_ms : float
    """
    spread_ms = robust_spread(deviations_ms)
    segments: list[Segment] = []
    for _ in range(PARTITION.rounds):
        segments = partition(deviations_ms, spread_ms, tolerance_ms, penalties)
        corrected = deviations_ms.copy()
        for segment in segments:
            corrected[segment.first : segment.last + 1] -= segment.offset_ms
        before_ms, spread_ms = spread_ms, robust_spread(corrected)
        if spread_ms == before_ms:
            # The next round would find the same.
            break
    return segments, spread_ms


def segment_penalties(heard_s: FloatArray, keys: IntArray) -> FloatArray:
    """Penalty of a segment that begins at each onset: lower at the first downbeat and after breaks.

    Parameters
    ----------
    heard_s : np.ndarray [shape=(onsets,)]
    keys : np.ndarray [shape=(onsets,)]
        Of their grid points.
    """
    gaps = np.diff(heard_s, prepend=-np.inf)
    usual = float(np.median(gaps[1:])) if len(gaps) > 1 else np.inf
    is_entry = (gaps > max(PARTITION.break_gaps * usual, PARTITION.break_s)) | (keys == FIRST_DOWNBEAT)
    penalties: FloatArray = np.where(is_entry, PARTITION.entry_penalty, PARTITION.penalty)
    return penalties


def partition(deviations_ms: FloatArray, spread_ms: float, tolerance_ms: float,
              penalties: FloatArray | None = None) -> list[Segment]:
    """Divide a take into segments and return the displaced ones.

    Parameters
    ----------
    deviations_ms : np.ndarray [shape=(onsets,)]
        From the take's own average, in order of time.
    spread_ms, tolerance_ms : float
    penalties : np.ndarray [shape=(onsets,)], optional
        Of a segment that begins at each onset, in squared spreads.

    Returns
    -------
    list of Segment
        None is displaced by less than the tolerance.
    """
    n = len(deviations_ms)
    unit = max(spread_ms, PARTITION.least_spread_ms)
    z = deviations_ms / unit
    sums, squares = np.concatenate([[0.0], np.cumsum(z)]), np.concatenate([[0.0], np.cumsum(z**2)])
    penalty = np.full(n, PARTITION.penalty) if penalties is None else penalties
    cost, origin = np.zeros(n + 1), np.full(n + 1, -1)
    counts = np.arange(PARTITION.longest, 0, -1)
    for stop in range(1, n + 1):
        cost[stop] = cost[stop - 1] + z[stop - 1] ** 2
        low = max(0, stop - PARTITION.longest)
        count, here = counts[low - stop :], slice(low, stop)
        mean = (sums[stop] - sums[here]) / count
        error = squares[stop] - squares[here] - count * mean**2
        tried = np.where(np.abs(mean) * unit > tolerance_ms, cost[here] + error + penalty[here], np.inf)
        best = int(tried.argmin())
        if tried[best] < cost[stop]:
            cost[stop], origin[stop] = tried[best], low + best
    found, stop = [], n
    while stop:
        if origin[stop] < 0:
            stop -= 1
            continue
        begin = int(origin[stop])
        offset = float(np.median(deviations_ms[begin:stop]))
        if abs(offset) > tolerance_ms:
            found.append(Segment(begin, stop - 1, offset))
        stop = begin
    return found[::-1]


@dataclass(frozen=True)
class DoubleComparison:
    """A take beside its double, by grid points that both play; differences are ms, positive where the take is later."""

    keys: IntArray
    """Of these grid points, rising; each of the arrays below has as many rows."""
    difference_ms: FloatArray
    deviation_ms: FloatArray
    """How far the double is from its own average."""
    its_rows: IntArray
    """Onsets of the double."""
    lag_ms: float
    """Median difference."""
    spread_ms: float

    def rows(self, keys: IntArray) -> tuple[IntArray, IntArray]:
        """Which of some grid points both play, and the rows of those."""
        rows = np.minimum(np.searchsorted(self.keys, keys), len(self.keys) - 1)
        both = np.flatnonzero(self.keys[rows] == keys)
        return both, rows[both]


def compare_with_double(take: AlignedTake, double: tuple[str, AlignedTake] | None) -> DoubleComparison | None:
    """Compare a take with its double; None without one, or with too few common onsets."""
    if double is None:
        return None
    mine, its = pair_onsets(take, double[1])
    is_placed = take.onsets.points.known[mine]
    if np.count_nonzero(is_placed) < FEWEST_ONSETS:
        return None
    keys = take.onsets.points.key[mine[is_placed]]
    order = np.argsort(keys)
    mine, its = mine[is_placed][order], its[is_placed][order]
    difference_ms = differences_ms(take.onsets, mine, double[1].onsets, its)
    return DoubleComparison(keys[order], difference_ms, np.nan_to_num(double[1].onsets.deviation_ms[its]), its,
                            float(np.median(difference_ms)), robust_spread(difference_ms))


def apart_from_double(keys: IntArray, deviations_ms: FloatArray, double: DoubleComparison | None,
                      segments: Sequence[Segment], spread_ms: float, timing: Timing) -> list[Segment]:
    """Single onsets, by grid points, outside the take's tolerance that are also plainly apart from the double."""
    if double is None:
        return []
    is_free = np.ones(len(keys), np.bool_)
    for segment in segments:
        is_free[segment.first : segment.last + 1] = False
    # A difference of two takes has the spread of both: the square root of two times one of them.
    unit = max(double.spread_ms, spread_ms, PARTITION.least_spread_ms * 1.4)
    both, rows = double.rows(keys)
    apart_ms = np.abs(double.difference_ms[rows] - double.lag_ms)
    is_loose = np.abs(deviations_ms[both]) > np.maximum(timing.tolerance_ms, np.abs(double.deviation_ms[rows]))
    is_apart = apart_ms > max(timing.double_tolerance_ms, np.sqrt(PARTITION.penalty) * unit)
    return [Segment(n, n, float(deviations_ms[n])) for n in both[is_free[both] & is_loose & is_apart].tolist()]

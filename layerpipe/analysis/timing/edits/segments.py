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

from layerpipe.analysis.timing.grid.align import AlignedOnset, AlignedTake, GridPoint, robust_spread
from layerpipe.analysis.timing.tightness import difference_ms, pair_onsets
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


def segment_penalties(onsets: Sequence[AlignedOnset]) -> FloatArray:
    """Penalty of a segment that begins at each onset: lower at the first downbeat and after breaks."""
    times = np.array([onset.heard_s for onset in onsets])
    gaps = np.diff(times, prepend=-np.inf)
    usual = float(np.median(gaps[1:])) if len(gaps) > 1 else np.inf
    after_break = gaps > max(PARTITION.break_gaps * usual, PARTITION.break_s)
    penalties: FloatArray = np.where(after_break, PARTITION.entry_penalty, PARTITION.penalty)
    for n, onset in enumerate(onsets):
        if onset.point is not None and onset.point.order == (1, 1, 1):
            penalties[n] = PARTITION.entry_penalty
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
    """A take beside its double; differences are ms, positive where the take is later."""

    difference_ms: dict[GridPoint, float]
    lag_ms: float
    """Median difference."""
    spread_ms: float
    deviation_ms: dict[GridPoint, float]
    """How far the double is from its own average at each grid point."""


def compare_with_double(take: AlignedTake, double: tuple[str, AlignedTake] | None) -> DoubleComparison | None:
    """Compare a take with its double; None without one, or with too few common onsets."""
    if double is None:
        return None
    pairs = pair_onsets(take, double[1])
    differences = {mine.point: difference_ms(mine, its) for mine, its in pairs if mine.point}
    if len(differences) < FEWEST_ONSETS:
        return None
    values = np.array(list(differences.values()))
    return DoubleComparison(differences, float(np.median(values)), robust_spread(values),
                            {its.point: its.deviation_ms or 0.0 for _, its in pairs if its.point})


def apart_from_double(onsets: Sequence[AlignedOnset], deviations_ms: FloatArray, double: DoubleComparison | None,
                      segments: Sequence[Segment], spread_ms: float, timing: Timing) -> list[Segment]:
    """Single onsets outside the take's tolerance that are also plainly apart from the double."""
    if double is None:
        return []
    taken = {n for segment in segments for n in range(segment.first, segment.last + 1)}
    # A difference of two takes has the spread of both: the square root of two times one of them.
    unit = max(double.spread_ms, spread_ms, PARTITION.least_spread_ms * 1.4)
    found = []
    for n, onset in enumerate(onsets):
        if n in taken or onset.point is None or onset.point not in double.difference_ms:
            continue
        apart = double.difference_ms[onset.point] - double.lag_ms
        is_loose = abs(deviations_ms[n]) > max(timing.tolerance_ms, abs(double.deviation_ms[onset.point]))
        if is_loose and abs(apart) > max(timing.double_tolerance_ms, np.sqrt(PARTITION.penalty) * unit):
            found.append(Segment(n, n, float(deviations_ms[n])))
    return found

"""Which onsets are worth moving, with as few moves as possible, and what should be re-recorded instead.

A take is judged by its double first: what both play alike is the song's timing, however far it is from the grid.
Where there is no double, or it disagrees, a take keeps its own average offset and only what deviates from it is loose.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.timing.edits.retakes import BarRange, Rerecord, find_missing, find_overedited, merge_overlapping
from layerpipe.analysis.timing.edits.segments import (
    FEWEST_ONSETS,
    DoubleComparison,
    apart_from_double,
    compare_with_double,
    find_segments,
    segment_penalties,
)
from layerpipe.analysis.timing.grid.aligned import AlignedOnset, AlignedOnsets, AlignedTake, IntArray
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.model.recipe import Timing


@dataclass(frozen=True)
class TrustLimits:
    """How certain the onsets of a move must be; tuned on takes with planted faults and noises."""

    beside_double: float = 0.5  # median confidence where the double plays too
    alone: float = 0.9  # where only this take plays
    alone_share: float = 0.5  # and it plays there in this share of the bars
    end_rise_db: float = 8.0  # after the last common onset, rises this far below usual are decaying notes
    late: float = 0.97  # below it, an onset that seems late may have begun with an undetected soft string
    missed_string_ms: float = 20.0  # a strum's first string is at most this much earlier


@dataclass(frozen=True)
class MoveLimits:
    """Which moves are proposed and where they are cut."""

    before_onset_s: float = 0.008  # the cut is this long before the onset, so that the attack stays whole
    least_ring_s: float = 0.02  # an attack this near to repeated sound would be heard twice
    after_last_s: float = 1.0  # the last move of a take ends this long after its last onset
    kept_lag_ms: float = 15.0  # a take that is usually this far from its double keeps the distance
    least_share: float = 0.8  # of the tolerance: the least move toward a double
    loose_double: float = 2.5  # spreads; a double that deviates by more is no target


TRUST, MOVES = TrustLimits(), MoveLimits()


@dataclass(frozen=True)
class Proposal:
    """A proposed move: seconds in the file, ms later, the onsets it contains, why."""

    from_s: float
    to_s: float
    by_ms: float
    onsets: Sequence[AlignedOnset]
    why: str
    crossfade_ms: float = 5.0
    audible: str = ""
    """What may be heard at its edit points; empty if nothing."""


def propose_edits(name: str, take: AlignedTake, double: tuple[str, AlignedTake] | None, others: Sequence[AlignedTake],
                  ranges: Sequence[BarRange], timing: Timing,
                  frozen: Sequence[tuple[float, float]] = (),
                  change_db: Callable[[float], float] = lambda at_s: 0.0) -> tuple[list[Proposal], list[Rerecord]]:
    """Find the moves worth making in one take, and what should be re-recorded.

    Parameters
    ----------
    name : str
        Of the take.
    take : AlignedTake
        Heard with the moves it has.
    double : (name, AlignedTake), optional
        The other take of its layer.
    others : sequence of AlignedTake
        All other takes of the song.
    ranges : sequence of BarRange
        Sections.
    timing : Timing
    frozen : sequence of (from_s, to_s)
        Where the recipe has moves already (seconds in the file).
    change_db : callable
        How much changes at once in the take when a moment is heard; asked before a strum is called missing.

    Returns
    -------
    (moves, rerecord)
    """
    rows = np.flatnonzero(take.onsets.is_reliable & (take.onsets.points.bar >= 0))
    if take.spread_ms is None or len(rows) < FEWEST_ONSETS:
        return [], []
    keys, deviations_ms = take.onsets.points.key[rows], take.onsets.deviation_ms[rows]
    bars = take.onsets.points.bar[rows]
    segments, spread_ms = find_segments(deviations_ms, timing.tolerance_ms,
                                        segment_penalties(take.onsets.heard_s[rows], keys))
    comparison = compare_with_double(take, double)
    is_apart = comparison is None or comparison.spread_ms > timing.most_double_spread_ms
    if spread_ms > timing.most_spread_ms and is_apart:
        beside = "" if comparison is None or double is None else (
            f", and {comparison.spread_ms:.0f} ms against {double[0]} (above {timing.most_double_spread_ms:g} ms)")
        why = f"{name}: the spread is {spread_ms:.0f} ms{beside}; above {timing.most_spread_ms:g} ms re-record"
        return [], [Rerecord((int(bars.min()), int(bars.max())), why)]
    rerecord = find_missing(name, take, others, change_db)
    trust = _Trust(comparison, take, rows)
    far = [n for n in np.flatnonzero(np.abs(deviations_ms) > timing.most_offset_ms).tolist()
           if trust.is_enough(one := take.onsets.where(rows[n : n + 1])) and not _is_shared(one, comparison, timing)]
    rerecord += [Rerecord((int(bars[n]), int(bars[n])),
                          f"{name}: {point.text} is {_difference_words(deviations_ms[n])} its own "
                          f"average; above {timing.most_offset_ms:g} ms re-record")
                 for n in far if (point := take.onsets.point(int(rows[n])))]
    segments += apart_from_double(keys, deviations_ms, comparison, segments, spread_ms, timing)
    moves = []
    for segment in sorted(segments, key=lambda segment: segment.first):
        taken = take.onsets.where(rows[segment.first : segment.last + 1])
        if (any(segment.first <= n <= segment.last for n in far) or not trust.is_enough(taken)
                or (timing.toward == "double" and _is_shared(taken, comparison, timing))
                or _may_begin_earlier(taken, segment.offset_ms, timing)):
            continue
        move = _move(name, take, taken, segment.offset_ms, comparison, double, timing)
        if move is not None and not any(move.from_s < stop and start < move.to_s for start, stop in frozen):
            moves.append(move)
    rerecord += find_overedited(name, [move.onsets[0].point.bar for move in moves if move.onsets[0].point], ranges,
                                timing)
    rerecord = merge_overlapping(rerecord)
    kept = [move for move in moves
            if not any(a.bars[0] <= onset.point.bar <= a.bars[1]
                       for a in rerecord for onset in move.onsets if onset.point)]
    return kept, rerecord


def _is_shared(taken: AlignedOnsets, comparison: DoubleComparison | None, timing: Timing) -> bool:
    """Whether the double plays most of these onsets within the tolerance of this take: then they are not loose."""
    if comparison is None:
        return False
    apart_ms = comparison.difference_ms[comparison.rows(taken.points.key)[1]] - comparison.lag_ms
    return 2 * len(apart_ms) > len(taken) and (
        abs(float(np.median(apart_ms))) < MOVES.least_share * timing.tolerance_ms)


class _Trust:
    """Which onsets are certain enough to be judged: a candidate that no double confirms may be no onset."""

    def __init__(self, comparison: DoubleComparison | None, take: AlignedTake, rows: IntArray) -> None:
        places, played = np.unique(take.onsets.points.place[rows], return_counts=True)
        bars = len(np.unique(take.onsets.points.bar[rows]))
        self._often = places[played >= TRUST.alone_share * bars]
        self._least_rise_db = float(np.median(take.onsets.onsets.rise_db[rows])) - TRUST.end_rise_db
        self._comparison = comparison

    def is_enough(self, taken: AlignedOnsets) -> bool:
        """Whether the onsets of a move are certain enough."""
        confidence = float(np.median(taken.onsets.confidence))
        if self._comparison is not None:
            if 2 * len(self._comparison.rows(taken.points.key)[0]) >= len(taken):
                return confidence >= TRUST.beside_double
            at_the_end = taken.points.key[0] > self._comparison.keys[-1]
            if at_the_end and taken.onsets.rise_db.max() < self._least_rise_db:
                return False
        often = 2 * np.count_nonzero(np.isin(taken.points.place, self._often)) >= len(taken)
        return confidence >= TRUST.alone and bool(often)


def _may_begin_earlier(taken: AlignedOnsets, offset_ms: float, timing: Timing) -> bool:
    """Whether onsets that seem late may have been detected late."""
    unsure = float(np.median(taken.onsets.confidence)) < TRUST.late
    return unsure and 0 < offset_ms < timing.tolerance_ms + TRUST.missed_string_ms


def _move(name: str, take: AlignedTake, taken: AlignedOnsets, offset_ms: float,
          comparison: DoubleComparison | None, double: tuple[str, AlignedTake] | None,
          timing: Timing) -> Proposal | None:
    """The move that corrects a segment; None where there is no room for it, or where it may do harm."""
    reference, by_ms = "its own average", -offset_ms
    apart_ms, earlier_ms, later_ms = taken.deviation_ms, taken.onsets.earlier_ms, taken.onsets.later_ms
    if timing.toward == "double" and comparison is not None and double is not None:
        limit_ms = max(timing.tolerance_ms, MOVES.loose_double * (double[1].spread_ms or 0.0))
        mine, rows = comparison.rows(taken.points.key)
        is_good = np.abs(comparison.deviation_ms[rows]) <= limit_ms
        mine, rows = mine[is_good], rows[is_good]
        if len(mine) * 2 >= len(taken):
            kept_ms = comparison.lag_ms if abs(comparison.lag_ms) > MOVES.kept_lag_ms else 0.0
            its = double[1].onsets.onsets.where(comparison.its_rows[rows])
            apart_ms = comparison.difference_ms[rows] - kept_ms
            earlier_ms = np.maximum(earlier_ms[mine], its.later_ms)
            later_ms = np.maximum(later_ms[mine], its.earlier_ms)
            by_ms, reference = -float(np.median(apart_ms)), f"the {double[0]} take"
            if abs(by_ms) < MOVES.least_share * timing.tolerance_ms or by_ms * offset_ms > 0:
                return None
    by_ms = round(by_ms, 1)
    if _may_harm(apart_ms, later_ms if by_ms > 0 else -earlier_ms, by_ms):
        return None
    span_s = _span_s(take, float(taken.onsets.at_s[0]), float(taken.onsets.at_s[-1]), by_ms / 1000)
    if span_s is None:
        return None
    points = [onset.point for onset in taken if onset.point]
    where = points[0].text if len(points) == 1 else f"{points[0].text} to {points[-1].text}"
    why = f"{where}, {name}: {_difference_words(-by_ms)} {reference}"
    return Proposal(round(span_s[0], 4), round(span_s[1], 4), by_ms, taken, why)


def _may_harm(apart_ms: FloatArray, doubt_ms: FloatArray, by_ms: float) -> bool:
    """Whether a move would take onsets farther away if they began as early, or as late, as they may have.

    `apart_ms` is how far each is from where it should be, and `doubt_ms` by how much later it may be.
    """
    least_ms = float(np.median(apart_ms + 1 / np.sqrt(len(apart_ms)) * doubt_ms))
    return by_ms * (2 * least_ms + by_ms) > 0


def _span_s(take: AlignedTake, first_s: float, last_s: float, by_s: float) -> tuple[float, float] | None:
    """Where a move of the onsets first to last is cut; None where it would repeat an attack."""
    at_s = take.onsets.onsets.at_s
    following = at_s[np.searchsorted(at_s, last_s + 1e-9, "right") :]
    earlier = at_s[: np.searchsorted(at_s, first_s - 1e-9)]
    start = max(first_s - MOVES.before_onset_s, 0.0)
    stop = float(following[0]) - MOVES.before_onset_s if len(following) else last_s + MOVES.after_last_s
    ring_s = MOVES.least_ring_s
    # A later move repeats sound before its start, an earlier one sound before its end.
    if by_s > 0 and len(earlier) and earlier[-1] + ring_s > start - by_s:
        return None
    if by_s < 0 and (last_s + ring_s > stop + by_s or (len(earlier) and earlier[-1] + ring_s > start + by_s)):
        return None
    return None if first_s + by_s < 0 else (start, stop)


def _difference_words(ms: float) -> str:
    """34 ms ahead of / 34 ms behind."""
    return f"{abs(ms):.0f} ms {'behind' if ms > 0 else 'ahead of'}"

"""Onsets aligned to the grid: each onset is matched to the sixteenth it was meant for, or to none.

Offsets are ms after (before when negative) the grid point. Where in a beat a take plays is learned from the take: a
sixteenth it never plays attracts no stray onset, and one it always plays late (swing, triplets) is style, not a fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from layerpipe.analysis.onsets.onset import Onset, Onsets
from layerpipe.analysis.timing.grid.aligned import (
    LEAST_CONFIDENCE,
    NO_KEY,
    AlignedOnsets,
    AlignedTake,
    IntArray,
    Points,
    Rows,
    key_of,
)
from layerpipe.analysis.timing.grid.count_in import count_in_of
from layerpipe.analysis.timing.grid.rake_targets import swells_s
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.tempo_map import TempoMap


@dataclass(frozen=True)
class AlignmentLimits:
    """Which onset may belong to which grid point; common practice of strummed takes, no source."""

    least_used: float = 0.08  # a sixteenth played less often than this share of the most played one is not used
    stray_share: float = 0.62  # of a sixteenth; farther from where the take plays, an onset is not meant for it
    fill_share: float = 0.3  # a fill is within this share of a sixteenth of any grid point
    pick_up_ms: float = 30.0  # a pick-up is this near to where the take plays
    fewest: int = 6  # onsets of a sixteenth that show where it is usually played
    swing_ms: float = 12.0  # a sixteenth is swung if it is usually farther than this from the others
    reach_s: float = 0.22  # farther grid points are not considered; most sixteenths are closer together
    at_once_s: float = 120.0  # the grid of a long song has hundreds of thousands of points


ALIGNMENT = AlignmentLimits()


class Matches(NamedTuple):
    """Grid points, and how late an onset is for each in ms."""

    points: Points
    offset_ms: FloatArray

    def where(self, rows: Rows) -> Matches:
        """Some of them."""
        return Matches(self.points.where(rows), self.offset_ms[rows])


def align_onsets(onsets: Iterable[Onset], heard_s: Sequence[float] | FloatArray, tempo_map: TempoMap,
                 doubtful_s: Sequence[float] = ()) -> AlignedTake:
    """Match a take's onsets to the grid.

    Parameters
    ----------
    onsets : Onsets, or iterable of Onset
    heard_s : sequence of float
        When each is heard, seconds; its time in the file unless moves are applied.
    tempo_map : TempoMap
    doubtful_s : sequence of float
        Times of rejected candidates.

    Returns
    -------
    AlignedTake
    """
    onsets, heard_s = Onsets.of(onsets), np.asarray(heard_s, np.float64)
    if not tempo_map.has_grid or not onsets:
        unknown = np.full(len(onsets), np.nan)
        aligned = AlignedOnsets(onsets, heard_s, Points(np.full(len(onsets), NO_KEY), unknown), unknown,
                                np.zeros(len(onsets)), np.zeros(1), tempo_map)
        return AlignedTake(aligned, None, None, {}, doubtful_s=tuple(doubtful_s))
    swell_s = swells_s(onsets, tempo_map, heard_s)
    targets_s = heard_s + swell_s
    nearest = nearest_points(tempo_map, targets_s)
    kinds, counts = np.unique(nearest.points.sixteenth, return_counts=True)
    used = kinds[counts >= ALIGNMENT.least_used * counts.max()]
    usual_ms = _usual_offsets_ms(nearest.where(np.isin(nearest.points.sixteenth, used)))
    matches = _meant(tempo_map, targets_s, used, usual_ms)
    free_intro = _drop_free_intro(matches, onsets, targets_s, tempo_map, usual_ms)
    _drop_doubles(matches, usual_ms)
    is_reliable = matches.points.known & (onsets.confidence >= LEAST_CONFIDENCE)
    reliable = matches.where(is_reliable)
    swing_ms = _swing_ms(reliable)
    average_ms = float(np.median(reliable.offset_ms)) if len(reliable.offset_ms) else None
    aligned = AlignedOnsets(onsets, heard_s, matches.points, matches.offset_ms, swell_s, _table_ms(
        swing_ms, average_ms if average_ms is not None else 0.0, matches.points.sixteenth), tempo_map)
    spread_ms = robust_spread(aligned.deviation_ms[is_reliable]) if len(reliable.offset_ms) >= 4 else None
    return AlignedTake(aligned, average_ms, spread_ms, swing_ms, free_intro, tuple(doubtful_s))


def nearest_points(tempo_map: TempoMap, times_s: FloatArray) -> Matches:
    """The grid point that is nearest to each time."""
    found = _no_matches(len(times_s))
    for here, near in _candidates(tempo_map, times_s):
        _set(found, here, near.where(np.s_[:, 0]))
    return found


def robust_spread(values: FloatArray) -> float:
    """Standard deviation estimated from the median absolute deviation (1.4826 times it), unmoved by outliers.

    Example
    -------
    >>> round(robust_spread(np.array([-1.0, 0.0, 1.0, 90.0])), 4)
    1.4826
    """
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def _candidates(tempo_map: TempoMap, times_s: FloatArray) -> Iterator[tuple[slice, Matches]]:
    """Some times after others, and the grid points within reach of each, nearest first; arrays of shape (times, most
    points near one). Where one has fewer points, infinitely late ones are left."""
    edges = np.flatnonzero(np.diff(times_s // ALIGNMENT.at_once_s, prepend=np.nan, append=np.nan)).tolist()
    for here in map(slice, edges, edges[1:]):
        at_s, reach_s = times_s[here], ALIGNMENT.reach_s
        grid = tempo_map.grid_s(float(at_s.min()) - reach_s, float(at_s.max()) + reach_s)
        firsts, ends = (np.searchsorted(grid.time_s, at_s + reach) for reach in (-reach_s, reach_s))
        numbers = firsts[:, np.newaxis] + np.arange(max(int((ends - firsts).max()), 1))
        is_near = numbers < ends[:, np.newaxis]
        key, time_s = (np.append(column, 0)[np.where(is_near, numbers, -1)] for column in (
            key_of(grid.bar, grid.beat, grid.sixteenth), grid.time_s))
        offset_ms = np.where(is_near, (at_s[:, np.newaxis] - time_s) * 1000, np.inf)
        for row in np.flatnonzero(firsts == ends).tolist():
            place = tempo_map.place_of(float(at_s[row]))
            key[row, 0] = key_of(*np.array([place[:3]], np.int64).T)[0]
            time_s[row, 0], offset_ms[row, 0] = float(at_s[row]) - place.late_s, place.late_s * 1000
        order = np.abs(offset_ms).argsort(axis=1, kind="stable")
        key, time_s, offset_ms = (np.take_along_axis(column, order, axis=1) for column in (key, time_s, offset_ms))
        yield here, Matches(Points(key, time_s), offset_ms)


def _no_matches(count: int) -> Matches:
    """None at all."""
    return Matches(Points(np.full(count, NO_KEY), np.full(count, np.nan)), np.full(count, np.nan))


def _set(matches: Matches, rows: Rows, to: Matches) -> None:
    """Change some matches."""
    matches.points.key[rows], matches.points.time_s[rows] = to.points
    matches.offset_ms[rows] = to.offset_ms


def _drop(matches: Matches, rows: IntArray) -> None:
    """Take the grid points of some onsets away."""
    _set(matches, rows, _no_matches(len(rows)))


def _usual_offsets_ms(matches: Matches) -> dict[int, float]:
    """Median offset of each sixteenth of the beat; key 0 is the median of all."""
    usual = {0: float(np.median(matches.offset_ms)) if len(matches.offset_ms) else 0.0}
    for kind, count in zip(*np.unique(matches.points.sixteenth, return_counts=True), strict=True):
        if count >= ALIGNMENT.fewest:
            usual[int(kind)] = float(np.median(matches.offset_ms[matches.points.sixteenth == kind]))
    return usual


def _table_ms(values_ms: dict[int, float], otherwise_ms: float, sixteenth: IntArray) -> FloatArray:
    """Values of all sixteenths, by their number in the beat."""
    table_ms = np.full(int(sixteenth.max(initial=0)) + 1, otherwise_ms)
    for kind, value_ms in values_ms.items():
        if 0 < kind < len(table_ms):
            table_ms[kind] = value_ms
    return table_ms


def _deviations(matches: Matches, usual_ms: dict[int, float]) -> FloatArray:
    """Distance of onsets from where the take usually plays the grid point, ms."""
    sixteenth = matches.points.sixteenth
    return np.abs(matches.offset_ms - _table_ms(usual_ms, usual_ms[0], sixteenth)[sixteenth])


def _meant(tempo_map: TempoMap, targets_s: FloatArray, used: IntArray, usual_ms: dict[int, float]) -> Matches:
    """The grid point that each onset belongs to, if any."""
    meant = _no_matches(len(targets_s))
    for here, near in _candidates(tempo_map, targets_s):
        bars, bar = np.unique(near.points.bar[:, 0], return_inverse=True)
        sixteenth_ms = np.array([1000 * tempo_map.beat_s(one) / tempo_map.meter_at(one).sixteenths
                                 for one in bars.tolist()])[bar]
        apart_ms = np.where(np.isin(near.points.sixteenth, used), _deviations(near, usual_ms), np.inf)
        best = apart_ms.argmin(axis=1)
        rows = np.arange(len(best))
        is_played = apart_ms[rows, best] <= ALIGNMENT.stray_share * sixteenth_ms
        # Too far from where the take plays; a fill if it is on a sixteenth.
        is_fill = np.abs(near.offset_ms[:, 0]) <= ALIGNMENT.fill_share * sixteenth_ms
        rows = np.flatnonzero(is_played | is_fill)
        _set(meant, here.start + rows, near.where((rows, np.where(is_played, best, 0)[rows])))
    return meant


def _drop_free_intro(matches: Matches, onsets: Onsets, targets_s: FloatArray, tempo_map: TempoMap,
                     usual_ms: dict[int, float]) -> int:
    """Remove the grid points before bar 1 but for a pick-up in time; how many onsets are free.

    A pick-up is in the bar before bar 1, all of it in time up to bar 1; a count-in is none.
    """
    points = matches.points
    before = np.flatnonzero(np.where(points.known, points.bar < 1, targets_s < tempo_map.downbeat_s(1)))
    there = matches.where(before)
    is_pick_up = (there.points.known & (there.points.bar == 0)
                  & (_deviations(there, usual_ms) <= ALIGNMENT.pick_up_ms))
    last = before[~is_pick_up][-1:]
    free = before[before < max(count_in_of(onsets).strokes, *(last + 1).tolist(), 0)]
    _drop(matches, free)
    return len(free)


def _drop_doubles(matches: Matches, usual_ms: dict[int, float]) -> None:
    """Of onsets at one grid point, the one nearest to where the take usually plays keeps it."""
    known = np.flatnonzero(matches.points.known)
    there = matches.where(known)
    order = np.lexsort((known, _deviations(there, usual_ms), there.points.key))
    _drop(matches, known[order[1:][np.diff(there.points.key[order]) == 0]])


def _swing_ms(matches: Matches) -> dict[int, float]:
    """Sixteenths of the beat that are consistently apart from the rest: swing and triplets."""
    kinds = {int(kind): matches.offset_ms[matches.points.sixteenth == kind]
             for kind in np.unique(matches.points.sixteenth)}
    if not kinds:
        return {}
    on_beat = kinds.get(1, np.zeros(0))
    base = float(np.median(on_beat if len(on_beat) >= ALIGNMENT.fewest else matches.offset_ms))
    found = {}
    for kind, offsets_ms in kinds.items():
        apart = abs(float(np.median(offsets_ms)) - base)
        if (len(offsets_ms) >= ALIGNMENT.fewest and apart > ALIGNMENT.swing_ms
                and robust_spread(offsets_ms) < apart):
            found[kind] = float(np.median(offsets_ms))
    if found and 1 not in found and len(on_beat) >= ALIGNMENT.fewest:
        found[1] = base
    return found

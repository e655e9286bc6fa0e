"""Onsets aligned to the grid: each onset is matched to the sixteenth it was meant for, or to none.

Offsets are ms after (before when negative) the grid point. Where in a beat a take plays is learned from the take: a
sixteenth it never plays attracts no stray onset, and one it always plays late (swing, triplets) is style, not a fault.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from layerpipe.analysis.onsets.detect import Onset
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
    least_confidence: float = 0.35  # onsets below it do not enter statistics
    reach_s: float = 0.22  # farther grid points are not considered; most sixteenths are closer together


ALIGNMENT = AlignmentLimits()


@dataclass(frozen=True, slots=True)
class GridPoint:
    """A sixteenth of the grid; bars, beats and sixteenths count from 1."""

    bar: int
    beat: int
    sixteenth: int
    time_s: float = field(compare=False)
    tempo_map: TempoMap = field(compare=False, repr=False)

    @property
    def text(self) -> str:
        """The position as recipes write it."""
        return self.tempo_map.text_of(self.time_s)

    @property
    def order(self) -> tuple[int, int, int]:
        """What grid points are sorted by."""
        return self.bar, self.beat, self.sixteenth


@dataclass(frozen=True, slots=True)
class AlignedOnset:
    """An onset and its grid point."""

    onset: Onset
    heard_s: float
    """When it is heard once the moves of the recipe are applied."""
    point: GridPoint | None = None
    offset_ms: float | None = None
    """How late it is for its grid point."""
    deviation_ms: float | None = None
    """How late it is for where this take usually plays that sixteenth."""
    swell_s: float = 0.0
    """How long before its target it begins: for a rake whose last string is on the beat, else 0."""

    @property
    def target_s(self) -> float:
        """When its target is heard; this is what is on the grid or off it."""
        return self.heard_s + self.swell_s

    @property
    def is_reliable(self) -> bool:
        """Whether it enters statistics."""
        return self.point is not None and self.onset.confidence >= ALIGNMENT.least_confidence


@dataclass(frozen=True)
class AlignedTake:
    """A take's onsets in order, its average offset (median) and spread; None without a grid or with too few onsets."""

    onsets: tuple[AlignedOnset, ...]
    average_offset_ms: float | None
    spread_ms: float | None
    swing_ms: dict[int, float]
    """Average offset of each sixteenth of the beat that has one of its own."""
    free_intro: int = 0
    """Onsets before bar 1 that follow no grid."""
    doubtful_s: tuple[float, ...] = ()
    """Times of rejected candidates."""
    span_s: tuple[float, float] = (-math.inf, math.inf)
    """Where the take's files are; an overdub plays a part of the song."""

    @cached_property
    def points(self) -> list[GridPoint]:
        """Grid points of all onsets that have one."""
        return [onset.point for onset in self.onsets if onset.point]

    @cached_property
    def reliable(self) -> dict[GridPoint, AlignedOnset]:
        """The onsets that enter statistics, in order; no two have one grid point."""
        return {onset.point: onset for onset in self.onsets if onset.is_reliable and onset.point}


Match = tuple[GridPoint, float]
"""A grid point, and how late an onset is for it in ms."""


def align_onsets(onsets: Sequence[Onset], heard_s: Sequence[float], tempo_map: TempoMap,
                 doubtful_s: Sequence[float] = ()) -> AlignedTake:
    """Match a take's onsets to the grid.

    Parameters
    ----------
    onsets : sequence of Onset
    heard_s : sequence of float
        When each is heard, seconds; its time in the file unless moves are applied.
    tempo_map : TempoMap
    doubtful_s : sequence of float
        Times of rejected candidates.

    Returns
    -------
    AlignedTake
    """
    if not tempo_map.has_grid or not onsets:
        return AlignedTake(tuple(AlignedOnset(onset, at) for onset, at in zip(onsets, heard_s, strict=True)), None,
                           None, {}, doubtful_s=tuple(doubtful_s))
    swells = swells_s(onsets, tempo_map, heard_s)
    targets_s = [float(at + swell) for at, swell in zip(heard_s, swells, strict=True)]
    candidates = grid_candidates(tempo_map, targets_s)
    counted = Counter(near[0][0].sixteenth for near in candidates)
    most = max(counted.values())
    used = {kind for kind, count in counted.items() if count >= ALIGNMENT.least_used * most}
    usual_ms = _usual_offsets_ms(candidates, used)
    sixteenths_ms = {bar: 1000 * tempo_map.beat_s(bar) / tempo_map.meter_at(bar).sixteenths
                     for bar in {near[0][0].bar for near in candidates}}
    matches = [_match(near, used, usual_ms, sixteenths_ms[near[0][0].bar]) for near in candidates]
    free_intro = _drop_free_intro(matches, onsets, targets_s, tempo_map, usual_ms)
    _drop_doubles(matches, usual_ms)
    offsets = np.array([match[1] for match, onset in zip(matches, onsets, strict=True)
                        if match and onset.confidence >= ALIGNMENT.least_confidence])
    swing_ms = _swing_ms(matches, onsets)
    average_ms = float(np.median(offsets)) if len(offsets) else None
    aligned = tuple(
        AlignedOnset(onset, at, swell_s=float(swell)) if match is None else
        AlignedOnset(onset, at, match[0], match[1],
                     match[1] - swing_ms.get(match[0].sixteenth, average_ms if average_ms is not None else 0.0),
                     float(swell))
        for onset, at, swell, match in zip(onsets, heard_s, swells, matches, strict=True))
    deviations = np.array([onset.deviation_ms for onset in aligned if onset.is_reliable])
    spread_ms = robust_spread(deviations) if len(deviations) >= 4 else None
    return AlignedTake(aligned, average_ms, spread_ms, swing_ms, free_intro, tuple(doubtful_s))


def grid_candidates(tempo_map: TempoMap, times_s: Sequence[float]) -> list[list[Match]]:
    """Grid points within reach of each time, nearest first."""
    reach_s = ALIGNMENT.reach_s
    grid = tempo_map.grid_s(min(times_s) - reach_s, max(times_s) + reach_s)
    firsts, ends = (np.searchsorted(grid[0], np.array(times_s) + reach).tolist() for reach in (-reach_s, reach_s))
    points = [GridPoint(bar, beat, step, time, tempo_map)
              for time, bar, beat, step in zip(*(column.tolist() for column in grid), strict=True)]
    found = []
    for at, first, end in zip(times_s, firsts, ends, strict=True):
        near = [(point, (at - point.time_s) * 1000) for point in points[first:end]]
        if not near:
            place = tempo_map.place_of(at)
            point = GridPoint(place.bar, place.beat, place.sixteenth, at - place.late_s, tempo_map)
            near = [(point, place.late_s * 1000)]
        found.append(sorted(near, key=lambda match: abs(match[1])))
    return found


def robust_spread(values: FloatArray) -> float:
    """Standard deviation estimated from the median absolute deviation (1.4826 times it), unmoved by outliers.

    Example
    -------
    >>> round(robust_spread(np.array([-1.0, 0.0, 1.0, 90.0])), 4)
    1.4826
    """
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def _usual_offsets_ms(candidates: list[list[Match]], used: set[int]) -> dict[int, float]:
    """Median offset of each sixteenth of the beat; key 0 is the median of all."""
    offsets: dict[int, list[float]] = {0: []}
    for near in candidates:
        point, offset = near[0]
        if point.sixteenth in used:
            offsets[0].append(offset)
            offsets.setdefault(point.sixteenth, []).append(offset)
    usual = {kind: float(np.median(of_kind)) for kind, of_kind in offsets.items() if len(of_kind) >= ALIGNMENT.fewest}
    usual.setdefault(0, float(np.median(offsets[0])) if offsets[0] else 0.0)
    return usual


def _deviation(match: Match, usual_ms: dict[int, float]) -> float:
    """Distance of an onset from where the take usually plays the grid point, ms."""
    return abs(match[1] - usual_ms.get(match[0].sixteenth, usual_ms[0]))


def _match(near: list[Match], used: set[int], usual_ms: dict[int, float], sixteenth_ms: float) -> Match | None:
    """The grid point an onset belongs to, if any."""
    best = min((match for match in near if match[0].sixteenth in used), key=lambda match: _deviation(match, usual_ms),
               default=None)
    if best and _deviation(best, usual_ms) <= ALIGNMENT.stray_share * sixteenth_ms:
        return best
    # Too far from where the take plays; a fill if it is on a sixteenth.
    return near[0] if abs(near[0][1]) <= ALIGNMENT.fill_share * sixteenth_ms else None


def _drop_free_intro(matches: list[Match | None], onsets: Sequence[Onset], targets_s: Sequence[float],
                     tempo_map: TempoMap, usual_ms: dict[int, float]) -> int:
    """Remove the grid points before bar 1 but for a pick-up in time; how many onsets are free.

    A pick-up is in the bar before bar 1, all of it in time up to bar 1; a count-in is none.
    """
    bar_one_s = tempo_map.downbeat_s(1)
    before = [n for n, match in enumerate(matches)
              if (targets_s[n] < bar_one_s if match is None else match[0].bar < 1)]
    free = count_in_of(onsets).strokes
    for n in reversed(before):
        match = matches[n]
        if not (match and match[0].bar == 0 and _deviation(match, usual_ms) <= ALIGNMENT.pick_up_ms):
            free = max(free, n + 1)
            break
    for n in before:
        if n < free:
            matches[n] = None
    return sum(n < free for n in before)


def _drop_doubles(matches: list[Match | None], usual_ms: dict[int, float]) -> None:
    """Of two onsets at one grid point, the one nearer to where the take usually plays keeps it."""
    holder: dict[GridPoint, int] = {}
    for n, match in enumerate(matches):
        if match is None:
            continue
        rival = holder.get(match[0])
        rival_match = matches[rival] if rival is not None else None
        if rival is None or rival_match is None:
            holder[match[0]] = n
        elif _deviation(match, usual_ms) < _deviation(rival_match, usual_ms):
            matches[rival] = None
            holder[match[0]] = n
        else:
            matches[n] = None


def _swing_ms(matches: Sequence[Match | None], onsets: Sequence[Onset]) -> dict[int, float]:
    """Sixteenths of the beat that are consistently apart from the rest: swing and triplets."""
    kinds: dict[int, list[float]] = {}
    for match, onset in zip(matches, onsets, strict=True):
        if match is not None and onset.confidence >= ALIGNMENT.least_confidence:
            kinds.setdefault(match[0].sixteenth, []).append(match[1])
    everything = [offset for offsets in kinds.values() for offset in offsets]
    if not everything:
        return {}
    on_beat = kinds.get(1, [])
    base = float(np.median(on_beat if len(on_beat) >= ALIGNMENT.fewest else everything))
    found = {}
    for kind, offsets in kinds.items():
        apart = abs(float(np.median(offsets)) - base)
        if (len(offsets) >= ALIGNMENT.fewest and apart > ALIGNMENT.swing_ms
                and robust_spread(np.array(offsets)) < apart):
            found[kind] = float(np.median(offsets))
    if found and 1 not in found and len(on_beat) >= ALIGNMENT.fewest:
        found[1] = base
    return found

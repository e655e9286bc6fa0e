"""Which of equally large groups of takes is in place: the one on the grid, or the one that starts where bars do."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from layerpipe.analysis.takes_compared.matching import Events
from layerpipe.analysis.takes_compared.song_takes import ComparedTake
from layerpipe.recipe.tempo_map import TempoMap

BETTER_FIT = 0.15
"""By how much a group must fit the grid better (1 is exactly, 0 at random): three standard errors of 90 onsets."""
LEAST_FIT = 0.6
"""From how well a group must fit for the grid to decide: two annotated real players fit theirs by 0 to .5, because
where it lies is only known to some tens of ms, and plucked and struck takes that follow a click by .75 and more."""
FEWEST_ON_GRID = 16
START_MS = 90.0
"""How near to a downbeat a take starts that starts with a bar."""


def right_group(groups: Sequence[Sequence[int]], places_ms: Sequence[float], takes: Sequence[ComparedTake],
                tempo_map: TempoMap | None) -> int | None:
    """Choose the group that is in place.

    Parameters
    ----------
    groups : sequence of groups of takes
    places_ms : sequence of float
        Where each group lies.
    takes : sequence of ComparedTake
    tempo_map : TempoMap, optional

    Returns
    -------
    int or None
        None where neither the grid nor the starts decide, or they contradict each other.
    """
    if tempo_map is None or not tempo_map.has_grid:
        return None
    fits = [max(grid_fit(takes[n].events, tempo_map) for n in group) for group in groups]
    order = np.argsort(fits)[::-1]
    best = int(order[0])
    fits_well = fits[best] >= LEAST_FIT
    rivals = [int(n) for n in order if not fits_well or fits[n] >= fits[best] - BETTER_FIT]
    if len(rivals) > 1:
        # A group off by whole beats fits the grid as well; then one that starts in bar 1, or with a bar, is right.
        return _well_begun(rivals, groups, places_ms, takes, tempo_map)
    # Slow attacks are heard where they are not meant; then a wrong place may fit better by chance.
    begun = _well_begun([int(n) for n in order], groups, places_ms, takes, tempo_map)
    return best if begun in (None, best) else None


def _well_begun(rivals: Sequence[int], groups: Sequence[Sequence[int]], places_ms: Sequence[float],
                takes: Sequence[ComparedTake], tempo_map: TempoMap) -> int | None:
    """The only group that starts in bar 1 or, if none does, with a bar, far from the others."""
    for starts in (_starts_bar_one, _starts_a_bar):
        begun = [n for n in rivals if any(starts(takes[k].events, tempo_map) for k in groups[n])]
        if len(begun) == 1 and all(abs(places_ms[begun[0]] - places_ms[n]) > START_MS for n in rivals if n != begun[0]):
            return begun[0]
    return None


def grid_fit(events: Events, tempo_map: TempoMap) -> float:
    """How well onsets lie on sixteenths: the mean cosine of their distances, 1 on the grid and 0 anywhere; a
    resultant length towards zero (Fisher, Statistical Analysis of Circular Data, Cambridge University Press, 1993)."""
    if len(events.time_s) < FEWEST_ON_GRID:
        return 0.0
    grid_s = tempo_map.grid_s(float(events.time_s[0]) - 4.0, float(events.time_s[-1]) + 4.0).time_s
    after = np.clip(np.searchsorted(grid_s, events.time_s), 1, len(grid_s) - 1)
    spacing_s = grid_s[after] - grid_s[after - 1]
    return float(np.mean(np.cos(2 * np.pi * (events.time_s - grid_s[after - 1]) / spacing_s)))


def _starts_bar_one(events: Events, tempo_map: TempoMap) -> bool:
    return abs(float(events.time_s[0]) - tempo_map.downbeat_s(1)) * 1000 < START_MS


def _starts_a_bar(events: Events, tempo_map: TempoMap) -> bool:
    first_s = float(events.time_s[0])
    bar = tempo_map.bar_at(first_s)
    return min(abs(first_s - tempo_map.downbeat_s(n)) for n in (bar, bar + 1)) * 1000 < START_MS

"""Faint, light and added onsets that count because the take usually plays there: very soft or muted strums."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.onsets.detect import Detection, Onset
from layerpipe.analysis.timing.grid.align import GridPoint, align_onsets, grid_candidates
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.tempo_map import TempoMap


@dataclass(frozen=True)
class ExpectationLimits:
    """When a take shows where its faint and light onsets are to be expected."""

    fewest_onsets: int = 24
    played_share: float = 0.35  # the place is played in this share of the bars, firmly or lightly
    near_ms: float = 35.0  # distance of a faint or light onset from where it is expected
    apart_s: float = 0.06  # distance from every other onset
    chance: float = 0.05  # of added strokes at most this share would be there by chance
    rest_s: float = 2.0  # in longer rests nothing rings long enough to say what is there by chance


EXPECTATION = ExpectationLimits()


def onsets_with_expected(detection: Detection, tempo_map: TempoMap,
                         as_heard: Callable[[float], float] = float) -> list[Onset]:
    """Onsets of a take, with faint, light and added ones at grid points it usually plays, where nothing else was found.

    Parameters
    ----------
    detection : Detection
    tempo_map : TempoMap
    as_heard : callable
        When a moment of the file is heard once moves are applied.

    Returns
    -------
    list of Onset
        In order of time.
    """
    certain, candidates = detection.onsets, [*detection.faint, *detection.light, *detection.added]
    quiet = set(detection.added)
    if not tempo_map.has_grid or not candidates or len(certain) < EXPECTATION.fewest_onsets:
        return list(certain)
    aligned = align_onsets(certain, [as_heard(onset.at_s) for onset in certain], tempo_map)
    points = aligned.points
    if not points:
        return list(certain)
    taken, last_bar = set(points), max(point.bar for point in points)
    times = np.array([onset.at_s for onset in certain])
    found: dict[GridPoint, Onset] = {}
    added: dict[GridPoint, Onset] = {}
    for onset, near in zip(candidates, grid_candidates(tempo_map, [as_heard(onset.at_s) for onset in candidates]),
                           strict=True):
        point, offset_ms = near[0]
        deviation_ms = offset_ms - aligned.swing_ms.get(point.sixteenth, aligned.average_offset_ms or 0.0)
        alone = np.min(np.abs(times - onset.at_s)) > EXPECTATION.apart_s
        kept = added if onset in quiet else found
        if (alone and point not in taken and 1 <= point.bar <= last_bar and abs(deviation_ms) < EXPECTATION.near_ms
                and (point not in kept or onset.rise_db > kept[point].rise_db)):
            kept[point] = onset
    # What was rejected shows no pattern: fingers squeak at the same place of every bar.
    rejected = set(detection.faint)
    played, weak = (Counter((point.beat, point.sixteenth) for point in listed) for listed in (
        [*taken, *(point for point, onset in found.items() if onset not in rejected)], added))
    bars = len({point.bar for point in points})
    usual = {place for place, count in played.items() if count >= EXPECTATION.played_share * bars}
    often = {place for place, count in (played + weak).items() if count >= EXPECTATION.played_share * bars}
    expected = {point: onset for point, onset in found.items() if (point.beat, point.sixteenth) in usual}
    there = {onset for point, onset in added.items()
             if (point.beat, point.sixteenth) in often and point not in expected}
    empty = max(len(often) * bars - sum(played[place] for place in often), 1)
    there = _more_than_by_chance(there, quiet - there, empty, times)
    return sorted([*certain, *expected.values(), *(replace(onset, rise_db=0.0) for onset in there)],
                  key=lambda onset: onset.at_s)


def _more_than_by_chance(there: set[Onset], elsewhere: set[Onset], places: int, certain_s: FloatArray) -> set[Onset]:
    """The strongest of the onsets in some places of the grid, as long as far fewer that are as strong lie elsewhere.

    Beating strings, vibrato and tremolo change phases anywhere, on the grid and off it, so what is found off it shows
    how much chance finds. Limiting the share found by chance: Benjamini and Hochberg, J. R. Stat. Soc. B 57(1), 1995.
    """
    places_s = places * 2 * EXPECTATION.near_ms / 1000
    free_s = np.clip(np.diff(certain_s), 0, EXPECTATION.rest_s) - 2 * EXPECTATION.apart_s
    elsewhere_s = max(float(np.clip(free_s, 0, None).sum()) - places_s, places_s)
    ordered = sorted(there, key=lambda onset: onset.rise_db, reverse=True)
    rises_db, others_db = (np.array([onset.rise_db for onset in listed]) for listed in (ordered, elsewhere))
    by_chance = (1 + (others_db >= rises_db[:, np.newaxis]).sum(axis=1)) * places_s / elsewhere_s
    enough = np.flatnonzero(by_chance <= EXPECTATION.chance * np.arange(1, len(ordered) + 1))
    return set(ordered[: int(enough[-1]) + 1]) if len(enough) else set()

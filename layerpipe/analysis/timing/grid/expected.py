"""Faint, light and added onsets that count because the take usually plays there: very soft or muted strums."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.onset import Detection, Onsets
from layerpipe.analysis.timing.grid.align import align_onsets, nearest_points
from layerpipe.analysis.timing.grid.aligned import IntArray
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
                         as_heard: Callable[[FloatArray], FloatArray] = np.asarray) -> Onsets:
    """Onsets of a take, with faint, light and added ones at grid points it usually plays, where nothing else was found.

    Parameters
    ----------
    detection : Detection
    tempo_map : TempoMap
    as_heard : callable
        When moments of the file are heard once moves are applied.

    Returns
    -------
    Onsets
        In order of time.
    """
    certain, candidates = detection.onsets, Onsets.joined([detection.faint, detection.light, detection.added])
    if not tempo_map.has_grid or not candidates or len(certain) < EXPECTATION.fewest_onsets:
        return certain
    aligned = align_onsets(certain, as_heard(certain.at_s), tempo_map)
    taken = aligned.onsets.points.key[aligned.onsets.points.known]
    if not len(taken):
        return certain
    points, offset_ms = nearest_points(tempo_map, as_heard(candidates.at_s))
    deviation_ms = offset_ms - np.array([aligned.swing_ms.get(kind, aligned.average_offset_ms or 0.0)
                                         for kind in points.sixteenth.tolist()])
    after = np.clip(np.searchsorted(certain.at_s, candidates.at_s), 1, len(certain) - 1)
    apart_s = np.minimum(np.abs(certain.at_s[after - 1] - candidates.at_s),
                         np.abs(certain.at_s[after] - candidates.at_s))
    may_be = ((apart_s > EXPECTATION.apart_s) & ~np.isin(points.key, taken) & (points.bar >= 1)
              & (points.bar <= aligned.bars.max()) & (np.abs(deviation_ms) < EXPECTATION.near_ms))
    # What was rejected shows no pattern: fingers squeak at the same place of every bar.
    rejected, quiet_from = len(detection.faint), len(candidates) - len(detection.added)
    found: dict[int, int] = {}
    added: dict[int, int] = {}
    for n in np.flatnonzero(may_be).tolist():
        kept, key = added if n >= quiet_from else found, int(points.key[n])
        if key not in kept or candidates.rise_db[n] > candidates.rise_db[kept[key]]:
            kept[key] = n
    place = points.place.tolist()
    played = Counter(aligned.onsets.points.place[aligned.onsets.points.known].tolist())
    played.update(place[n] for n in found.values() if n >= rejected)
    weak = Counter(place[n] for n in added.values())
    bars = len(np.unique(aligned.bars))
    usual = {one for one, count in played.items() if count >= EXPECTATION.played_share * bars}
    often = {one for one, count in (played + weak).items() if count >= EXPECTATION.played_share * bars}
    expected = {key: n for key, n in found.items() if place[n] in usual}
    there = np.array([n for key, n in added.items() if place[n] in often and key not in expected], np.intp)
    empty = max(len(often) * bars - sum(played[one] for one in often), 1)
    elsewhere = np.setdiff1d(np.arange(quiet_from, len(candidates)), there)
    there = there[_more_than_by_chance(candidates.rise_db[there], candidates.rise_db[elsewhere], empty, certain.at_s)]
    if not expected and not len(there):
        return certain
    candidates.rise_db[there] = 0.0
    whole = Onsets.joined([certain, candidates.where(list(expected.values())), candidates.where(there)])
    return whole.where(np.argsort(whole.at_s, kind="stable"))


def _more_than_by_chance(there_db: FloatArray, elsewhere_db: FloatArray, places: int,
                         certain_s: FloatArray) -> IntArray:
    """The strongest of the onsets in some places of the grid, as long as far fewer that are as strong lie elsewhere.

    Beating strings, vibrato and tremolo change phases anywhere, on the grid and off it, so what is found off it shows
    how much chance finds. Limiting the share found by chance: Benjamini and Hochberg, J. R. Stat. Soc. B 57(1), 1995.
    """
    places_s = places * 2 * EXPECTATION.near_ms / 1000
    free_s = np.clip(np.diff(certain_s), 0, EXPECTATION.rest_s) - 2 * EXPECTATION.apart_s
    elsewhere_s = max(float(np.clip(free_s, 0, None).sum()) - places_s, places_s)
    ordered = np.argsort(-there_db, kind="stable")
    as_strong = len(elsewhere_db) - np.searchsorted(np.sort(elsewhere_db), there_db[ordered])
    by_chance = (1 + as_strong) * places_s / elsewhere_s
    enough = np.flatnonzero(by_chance <= EXPECTATION.chance * np.arange(1, len(ordered) + 1))
    return ordered[: int(enough[-1]) + 1] if len(enough) else ordered[:0]

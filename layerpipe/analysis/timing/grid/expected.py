"""Faint and light onsets that count because the take usually plays there: very soft or muted strums."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.detect import Detection, Onset
from layerpipe.analysis.timing.grid.align import GridPoint, align_onsets, grid_candidates
from layerpipe.recipe.tempo_map import TempoMap


@dataclass(frozen=True)
class ExpectationLimits:
    """When a take shows where its faint and light onsets are to be expected."""

    fewest_onsets: int = 24
    played_share: float = 0.35  # the place is played in this share of the bars, firmly or lightly
    near_ms: float = 35.0  # distance of a faint or light onset from where it is expected
    apart_s: float = 0.06  # distance from every other onset


EXPECTATION = ExpectationLimits()


def onsets_with_expected(detection: Detection, tempo_map: TempoMap,
                         as_heard: Callable[[float], float] = float) -> list[Onset]:
    """Onsets of a take, with faint and light ones at grid points it usually plays and where nothing else was detected.

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
    certain, candidates = detection.onsets, [*detection.faint, *detection.light]
    if not tempo_map.has_grid or not candidates or len(certain) < EXPECTATION.fewest_onsets:
        return list(certain)
    aligned = align_onsets(certain, [as_heard(onset.at_s) for onset in certain], tempo_map)
    points = aligned.points
    if not points:
        return list(certain)
    taken, last_bar = set(points), max(point.bar for point in points)
    times = np.array([onset.at_s for onset in certain])
    found: dict[GridPoint, Onset] = {}
    for onset, near in zip(candidates, grid_candidates(tempo_map, [as_heard(onset.at_s) for onset in candidates]),
                           strict=True):
        point, offset_ms = near[0]
        deviation_ms = offset_ms - aligned.swing_ms.get(point.sixteenth, aligned.average_offset_ms or 0.0)
        alone = np.min(np.abs(times - onset.at_s)) > EXPECTATION.apart_s
        if (alone and point not in taken and 1 <= point.bar <= last_bar and abs(deviation_ms) < EXPECTATION.near_ms
                and (point not in found or onset.rise_db > found[point].rise_db)):
            found[point] = onset
    # What was rejected shows no pattern: fingers squeak at the same place of every bar.
    light = set(detection.light)
    played = Counter((point.beat, point.sixteenth) for point in (
        *taken, *(point for point, onset in found.items() if onset in light)))
    least = EXPECTATION.played_share * len({point.bar for point in points})
    added = [onset for point, onset in found.items() if played[point.beat, point.sixteenth] >= least]
    return sorted([*certain, *added], key=lambda onset: onset.at_s)

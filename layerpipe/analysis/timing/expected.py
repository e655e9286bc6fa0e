"""Faint onsets that count because the take usually plays there: very soft or muted strums."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.detect import Detection, Onset
from layerpipe.analysis.timing.align import GridPoint, align_onsets, grid_candidates
from layerpipe.recipe.tempo_map import TempoMap


@dataclass(frozen=True)
class ExpectationLimits:
    """When a take shows where its faint onsets are to be expected."""

    fewest_onsets: int = 24
    played_share: float = 0.45  # the place is played in this share of the bars
    near_ms: float = 35.0  # distance of a faint onset from where it is expected
    apart_s: float = 0.06  # distance from every other onset


EXPECTATION = ExpectationLimits()


def onsets_with_expected(detection: Detection, tempo_map: TempoMap,
                         as_heard: Callable[[float], float] = float) -> list[Onset]:
    """Onsets of a take, with its faint ones at grid points that it usually plays and where nothing else was detected.

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
    certain = detection.onsets
    if not tempo_map.has_grid or not detection.faint or len(certain) < EXPECTATION.fewest_onsets:
        return list(certain)
    aligned = align_onsets(certain, [as_heard(onset.at_s) for onset in certain], tempo_map)
    points = aligned.points
    if not points:
        return list(certain)
    bars = len({point.bar for point in points})
    played = Counter((point.beat, point.sixteenth) for point in set(points))
    taken, last_bar = set(points), max(point.bar for point in points)
    times = np.array([onset.at_s for onset in certain])
    added: dict[GridPoint, Onset] = {}
    candidates = grid_candidates(tempo_map, [as_heard(onset.at_s) for onset in detection.faint])
    for onset, near in zip(detection.faint, candidates, strict=True):
        point, offset_ms = near[0]
        deviation_ms = offset_ms - aligned.swing_ms.get(point.sixteenth, aligned.average_offset_ms or 0.0)
        expected = (played[point.beat, point.sixteenth] >= EXPECTATION.played_share * bars
                    and 1 <= point.bar <= last_bar)
        alone = np.min(np.abs(times - onset.at_s)) > EXPECTATION.apart_s
        if expected and alone and point not in taken and abs(deviation_ms) < EXPECTATION.near_ms:
            rival = added.get(point)
            if rival is None or onset.rise_db > rival.rise_db:
                added[point] = onset
    return sorted([*certain, *added.values()], key=lambda onset: onset.at_s)

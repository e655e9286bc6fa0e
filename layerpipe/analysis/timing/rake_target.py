"""Where a take's strums are aimed: with their first string, unless strings are spread slowly and the last one is meant.

Which of the two a take does is learned from itself: what lies nearer to the eighths of the song is meant.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from layerpipe.analysis.onsets.detect import Onset
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.tempo_map import TempoMap

FEWEST_SLOW, LEAST_SHARE = 4, 0.1
"""What is spread slowly less often is no habit, and judged by its first string."""


def aims_s(onsets: Sequence[Onset], tempo_map: TempoMap, heard_s: Sequence[float]) -> FloatArray:
    """By how much later than its first string each strum is aimed.

    Parameters
    ----------
    onsets : sequence of Onset
    clock : TempoMap
    heard_s : sequence of float
        Where the first string of each is heard.

    Returns
    -------
    np.ndarray [shape=(onsets,), float64]
        Seconds; 0 for all but slow spreads whose last string is meant.
    """
    spread_s = np.array([onset.spread_ms for onset in onsets]) / 1000
    slow = spread_s > 0
    if slow.sum() < max(FEWEST_SLOW, LEAST_SHARE * len(onsets)):
        return np.zeros(len(onsets))
    times = np.array(heard_s)[slow]
    if _on_eighths(times + spread_s[slow], tempo_map) > _on_eighths(times, tempo_map):
        return spread_s
    return np.zeros(len(onsets))


def _on_eighths(times_s: FloatArray, tempo_map: TempoMap) -> float:
    """How near moments are to eighths: 1 where all are on one, -1 where all are halfway between two."""
    phases = []
    for at_s in times_s:
        place = tempo_map.place_of(float(at_s))
        sixteenth_s = tempo_map.beat_s(place.bar) / tempo_map.meter_at(place.bar).sixteenths
        phases.append((place.late_s / sixteenth_s + place.sixteenth - 1) / 2)
    return float(np.mean(np.cos(2 * np.pi * np.array(phases))))

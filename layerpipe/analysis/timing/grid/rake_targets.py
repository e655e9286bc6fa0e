"""Which string of a rake is played on the beat: the first, or the last.

Each take shows which one it means: the one that is nearer to the eighths of the song.
"""

from __future__ import annotations

import numpy as np

from layerpipe.analysis.onsets.onset import Onsets
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.tempo_map import TempoMap

FEWEST_RAKES, LEAST_SHARE = 4, 0.1
"""With fewer rakes, or a smaller share of the onsets, they are no habit and the first string counts."""


def swells_s(onsets: Onsets, tempo_map: TempoMap, heard_s: FloatArray) -> FloatArray:
    """How long before its target each onset begins.

    Parameters
    ----------
    onsets : Onsets
    tempo_map : TempoMap
    heard_s : np.ndarray [shape=(onsets,)]
        When the first string of each is heard.

    Returns
    -------
    np.ndarray [shape=(onsets,), float64]
        Seconds; 0 for everything but rakes whose last string is on the beat.
    """
    rakes_s, none = onsets.rake_ms / 1000, np.broadcast_to(np.float64(0), len(onsets))
    is_rake = rakes_s > 0
    if is_rake.sum() < max(FEWEST_RAKES, LEAST_SHARE * len(onsets)):
        return none
    times = heard_s[is_rake]
    if _on_eighths(times + rakes_s[is_rake], tempo_map) > _on_eighths(times, tempo_map):
        return rakes_s
    return none


def _on_eighths(times_s: FloatArray, tempo_map: TempoMap) -> float:
    """How near times are to eighths: 1 if all are on one, -1 if all are halfway between two."""
    phases = []
    for at_s in times_s:
        place = tempo_map.place_of(float(at_s))
        sixteenth_s = tempo_map.beat_s(place.bar) / tempo_map.meter_at(place.bar).sixteenths
        phases.append((place.late_s / sixteenth_s + place.sixteenth - 1) / 2)
    return float(np.mean(np.cos(2 * np.pi * np.array(phases))))

"""What should be known besides the statistics of a song's timing: a doubtful tempo or bar 1, free intros, swing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from layerpipe.analysis.timing.grid.aligned import AlignedTake
from layerpipe.analysis.timing.grid.tempo import find_other_tempo
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes.open_takes import OpenTake

FEWEST_TO_DOUBT = 12
"""Onsets of a take that show whether bar 1 is right."""


def other_tempo(recipe: Recipe, tempo_map: TempoMap, aligned: Sequence[AlignedTake]) -> float | None:
    """The likely tempo, if it plainly is not the recipe's; a recipe with tempo changes is believed."""
    if not tempo_map.has_grid or recipe.tempo or recipe.song.tempo is None:
        return None
    placed = [take.onsets.where(take.onsets.points.known) for take in aligned]
    if not any(len(one) for one in placed):
        return None
    return find_other_tempo(np.concatenate([one.target_s for one in placed]),
                            np.concatenate([one.onsets.confidence for one in placed]) + 1e-3,
                            np.concatenate([one.offset_ms for one in placed]), recipe.song.tempo,
                            3 if tempo_map.meter_at(1).compound else 2)


def take_name(take: OpenTake) -> str:
    """Layer / take."""
    return f"{take.layer.name} / {take.take.name}"


def notes_of(recipe: Recipe, tempo_map: TempoMap, takes: Sequence[OpenTake], aligned: Sequence[AlignedTake],
           likely: float | None) -> list[str]:
    """What should be known besides the statistics."""
    notes = []
    if not tempo_map.has_grid:
        notes.append("the song has no tempo, so there is no grid to compare with and no moves are proposed; "
                     "layerpipe tempo estimates one")
    if likely is not None:
        notes.append(f"the takes do not follow the recipe's tempo of {recipe.song.tempo:g}; they are played at about "
                     f"{likely:g}. No moves are proposed until the tempo is right; layerpipe tempo can write it")
    for one, take in zip(takes, aligned, strict=True):
        if not take.onsets:
            notes.append(f"{take_name(one)}: no onsets were found in it")
        if take.free_intro:
            notes.append(f"{take_name(one)}: {take.free_intro} onsets before bar 1 follow no grid and are ignored")
        points = take.onsets.points
        if (np.count_nonzero(points.known) > FEWEST_TO_DOUBT and likely is None
                and not np.any(points.sixteenth[points.known] == 1)):
            notes.append(f"{take_name(one)}: no onset is on a beat; is bar_one_s right?")
        swing = {kind: ms for kind, ms in take.swing_ms.items() if kind != 1}
        if swing and likely is None:
            listed = ", ".join(f"sixteenth {kind} by {ms:+.0f} ms" for kind, ms in sorted(swing.items()))
            notes.append(f"{take_name(one)}: swings ({listed}); this is kept")
    return notes

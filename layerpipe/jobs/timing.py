"""Measure the timing of a recipe's takes, and turn proposed moves into a change of the recipe."""

from __future__ import annotations

from layerpipe.analysis.timing.song_timing import SongTiming, measure_timing
from layerpipe.core.sound import OnProgress
from layerpipe.recipe.change import Change
from layerpipe.recipe.edits import NewMove, add_moves
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.attack import attack_text, refuse_changed_takes
from layerpipe.render.pipeline import play_moves
from layerpipe.render.takes import open_all

DEFAULT_CROSSFADE_MS = 5.0
"""A move with the recipe's default crossfade does not name it."""


def time_song(file: RecipeFile, *, after: bool = False, on_progress: OnProgress = lambda share: None) -> SongTiming:
    """Measure the timing of every take and find the moves worth making.

    Parameters
    ----------
    file : RecipeFile
    after : bool
        Analyse the takes with the recipe's moves applied.
    on_progress : function of a share
        Told how much of the work, of 1, has been done.

    Raises
    ------
    RecipeError
        If a move of the recipe was made for another sound than its take has now, or leaves its take.
    AudioError
        If a file cannot be used.
    """
    takes = open_all(file.recipe)
    tempo_map = TempoMap.of(file.recipe)
    refuse_changed_takes(file, tempo_map, [one.source for one in takes])
    for one in takes:
        # Refuses, with take and recipe, a move that leaves its take.
        play_moves(file, one, tempo_map)
    return measure_timing(file.recipe, takes, after=after, on_progress=on_progress)


def change_of_moves(file: RecipeFile, song: SongTiming) -> Change | None:
    """The recipe with all proposed moves; None if there are none."""
    change: Change | None = None
    for take in song.takes:
        if take.moves:
            new = [NewMove(move.from_s, move.to_s, move.by_ms, move.why,
                           None if move.crossfade_ms == DEFAULT_CROSSFADE_MS else move.crossfade_ms,
                           attack_text(take.open.source, move.from_s)) for move in take.moves]
            change = add_moves(change or file.path, take.open.layer.name, take.open.take.name, new)
    return change

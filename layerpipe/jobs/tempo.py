"""Estimate the tempo of a recipe's takes, and turn the estimate into a change of the recipe."""

from __future__ import annotations

from layerpipe.analysis.timing.grid.tempo import TempoEstimate, estimate_tempo
from layerpipe.analysis.timing.song_timing import detect_in_takes
from layerpipe.core.sound import OnProgress
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.edit.moves_and_levels import set_song
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.heard import Heard
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.takes.open_takes import open_all


def tempo_of_song(file: RecipeFile, cache: TakeCache | None = None, *,
                  on_progress: OnProgress = lambda share: None) -> tuple[list[TempoEstimate], int]:
    """Estimate tempo, meter and bar 1 from all takes of a recipe, whatever tempo it has.

    Returns
    -------
    (estimates, onsets)
        The most likely first, empty with too few onsets; how many onsets were found.

    Raises
    ------
    AudioError
        If a file cannot be used.
    """
    cache = cache or TakeCache()
    takes = open_all(file.recipe, digest_of=cache.notes.digest_of)
    ask = Heard(cache)
    heard = detect_in_takes(takes, on_progress=on_progress, ask=ask)
    ask.tidy()
    return estimate_tempo(heard), sum(len(found.onsets) for found in heard)


def change_of_tempo(file: RecipeFile, estimate: TempoEstimate) -> Change:
    """The recipe with an estimated tempo, meter and bar 1."""
    return set_song(file.path, tempo=estimate.tempo, meter=estimate.meter, bar_one_s=estimate.bar_one_s)

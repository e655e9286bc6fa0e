"""Listening files of a recipe."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from layerpipe.core.sound import OnProgress
from layerpipe.outputs.preview.write import Listening, make_previews, versions_of
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import WORKERS, measure_song, process_takes, until_whole


def preview_song(file: RecipeFile, out: Path, *, sections: Sequence[str] = (), versions: Sequence[str] = (),
                 cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> list[Listening]:
    """Write listening files of one recipe into its own folder of `out`.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files, a name of a section or version, or the place it should go to.
    """
    cache = cache or TakeCache()

    def work() -> list[Listening]:
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        parts, heard = song.stretches(sections), versions_of(song, versions)
        made = make_previews(song, measure_song(song, cache), out / file.path.stem, parts, heard, workers=WORKERS,
                             on_progress=lambda share: on_progress(share / 2))
        cache.prune()
        return made

    return until_whole(work, cache)

"""Listening files of a recipe."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec.structs import replace

from layerpipe.core.sound import OnProgress
from layerpipe.jobs.listening_files import refuse_over_sources, remove_older
from layerpipe.jobs.output_places import folder_of
from layerpipe.outputs.preview.write import Previews, make_previews, versions_of
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import WORKERS, measure_song, process_takes


def preview_song(file: RecipeFile, out: str | Path, *, sections: Sequence[str] = (), versions: Sequence[str] = (),
                 cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> Previews:
    """Write listening files of one recipe into its own folder of `out`; remove those of its earlier text.

    Parameters
    ----------
    file : RecipeFile
    out : Path
        Gets a folder named like the recipe's file.
    sections, versions : sequences of str, optional
        Default: all.
    cache : TakeCache, optional
        Default: the user's.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files, a name of a section or version, or the output folder.
    """
    cache = cache or TakeCache()
    folder = folder_of(file, Path(out))

    def work() -> Previews:
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        parts, wanted = song.parts(sections), versions_of(song, versions)
        return make_previews(song, measure_song(song, cache), folder, parts, wanted, workers=WORKERS,
                             before_writing=refuse_over_sources(file, folder),
                             on_progress=lambda share: on_progress(share / 2))

    made = cache.retried(work)
    cache.prune()
    removed = remove_older(file, folder, [one.file for one in made.files if one.file is not None])
    return replace(made, removed=tuple(removed))

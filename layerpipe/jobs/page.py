"""Prepares the artist's page of a recipe."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from layerpipe.audio_files.info import source_digest
from layerpipe.core.files.atomic import write_whole
from layerpipe.core.sound import OnProgress
from layerpipe.outputs.artist_page.build import make_page_song
from layerpipe.outputs.artist_page.fit import FittedPage, SizeLimits, fit_page
from layerpipe.outputs.artist_page.loops import Keep, PagePart, parts_of
from layerpipe.outputs.artist_page.model import PageSong
from layerpipe.outputs.artist_page.page_id import page_id
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache, cache_key
from layerpipe.render.pipeline import ENGINE, WORKERS, measure_song, process_takes


def prepare_page(file: RecipeFile, *, sections: Sequence[str] = (), seconds: float = 20.0,
                 limits: SizeLimits | None = None, cache: TakeCache | None = None,
                 on_progress: OnProgress = lambda share: None) -> FittedPage:
    """Gather everything the artist's page of a recipe contains.

    Parameters
    ----------
    file : RecipeFile
    sections : sequence of str
        Names; all sections if empty.
    seconds : float
        Longer sections are cut at the last downbeat inside it.
    limits : SizeLimits, optional
    cache : TakeCache, optional
    on_progress : function of a share
        Called with each share done; they add up to 1.

    Returns
    -------
    FittedPage

    Raises
    ------
    RecipeError, AudioError
        If the recipe, its files or a section's name are wrong.
    """
    cache = cache or TakeCache()

    def work() -> FittedPage:
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        energies = measure_song(song, cache)
        identity = page_id_of(file.recipe, cache)

        def make(parts: Sequence[PagePart], bits: int, on_share: OnProgress) -> PageSong:
            return make_page_song(song, energies, parts, identity, bits=bits, workers=WORKERS, keep=keeping_in(cache),
                                  on_progress=on_share)

        page = fit_page(lambda longest_s: parts_of(song, sections, longest_s), seconds, make,
                        limits=limits or SizeLimits(), on_progress=lambda share: on_progress(share / 2))
        cache.prune()
        return page

    return cache.retried(work)


def page_id_of(recipe: Recipe, cache: TakeCache) -> str:
    """The id that a page of this recipe has now; digests of unchanged files come from the cache."""
    return page_id(recipe, lambda path: cache.notes.digest_of(path, source_digest))


def keeping_in(cache: TakeCache) -> Keep:
    """Find bytes in the cache under everything that shaped them, if they are undamaged; else make and keep them."""
    def keep(shaped_by: Mapping[str, Any], kind: str, make: Callable[[], bytes]) -> bytes:
        key = cache_key({"engine": ENGINE, **shaped_by})
        kept = cache.find_file(key, kind)
        if kept is not None:
            with contextlib.suppress(OSError):
                found = kept.read_bytes()
                if sha256(found[32:]).digest() == found[:32]:
                    return found[32:]
                kept.unlink(missing_ok=True)
        made = make()

        def write(path: Path) -> None:
            write_whole(path, sha256(made).digest() + made)

        cache.make_file(key, kind, write)
        return made

    return keep

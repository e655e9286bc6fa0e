"""What the artist's page of a recipe holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from layerpipe.core.files.atomic import write_whole
from layerpipe.core.sound import OnProgress
from layerpipe.outputs.artist_page.build import make_page_song
from layerpipe.outputs.artist_page.loops import Keep, parts_of
from layerpipe.outputs.artist_page.model import PageSong
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache, cache_key
from layerpipe.render.pipeline import ENGINE, WORKERS, measure_song, process_takes, until_whole


def prepare_page(file: RecipeFile, *, sections: Sequence[str] = (), seconds: float = 20.0,
                 cache: TakeCache | None = None,
               on_progress: OnProgress = lambda share: None) -> tuple[PageSong, int]:
    """Gather what the artist's page of a recipe holds, and the bits its sound is kept with.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe, its files or a section's name.
    """
    cache = cache or TakeCache()

    def work() -> tuple[PageSong, int]:
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        parts = parts_of(song, sections, seconds)
        made = make_page_song(song, measure_song(song, cache), parts, workers=WORKERS, keep=keeping_in(cache),
                               on_progress=lambda share: on_progress(share / 2))
        cache.prune()
        return made

    return until_whole(work, cache)


def keeping_in(cache: TakeCache) -> Keep:
    """Bytes kept in a store under everything that shaped them, if they are still what was kept; else made and kept."""
    def keep(shaped_by: Mapping[str, Any], kind: str, make: Callable[[], bytes]) -> bytes:
        key = cache_key({"engine": ENGINE, **shaped_by})
        kept = cache.find_file(key, kind)
        if kept is not None:
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

"""Whether a bounce still is what was bounced, and what changed between two."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from layerpipe.core.errors import LayerpipeError
from layerpipe.core.sound import OnProgress
from layerpipe.jobs.bounce import bounce_song
from layerpipe.outputs.verify.compare import Compared, compare_bounces
from layerpipe.outputs.verify.find_sources import check_sources, recipe_inside
from layerpipe.outputs.verify.opened_bounce import OpenBounce, open_bounce
from layerpipe.outputs.verify.plot import draw_residuals
from layerpipe.outputs.verify.verdicts import CHANGED, Verified
from layerpipe.outputs.verify.verify import verify_bounce, with_fresh, with_originals, with_sources
from layerpipe.recipe.reader import RecipeFile, read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import WORKERS, until_whole


def verify_song(opened: OpenBounce, *, sources: bool = False, recipe: Path | None = None, workers: int = WORKERS,
                cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> Verified:
    """Look at every file of a bounce, and with `sources` at the takes; `recipe` says where its recipe lies.

    Raises
    ------
    RecipeError, OutputError
        If the takes are asked for and not found.
    """
    found = verify_bounce(opened, workers=workers, on_progress=on_progress)
    if sources:
        found = with_sources(found, check_sources(opened, _recipe_inside(opened, recipe, cache or TakeCache())))
    return found


def verify_again(found: Verified, opened: OpenBounce, room: Path, *, wanted: bool, recipe: Path | None = None,
                 cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> Verified:
    """Render a bounce anew into `room` and hold it to that; unless `wanted` only to say where changed stems differ.

    Raises
    ------
    RecipeError, AudioError, OutputError
        If that is wanted and cannot be rendered.
    """
    cache = cache or TakeCache()
    told = {file["path"] for file in opened.files}
    unknown = any(file.verdict == CHANGED and file.first_different_frame is None and file.file in told
                  for file in found.files)
    if not (wanted or unknown):
        return found
    try:
        file = _recipe_inside(opened, recipe, cache)
        until_whole(lambda: bounce_song(file, room / "again", cache, on_progress=on_progress), cache)
        fresh = open_bounce(room / "again")
    except LayerpipeError as refusal:
        if wanted:
            raise
        return replace(found, remarks=(*found.remarks, "where changed takes differ is not known, for they cannot be "
                                                       f"rendered anew: {refusal}"))
    found = with_originals(found, opened, fresh)
    return with_fresh(found, opened, fresh) if wanted else found


def compare_songs(old: Path, new: Path, room: Path, *, workers: int = WORKERS, cache: TakeCache | None = None,
                  on_progress: OnProgress = lambda share: None) -> tuple[Compared, str]:
    """Compare two bounces; a recipe in the place of one is rendered into `room`. Also a picture of what is left, SVG.

    Raises
    ------
    NotABounceError
        If a folder is no bounce.
    RecipeError, AudioError, OutputError
        If a recipe cannot be rendered.
    """
    cache = cache or TakeCache()

    def opened(path: Path, name: str) -> OpenBounce:
        if path.is_dir() or path.suffix.lower() != ".toml":
            return open_bounce(path)
        file = read_recipe(path)
        until_whole(lambda: bounce_song(file, room / name, cache, on_progress=lambda share: on_progress(share / 4)),
                    cache)
        return open_bounce(room / name)

    before, after = opened(old, "old"), opened(new, "new")
    found, nulls = compare_bounces(before, after, workers=workers, on_progress=lambda share: on_progress(share / 2))
    return found, draw_residuals(nulls, after)


def _recipe_inside(opened: OpenBounce, recipe: Path | None, cache: TakeCache) -> RecipeFile:
    """The recipe of a bounce, with its files as seen from where it lay."""
    sha256_told = opened.told["recipe"].get("sha256", "") if isinstance(opened.told.get("recipe"), dict) else ""
    return recipe_inside(opened, named=recipe, remembered=cache.notes.place_of_recipe(str(sha256_told)))

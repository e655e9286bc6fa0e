"""Check that a bounce is unchanged, and compare two bounces."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from layerpipe.core.errors import LayerpipeError, OutputError
from layerpipe.core.sound import OnProgress
from layerpipe.jobs.bounce import bounce_song
from layerpipe.jobs.output_places import refuse_sources, sources_of
from layerpipe.outputs.verify.compare import Compared, compare_bounces
from layerpipe.outputs.verify.find_sources import check_sources, recipe_inside
from layerpipe.outputs.verify.opened_bounce import OpenBounce, open_bounce
from layerpipe.outputs.verify.plot import draw_residuals
from layerpipe.outputs.verify.verdicts import CHANGED, Verified
from layerpipe.outputs.verify.verify import verify_bounce, with_places, with_rerender, with_sources
from layerpipe.recipe.reader import RecipeFile, read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import WORKERS


def verify_song(opened: OpenBounce, *, sources: bool = False, recipe: Path | None = None, workers: int = WORKERS,
                cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> Verified:
    """Check every file of a bounce, and with `sources` the takes; `recipe` names the original recipe.

    Raises
    ------
    RecipeError, OutputError
        If the takes are wanted and not found.
    """
    found = verify_bounce(opened, workers=workers, on_progress=on_progress)
    if sources:
        found = with_sources(found, check_sources(opened, _recipe_inside(opened, recipe, cache or TakeCache())))
    return found


def verify_render(found: Verified, opened: OpenBounce, room: Path, *, wanted: bool, recipe: Path | None = None,
                  cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> Verified:
    """Render a bounce again into the empty folder `room` and compare.

    If that is `wanted`, everything is rendered from the takes, without the cache. If not, a render is made only to
    locate where changed stems differ; the cache may help, since only files with the manifest's checksums count.

    Raises
    ------
    RecipeError, AudioError, OutputError
        If it is wanted and cannot be rendered.
    """
    kept = cache or TakeCache()
    stems = {file.path for file in opened.files}
    unlocated = any(file.verdict == CHANGED and file.first_different_frame is None and file.file in stems
                    for file in found.files)
    if not (wanted or unlocated):
        return found
    used = TakeCache(room / "cache") if wanted else kept
    try:
        file = _recipe_inside(opened, recipe, kept)
        bounce_song(file, room / "bounce", used, on_progress=on_progress)
        rendered = open_bounce(room / "bounce")
    except LayerpipeError as refusal:
        if wanted:
            raise
        return replace(found, remarks=(*found.remarks, "where the changed files differ is unknown, since the recipe "
                                                       f"cannot be rendered again: {refusal}"))
    found = with_places(found, opened, rendered)
    return with_rerender(found, opened, rendered) if wanted else found


def compare_songs(old: Path, new: Path, room: Path, *, picture: Path | None = None, workers: int = WORKERS,
                  cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> tuple[Compared, str]:
    """Compare two bounces and draw their residuals as SVG; a recipe instead of a bounce is rendered into `room`.

    Raises
    ------
    NotABounceError
        If a folder is not a bounce.
    RecipeError, AudioError
        If a recipe cannot be rendered.
    OutputError
        If `picture`, to be written afterwards, is a file of either side.
    """
    cache = cache or TakeCache()

    def opened(path: Path, name: str) -> OpenBounce:
        if path.is_dir() or path.suffix.lower() != ".toml":
            bounce = open_bounce(path)
            refuse_sources(pictures, [path / own for own in sorted(bounce.own)])
            return bounce
        file = read_recipe(path)
        refuse_sources(pictures, sources_of(file))
        bounce_song(file, room / name, cache, on_progress=lambda share: on_progress(share / 4))
        return open_bounce(room / name)

    pictures = [] if picture is None else [picture]
    if picture is not None and picture.suffix.lower() != ".svg":
        raise OutputError(f"{picture}: pictures are drawn as SVG; give a name that ends in .svg")
    before, after = opened(old, "old"), opened(new, "new")
    found, nulls = compare_bounces(before, after, workers=workers, on_progress=lambda share: on_progress(share / 2))
    return found, draw_residuals(found, nulls, after)


def _recipe_inside(opened: OpenBounce, recipe: Path | None, cache: TakeCache) -> RecipeFile:
    """The recipe enclosed in a bounce, with its files relative to its original folder."""
    return recipe_inside(opened, named=recipe, remembered=cache.notes.place_of_recipe(opened.manifest.recipe.sha256))

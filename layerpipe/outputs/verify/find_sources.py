"""Find the takes of a bounce: its recipe names them relative to a folder that the bounce does not know.

Tried in this order: the recipe that was named, its folder when it was bounced (the cache remembers), and recipes or
takes near the bounce and near the current folder.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from layerpipe.core.errors import Fault, OutputError, RecipeError
from layerpipe.core.files.regular import is_regular
from layerpipe.core.text import one_line
from layerpipe.core.toml_bounds import BOUNDS
from layerpipe.outputs.bounce.delivery_sheet import RECIPE
from layerpipe.outputs.verify.opened_bounce import OpenBounce
from layerpipe.outputs.verify.stem_file import checksum_of
from layerpipe.outputs.verify.verdicts import CHANGED, MISSING, UNCHANGED, SourceVerdict
from layerpipe.recipe.model import Recipe
from layerpipe.recipe.reader import RecipeFile, parse_recipe

_STEPS_UP, _MOST_FOLDERS, _MOST_RECIPES = 4, 100, 200
"""How far around the bounce is searched: a project's folder, not a disk."""


def recipe_inside(bounce: OpenBounce, *, named: Path | None = None, remembered: Path | None = None) -> RecipeFile:
    """The recipe enclosed in a bounce, with its files relative to its original folder.

    Parameters
    ----------
    bounce : OpenBounce
    named : Path, optional
        The original recipe or its folder, if the user named it.
    remembered : Path, optional
        The recipe's folder when it was bounced.

    Raises
    ------
    RecipeError
        If the enclosed recipe cannot be read, or its takes are not found.
    OutputError
        If there is no recipe in the bounce.
    """
    shown = one_line(str(bounce.folder))
    kept = bounce.folder / RECIPE
    if not is_regular(kept) or kept.stat().st_size > BOUNDS.bytes:
        raise OutputError(f"{shown}: has no {RECIPE} inside, so its takes are unknown")
    try:
        text = kept.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as refusal:
        raise OutputError(f"{shown}/{RECIPE}: cannot be read: {one_line(str(refusal))}") from refusal
    name = f"{bounce.folder.name}.toml"
    if named is not None:
        return parse_recipe((named if named.is_dir() else named.parent) / name, text)
    best, most = None, -1
    for folder, likely in _candidates(bounce, text, remembered):
        file = parse_recipe(folder / name, text)
        paths = [path for layer in file.recipe.layer for take in layer.take for path in take.files]
        found = sum(is_regular(path.resolve()) for path in paths)
        # In the recipe's own folder a take may be missing; elsewhere takes of the same names are others.
        if found == len(paths) or (found and likely):
            return file
        if found > most and (found or likely):
            best, most = file, found
    if best is not None:
        return best
    raise RecipeError([Fault(bounce.folder, "", "its takes were not found near here; name the original recipe with "
                                                "--recipe FILE")])


def check_sources(bounce: OpenBounce, file: RecipeFile) -> list[SourceVerdict]:
    """Compare the takes with the checksums in the manifest."""
    paths = files_by_name(file.recipe)
    return [SourceVerdict(source.layer, source.take, part.file, _verdict(
        paths.get((source.layer, source.take, part.played, part.mic)), part.sha256))
        for source in bounce.manifest.sources for part in source.every_file]


def files_by_name(recipe: Recipe) -> dict[tuple[str, str, str, int], Path]:
    """Every file of every take by layer, take, pass and number of the microphone, as a manifest names them."""
    return {(layer.name, take.name, one.name, number): mic.file
            for layer in recipe.layer for take in layer.take for one in take.every_pass
            for number, mic in enumerate(one.every_mic, start=1)}


def _verdict(path: Path | None, sha256: str) -> str:
    """Whether a file has a checksum."""
    if path is None or not path.is_file():
        return MISSING
    try:
        return UNCHANGED if checksum_of(path) == sha256 else CHANGED
    except OSError:
        return CHANGED


def _candidates(bounce: OpenBounce, text: str, remembered: Path | None) -> Iterator[tuple[Path, bool]]:
    """Folders that may be the recipe's, the likeliest first, and whether that is more than a guess."""
    if remembered is not None:
        yield remembered, True
    own = bounce.folder.resolve()
    near = list(dict.fromkeys(_near(own, Path.cwd())))
    checksum = hashlib.sha256(text.encode()).hexdigest()
    yield from ((folder, True) for folder in near if folder != own and _has_recipe(folder, checksum))
    yield from ((folder, False) for folder in near if is_regular(folder / f"{bounce.folder.name}.toml"))
    yield from ((folder, False) for folder in near)


def _near(*starts: Path) -> Iterator[Path]:
    """Each folder, the folders in it, and the same for the folders above."""
    for start in starts:
        for folder in (start, *islice(start.parents, _STEPS_UP)):
            yield folder
            try:
                inside = sorted(folder.iterdir())
            except OSError:
                continue
            yield from islice((path for path in inside if path.is_dir() and not path.is_symlink()), _MOST_FOLDERS)


def _has_recipe(folder: Path, checksum: str) -> bool:
    """Whether a recipe with this checksum is in a folder."""
    try:
        recipes = sorted(folder.glob("*.toml"))
        return any(is_regular(path) and path.stat().st_size <= BOUNDS.bytes and checksum_of(path) == checksum
                   for path in recipes[:_MOST_RECIPES])
    except OSError:
        return False

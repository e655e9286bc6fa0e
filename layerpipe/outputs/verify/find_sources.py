"""Where the takes of a bounce lie: its recipe names them as seen from a folder that the bounce does not tell.

Looked for are, in this order: the recipe that was named, where it lay when it was bounced (the store remembers), and
recipes or takes near the bounce and near the place where the command was started.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from layerpipe.core.errors import Fault, OutputError, RecipeError
from layerpipe.outputs.bounce.delivery_sheet import RECIPE
from layerpipe.outputs.verify.opened_bounce import OpenBounce
from layerpipe.outputs.verify.stem_file import digest_of, is_plain_file
from layerpipe.outputs.verify.verdicts import AS_BOUNCED, CHANGED, MISSING, SourceVerdict
from layerpipe.recipe.bounds import BOUNDS
from layerpipe.recipe.reader import RecipeFile, parse_recipe

_STEPS_UP, _MOST_FOLDERS, _MOST_RECIPES = 4, 100, 200


def recipe_inside(bounce: OpenBounce, *, named: Path | None = None, remembered: Path | None = None) -> RecipeFile:
    """The recipe kept in a bounce, its files found as seen from where it lay.

    Parameters
    ----------
    bounce : OpenBounce
    named : Path, optional
        The recipe's file, or its folder, as the user says.
    remembered : Path, optional
        Where it lay when it was bounced.

    Raises
    ------
    RecipeError
        If the recipe inside was changed so that it cannot be read, or its takes are found nowhere.
    OutputError
        If there is no recipe inside.
    """
    kept = bounce.folder / RECIPE
    if not is_plain_file(kept) or kept.stat().st_size > BOUNDS.bytes:
        raise OutputError(f"{bounce.folder}: has no {RECIPE} inside, so its takes are not known")
    try:
        text = kept.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as refusal:
        raise OutputError(f"{kept}: cannot be read: {refusal}") from refusal
    if named is not None:
        return parse_recipe((named if named.is_dir() else named.parent) / f"{bounce.folder.name}.toml", text)
    best, most = None, -1
    for folder, likely in _candidates(bounce, text, remembered):
        file = parse_recipe(folder / f"{bounce.folder.name}.toml", text)
        paths = [take.file for layer in file.recipe.layer for take in layer.take]
        here = sum(is_plain_file(path.resolve()) for path in paths)
        # Where the recipe lay a take may be missing; takes of the same names elsewhere are others.
        if here == len(paths) or (here and likely):
            return file
        if here > most and (here or likely):
            best, most = file, here
    if best is not None:
        return best
    raise RecipeError([Fault(bounce.folder, "", "the takes of its recipe are not found from here; say where the recipe "
                                                "lies with --recipe FILE")])


def check_sources(bounce: OpenBounce, file: RecipeFile) -> list[SourceVerdict]:
    """Hold the takes to the digests that were noted when they were bounced."""
    asked = {(layer.name, take.name): take.file for layer in file.recipe.layer for take in layer.take}
    found = []
    for source in bounce.told["sources"]:
        layer, take = str(source.get("layer")), str(source.get("take"))
        path = asked.get((layer, take))
        if path is None or not path.is_file():
            verdict = MISSING
        else:
            try:
                verdict = AS_BOUNCED if digest_of(path) == source.get("sha256") else CHANGED
            except OSError:
                verdict = CHANGED
        found.append(SourceVerdict(layer, take, str(source.get("file")), verdict))
    return found


def _candidates(bounce: OpenBounce, text: str, remembered: Path | None) -> Iterator[tuple[Path, bool]]:
    """Folders in which the recipe may have lain, the likeliest first, and whether that is more than a guess."""
    if remembered is not None:
        yield remembered, True
    near = list(dict.fromkeys(_near(bounce.folder.resolve(), Path.cwd())))
    digest = hashlib.sha256(text.encode()).hexdigest()
    yield from ((folder, True) for folder in near if folder != bounce.folder.resolve() and _holds(folder, digest))
    yield from ((folder, False) for folder in near if is_plain_file(folder / f"{bounce.folder.name}.toml"))
    yield from ((folder, False) for folder in near)


def _near(*starts: Path) -> Iterator[Path]:
    """A place, what lies in it, and the same for the folders above."""
    for start in starts:
        for folder in (start, *islice(start.parents, _STEPS_UP)):
            yield folder
            try:
                inside = sorted(folder.iterdir())
            except OSError:
                continue
            yield from islice((path for path in inside if path.is_dir() and not path.is_symlink()), _MOST_FOLDERS)


def _holds(folder: Path, digest: str) -> bool:
    """Whether a recipe of this digest lies in a folder."""
    try:
        recipes = sorted(folder.glob("*.toml"))
        return any(is_plain_file(path) and path.stat().st_size <= BOUNDS.bytes and digest_of(path) == digest
                   for path in recipes[:_MOST_RECIPES])
    except OSError:
        return False

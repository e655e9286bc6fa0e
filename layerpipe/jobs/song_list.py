"""Which songs a command is about: recipes, folders of recipes, and files that list them."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.files.regular import read_regular
from layerpipe.core.toml_bounds import BOUNDS

RECIPE_SUFFIX, LIST_SUFFIX = ".toml", ".txt"
MOST_LIST_BYTES = 64 << 20
"""A list of 100 000 songs has about 10 MB."""
_TABLE = re.compile(rb"^\s*\[\[?\s*(song|layer)\b", re.MULTILINE)


def is_one_recipe(given: Sequence[Path]) -> bool:
    """Whether exactly one recipe was named, not a folder or a list (which may contain one)."""
    return len(given) == 1 and not _is_folder(given[0]) and given[0].suffix.casefold() != LIST_SUFFIX


def find_songs(given: Sequence[Path]) -> list[Path]:
    """The recipes meant by recipes, folders and lists, in the given order, each once.

    Parameters
    ----------
    given : sequence of Path
        A folder means the .toml files in it that contain a [song] or [[layer]] table, by name; other .toml files
        (settings of other programs) are passed over. A file that ends in .txt lists recipes and folders, one a line,
        relative to itself; empty lines and lines that begin with "#" are passed over. Anything else is a recipe.

    Raises
    ------
    RecipeError
        With every folder and list that cannot be read or contains no recipe.
    """
    faults: list[Fault] = []
    found: dict[str, Path] = {}
    for path in given:
        listed = _listed(path, faults) if path.suffix.casefold() == LIST_SUFFIX and not _is_folder(path) else [path]
        for one in listed:
            for recipe in _in_folder(one, faults) if _is_folder(one) else [one]:
                found.setdefault(_same(recipe), recipe)
    if faults:
        raise RecipeError(faults)
    return list(found.values())


def same_names(songs: Sequence[Path]) -> list[Path]:
    """The recipes whose name without its ending is that of another; outputs are named after it."""
    names = [song.stem.casefold() for song in songs]
    many = {name for name in names if names.count(name) > 1} if len(set(names)) < len(names) else set()
    return [song for song, name in zip(songs, names, strict=True) if name in many]


def _is_folder(path: Path) -> bool:
    """Whether there is a folder of that name; none where no file can have it: a list may hold anything."""
    try:
        return path.is_dir()
    except OSError:
        return False


def _same(path: Path) -> str:
    """What two paths of one file have in common."""
    try:
        return os.path.realpath(path)
    except (OSError, ValueError):
        return str(path)


def _listed(path: Path, faults: list[Fault]) -> list[Path]:
    """The paths in a list file; what is wrong with it is added to the faults."""
    try:
        text = read_regular(path, MOST_LIST_BYTES).decode("utf-8-sig")
    except FileNotFoundError:
        faults.append(Fault(path, "", "there is no such file"))
        return []
    except (OSError, UnicodeDecodeError) as refusal:
        reason = getattr(refusal, "strerror", None) or "it is not UTF-8"
        faults.append(Fault(path, "", f"cannot be read as a list of recipes: {reason}"))
        return []
    lines = [line.strip() for line in text.splitlines()]
    named = [path.parent / line for line in dict.fromkeys(lines) if line and not line.startswith("#")]
    if not named:
        faults.append(Fault(path, "", "lists no recipe; write one path a line"))
    return named


def _in_folder(folder: Path, faults: list[Fault]) -> list[Path]:
    """The recipes of a folder, by name; none is added to the faults."""
    try:
        found = sorted(_recipes(folder))
    except OSError as refusal:
        faults.append(Fault(folder, "", f"cannot be read: {refusal.strerror or refusal}"))
        return []
    if not found:
        faults.append(Fault(folder, "", "is a folder without recipes: no .toml file in it has a [song] or [[layer]]"))
    return found


def _recipes(folder: Path) -> Iterator[Path]:
    """The .toml files of a folder that are recipes; one that cannot be opened counts, so that its fault is reported."""
    for path in folder.iterdir():
        if path.suffix.casefold() != RECIPE_SUFFIX or path.name.startswith(".") or not path.is_file():
            continue
        try:
            with path.open("rb") as file:
                if not _TABLE.search(file.read(BOUNDS.bytes)):
                    continue
        except OSError:
            yield path
        else:
            yield path

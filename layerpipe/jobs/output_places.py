"""Where a command may write: never over a source or a recipe, and never into a folder it did not name."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from layerpipe.core.errors import Fault, OutputError, RecipeError
from layerpipe.recipe.reader import RecipeFile


def folder_of(file: RecipeFile, out: Path) -> Path:
    """The folder inside `out` that is named like a recipe's file.

    Raises
    ------
    RecipeError
        If the file's name without its ending is no folder name, as in "..toml".
    """
    name = file.path.stem
    if name in ("", ".", ".."):
        raise RecipeError([Fault(file.path, "", f'the folder in {out} would be called "{name}"; rename '
                                                "the recipe")])
    return out / name


def sources_of(file: RecipeFile) -> list[Path]:
    """The recipe and every file it names, muted takes included."""
    takes = [path for layer in file.recipe.layer for take in layer.take for path in take.files]
    return [file.path, *takes, *([file.recipe.bed.file] if file.recipe.bed else [])]


def refuse_sources(outputs: Iterable[Path], sources: Iterable[Path]) -> None:
    """Refuse to write over a source, before anything is written.

    Parameters
    ----------
    outputs : iterable of Path
        Files and folders about to be written or replaced; they need not exist. A folder stands for all in it.
    sources : iterable of Path
        Files that must stay as they are; see `sources_of`.

    Raises
    ------
    OutputError
        If an output is a source, by another path, link or name of the same file too, or a folder around one. Names
        both, for every such pair.
    """
    known = [(source, {_plain(source), _real(source)}, _identity(source)) for source in dict.fromkeys(sources)]
    faults = []
    for output in dict.fromkeys(outputs):
        places, same = {_plain(output), _real(output)}, _identity(output)
        for source, paths, identity in known:
            if places & paths or (same is not None and same == identity):
                faults.append(f"{output}: would be written over {source}")
            elif any(place in path.parents for place in places for path in paths):
                faults.append(f"{output}: would be replaced, and {source} is inside it")
    if faults:
        raise OutputError(*faults, "nothing was written; choose another place")


def _plain(path: Path) -> Path:
    """A path from the root, without dots; links are not followed."""
    return Path(os.path.normpath(path.absolute()))


def _real(path: Path) -> Path:
    """The file itself, all links followed as far as they lead."""
    return Path(os.path.realpath(path))


def _identity(path: Path) -> tuple[int, int] | None:
    """Device and inode; None if there is no such file."""
    try:
        status = path.stat()
    except (OSError, ValueError):
        return None
    return (status.st_dev, status.st_ino) if status.st_ino else None

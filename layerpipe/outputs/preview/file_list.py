"""The list of a folder's listening files, so that a run can remove what an earlier run of the same recipe wrote.

`previews.json` holds, for each recipe that writes into the folder, the SHA-256 of its text and of every file it wrote.
A file is removed only if it is on the list of this recipe, is a plain file and still has its checksum. Files of the
same recipe text stay, so that sections can be made one by one.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import asdict

from layerpipe.core.files.atomic import write_whole
from layerpipe.core.files.regular import is_regular
from layerpipe.recipe.reader import RecipeFile

LIST_NAME = "previews.json"
_FORMAT = "layerpipe previews 1"
_MOST_BYTES = 1 << 20


class _Entry(Struct, frozen=True):
    """The listening files of one recipe: SHA-256 of the recipe's text, and of each file by name."""

    recipe_sha256: str
    files: dict[str, str]


def remove_earlier(folder: Path, recipe: RecipeFile, made: Sequence[Path]) -> list[Path]:
    """Remove the files of an earlier text of a recipe, and write the folder's list anew.

    Parameters
    ----------
    folder : Path
    recipe : RecipeFile
    made : sequence of Path
        The files of this run, in the folder.

    Returns
    -------
    list of Path
        What was removed.

    Raises
    ------
    OSError
        If the list cannot be written.
    """
    key = hashlib.sha256(os.fsencode(os.path.realpath(recipe.path))).hexdigest()[:16]
    text_sha256 = hashlib.sha256(recipe.text.encode()).hexdigest()
    entries = _read(folder / LIST_NAME)
    earlier = entries.pop(key, _Entry(text_sha256, {}))
    names = {path.name for path in made}
    kept, removed = {}, []
    for name, sha256 in earlier.files.items():
        if name in names or not _is_ours(folder / name, sha256):
            continue
        if earlier.recipe_sha256 == text_sha256:
            kept[name] = sha256
        else:
            with contextlib.suppress(FileNotFoundError):
                (folder / name).unlink()
                removed.append(folder / name)
    others = {other: _Entry(entry.recipe_sha256, {name: sha for name, sha in entry.files.items() if name not in names})
              for other, entry in entries.items()}
    now = _Entry(text_sha256, {**kept, **{path.name: _sha256(path) for path in made}})
    recipes = {other: asdict(entry) for other, entry in sorted({**others, key: now}.items()) if entry.files}
    write_whole(folder / LIST_NAME, json.dumps({"format": _FORMAT, "recipes": recipes}, indent=1).encode() + b"\n")
    return removed


def _read(path: Path) -> dict[str, _Entry]:
    """The list; empty where there is none that can be read."""
    try:
        if not stat.S_ISREG(path.lstat().st_mode) or path.stat().st_size > _MOST_BYTES:
            return {}
        kept = json.loads(path.read_bytes())
        if kept["format"] != _FORMAT:
            return {}
        return {key: _Entry(str(entry["recipe_sha256"]), {
            name: str(sha256) for name, sha256 in entry["files"].items() if _is_plain(name)})
            for key, entry in kept["recipes"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _is_plain(name: str) -> bool:
    """Whether this is a name inside the folder, and not the list's own."""
    return name not in ("", ".", "..", LIST_NAME) and not set(name) & set("/\\\0")


def _is_ours(path: Path, sha256: str) -> bool:
    """Whether a file is still what was written."""
    try:
        return is_regular(path) and _sha256(path) == sha256
    except OSError:
        return False


def _sha256(path: Path) -> str:
    """Checksum of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

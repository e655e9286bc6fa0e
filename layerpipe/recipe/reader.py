"""Read a recipe: TOML in, `Recipe` out, or all of its faults in one error.

Files named in a recipe are relative to its folder and come out absolute. Only regular files up to 1 MB are read.
Line numbers are found only when there is a fault, so that reading a good recipe needs no second pass.
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

from msgspec.structs import replace

from layerpipe.core.errors import MOST_SHOWN, Fault, RecipeError
from layerpipe.core.toml_bounds import BOUNDS, bounds_problem
from layerpipe.recipe.edit.toml_text import Location, lines_of
from layerpipe.recipe.faults.checks import cross_problems
from layerpipe.recipe.faults.messages import model_problems, place_words
from layerpipe.recipe.model.recipe import Bed, Mic, Pass, Recipe, Take
from layerpipe.recipe.names import found_key, found_text
from layerpipe.recipe.schema import recipe_schema

__all__ = ["RecipeFile", "parse_recipe", "read_recipe", "recipe_schema"]

F = TypeVar("F", Bed, Take, Pass, Mic)
_AT = re.compile(r"(.*?) ?\(at (?:line (\d+), column (\d+)|end of document)\)", re.DOTALL)
# tomllib's words on the left; on the right what a user can act on.
_SYNTAX = {
    "Cannot overwrite a value": "this key has been given before",
    "Cannot declare": "this table has been given before",
    "Cannot mutate immutable namespace": "this table has been given before and cannot be added to",
    "Cannot redefine namespace": "this table has been given before",
    "Expected '=' after a key": 'a key must be followed by "="',
    "Invalid value": "this is not a value; text needs quotes, true and false are in small letters",
    "Unescaped '\\'": "a backslash in double quotes begins a special character; use / in paths, or single quotes",
    "Invalid hex value": "a backslash in double quotes begins a special character; use / in paths, or single quotes",
    "Invalid statement": "this is neither a key nor a [table]",
    "Expected newline or end of document": "nothing may follow a value on its line but a comment",
    "Unclosed array": "a list is not closed; a comma or ] is missing",
    "Unclosed inline table": "a table is not closed; a comma or } is missing",
    "Duplicate inline table key": "this key has been given before",
    "Unterminated string": "text is not closed; a quote is missing",
    'Expected \'"""\'': 'text is not closed; """ is missing',
    "Expected \"'''\"": "text is not closed; ''' is missing",
    "Expected \"'\"": "text is not closed; a quote is missing",
    "Expected ']": "a [table] is not closed; ] is missing",
    "Illegal character": "text may not hold a line break or control character; is a quote missing?",
    "Found invalid character": "there is an invisible control character here",
    "Invalid date or datetime": "this date is not in the calendar",
    "Invalid initial character for a key part": "a key is missing here; a { table } must be on one line",
}


@dataclass(frozen=True)
class RecipeFile:
    """A recipe and the file it came from."""

    path: Path
    text: str
    """The text of the file, without a byte order mark."""
    recipe: Recipe
    """Its files are absolute."""
    data: dict[str, Any] = field(repr=False, compare=False)
    """The values as TOML gave them."""

    @cached_property
    def _lines(self) -> dict[Location, int]:
        return lines_of(self.text)

    def line_of(self, location: Location) -> int | None:
        """Line of a key, table or element, or of the nearest table around it that is in the text.

        Parameters
        ----------
        location : tuple of str and int
            Keys as TOML has them and indices from 0: ("layer", 1, "take", 0, "pan").
        """
        return _line(self._lines, location)

    def fault(self, location: Location, problem: str) -> Fault:
        """A fault with its line and its place in words, for faults that only other files or a render show."""
        return Fault(self.path, place_words(location, self.data), problem, self.line_of(location))


def read_recipe(path: str | Path) -> RecipeFile:
    """Read a recipe.

    Parameters
    ----------
    path : Path

    Returns
    -------
    RecipeFile

    Raises
    ------
    RecipeError
        With all faults at once: no such file, not a regular file, too large, not UTF-8, not TOML (the first place
        only), unknown keys, impossible values, and values that contradict each other.
    """
    path = Path(path)
    text = _text(path)
    if path.stem.startswith("."):
        # "..toml" would name the folder of its outputs ".", which is the folder of all outputs.
        raise _refusal(path, "has a name that begins with a full stop; outputs are named after the recipe, rename it")
    return parse_recipe(path, text)


def parse_recipe(path: Path, text: str) -> RecipeFile:
    """Read a recipe from its text, as if it stood in `path`; raises as `read_recipe` does."""
    data = _values(path, text)
    recipe, problems = model_problems(data)
    problems += cross_problems(data)
    if recipe is None or problems:
        lines = lines_of(text)
        problems.sort(key=lambda problem: _line(lines, problem[0]) or 0)
        faults = [Fault(path, place_words(at, data), words if isinstance(words, str) else words(), _line(lines, at))
                  for at, words in problems[:MOST_SHOWN]]
        raise RecipeError(faults, more=len(problems) - len(faults))
    return RecipeFile(path, text, _with_absolute_files(recipe, path.absolute().parent), data)


def _text(path: Path) -> str:
    """The file's text."""
    try:
        # Asked before opening: opening a pipe would wait for a writer.
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise _refusal(path, "is a folder; a recipe is a file that ends in .toml")
        if not stat.S_ISREG(status.st_mode):
            raise _refusal(path, "is a device or a pipe; only regular files are read")
        if status.st_size > BOUNDS.bytes:
            raise _refusal(path, f"has {status.st_size} bytes, allowed are {BOUNDS.bytes}; is this a recipe?")
        raw = path.read_bytes()
    except FileNotFoundError:
        raise _refusal(path, "there is no such file") from None
    except (OSError, ValueError) as refusal:
        reason = getattr(refusal, "strerror", None) or str(refusal)
        raise _refusal(path, f"cannot be read: {reason}") from refusal
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as refusal:
        line = raw.count(b"\n", 0, refusal.start) + 1
        hint = "; it looks like UTF-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ""
        raise _refusal(path, f"is not UTF-8: byte {refusal.start + 1} is {raw[refusal.start]:#04x}{hint}; "
                             "save it as UTF-8", line) from None
    if not text.strip():
        raise _refusal(path, "is empty; a recipe needs at least [song] with a title and one [[layer]] with a take")
    return text


def _values(path: Path, text: str) -> dict[str, Any]:
    """The values of a TOML text."""
    beyond = bounds_problem(text)
    if beyond is not None:
        raise _refusal(path, beyond[1], beyond[0])
    try:
        return tomllib.loads(text)
    except ValueError as refusal:
        words = str(refusal)
        found = _AT.fullmatch(words)
        if found is None:
            # Python's own refusal, not the reader's: it reads no whole number of thousands of digits.
            raise _refusal(path, "contains a number of thousands of digits") from None
        said, line, column = found.groups()
        meant = next((mine for theirs, mine in _SYNTAX.items() if said.startswith(theirs)), said[:1].lower() + said[1:])
        if line is None:
            raise _refusal(path, f"is not TOML: {meant}", text.rstrip().count("\n") + 1) from None
        written = text.replace("\r\n", "\n").split("\n")[int(line) - 1].strip()
        if said.startswith("Cannot overwrite") and written.startswith("[["):
            meant = (f"{found_key(written)} has been opened before; the entries of a list follow the [[table]] they "
                     "belong to")
        problem = f"is not TOML at column {column}: {meant}; found {found_text(written)}"
        raise _refusal(path, problem, int(line)) from None


def _refusal(path: Path, problem: str, line: int | None = None) -> RecipeError:
    return RecipeError([Fault(path, "", problem, line)])


def _line(lines: dict[Location, int], location: Location) -> int | None:
    """Line of a place, or of the table it is in."""
    while location and location not in lines:
        location = location[:-1]
    return lines.get(location)


def _with_absolute_files(recipe: Recipe, folder: Path) -> Recipe:
    """The recipe with absolute files."""

    def placed(noun: F) -> F:
        changes: dict[str, Any] = {}
        if noun.file is not None:
            # Links are followed for the folders only, so that messages keep the file's own name.
            file = folder / noun.file
            changes["file"] = Path(os.path.realpath(file.parent)) / file.name
        for key in ("passes", "mics"):
            if parts := getattr(noun, key, None):
                changes[key] = [placed(part) for part in parts]
        return replace(noun, **changes)

    layers = [replace(layer, take=[placed(take) for take in layer.take]) for layer in recipe.layer]
    bed = None if recipe.bed is None else placed(recipe.bed)
    return replace(recipe, layer=layers, bed=bed)

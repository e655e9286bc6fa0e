"""A change to a recipe's file: shown as a diff first, written on request.

A change can be changed further, so that several edits are one change. The new text must have exactly the values that
were asked for and must be read without faults; otherwise it is refused and the file stays as it is.
"""

from __future__ import annotations

import copy
import difflib
import os
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layerpipe.core.errors import Fault, OutputError, RecipeError
from layerpipe.core.files.atomic import write_whole
from layerpipe.core.files.locks import locked
from layerpipe.recipe.edit.toml_text import Location, Unsafe, set_in_place, value_at
from layerpipe.recipe.faults.messages import nearest, place_words
from layerpipe.recipe.names import found_text
from layerpipe.recipe.reader import RecipeFile, parse_recipe, read_recipe

_BYTE_ORDER_MARK = "\ufeff"


@dataclass(frozen=True)
class Change:
    """What a recipe's file would become."""

    path: Path
    before: str
    """The text in the file."""
    after: RecipeFile
    """The recipe that the new text would be read as."""

    @property
    def is_empty(self) -> bool:
        """Whether nothing would change."""
        return self.before == self.after.text

    @property
    def diff(self) -> list[str]:
        """The lines of the change as a unified diff; none if nothing would change."""
        before, after = (text.replace("\r\n", "\n").split("\n") for text in (self.before, self.after.text))
        return list(difflib.unified_diff(before, after, str(self.path), f"{self.path} (changed)", lineterm=""))

    def write(self) -> RecipeFile:
        """Write the new text, completely or not at all; the file's mode, byte order mark and line ends are kept.

        Returns
        -------
        RecipeFile
            As read back from the file.

        Raises
        ------
        OutputError
            If the file has changed since it was read, is read-only, or cannot be written.
        """
        # Through a link the file it points to is replaced, not the link.
        target = Path(os.path.realpath(self.path))
        if self.is_empty:
            return self.after
        try:
            # Of two runs that change one recipe at once, the second finds it changed.
            with locked(target):
                raw = target.read_bytes()
                mark = _BYTE_ORDER_MARK.encode() if raw.startswith(_BYTE_ORDER_MARK.encode()) else b""
                if raw != mark + self.before.encode():
                    raise OutputError(f"{self.path}: has changed since it was read; nothing was written, try again")
                mode = stat.S_IMODE(target.stat().st_mode)
                if not mode & stat.S_IWUSR:
                    raise OutputError(f"{self.path}: is read-only and was left as it is; allow writing to change it")
                write_whole(target, mark + self.after.text.encode(), mode=mode)
        except OSError as refusal:
            raise OutputError(f"{self.path}: cannot be written: {refusal.strerror or refusal}") from refusal
        return read_recipe(self.path)


def in_place(change: Change, table: Location, key: str, value_of: Callable[[Any], str | None]) -> str:
    """The text with one value set in its place."""
    try:
        return set_in_place(change.after.text, table, key, value_of)
    except Unsafe as refusal:
        raise OutputError(f"{change.path}: cannot be changed safely ({refusal}); change it by hand") from refusal


def opened(source: Path | Change) -> Change:
    """The recipe as a change that changes nothing yet."""
    if isinstance(source, Change):
        return source
    file = read_recipe(Path(source))
    return Change(file.path, file.text, file)


def changed(change: Change, text: str, meant: Callable[[dict[str, Any]], None]) -> Change:
    """The change with a new text, which must have the values that are meant and no others, and no faults."""
    wanted = copy.deepcopy(change.after.data)
    meant(wanted)
    if 0 < change.before.count("\n") == change.before.count("\r\n"):
        text = text.replace("\r\n", "\n").replace("\n", "\r\n")
    after = parse_recipe(change.path, text)
    if after.data != wanted:
        raise OutputError(f"{change.path}: is written in a way that cannot be changed safely; change it by hand:",
                          *Change(change.path, change.before, after).diff)
    return Change(change.path, change.before, after)


def find(change: Change, listed: Location, name: str) -> Location:
    """Location of the entry of a list that has a name."""
    names = [entry["name"] for entry in value_at(change.after.data, listed)] if listed[0] in change.after.data else []
    if name in names:
        return (*listed, names.index(name))
    like = nearest(name, names)
    known = f"did you mean {found_text(like)}?" if like else f"there are {', '.join(map(found_text, names)) or 'none'}"
    where = place_words(listed[:-1], change.after.data)
    kind = str(listed[-1])
    raise RecipeError([Fault(change.path, where, f"there is no {kind} {found_text(name)}; {known}")])

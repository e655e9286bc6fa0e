"""Changes to a recipe's file that keep its comments, its order and its way of writing.

Nothing is written by asking for a change: a `Change` shows what would become of the file (`diff`) and writes it only
when told to (`write`). A change can be changed further, so that several come as one. Whatever is asked for, the new
text must say exactly what was meant and must read without faults; else it is refused and the file stays as it is.

New keys and tables under a [header] are put in right below the settings they belong to: a comment that stands above
the next header is about that one, and stays there.
"""

from __future__ import annotations

import copy
import difflib
import os
import re
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layerpipe.errors import Fault, OutputError, RecipeError
from layerpipe.names import found_text, one_line
from layerpipe.recipe_faults import nearest, place_words
from layerpipe.recipe_file import RecipeFile, parse_recipe, read_recipe
from layerpipe.toml_edit import (
    Unsafe,
    insert_lines,
    last_line,
    last_own_line,
    set_in_place,
    toml_key,
    toml_text,
    value_at,
)
from layerpipe.toml_lines import Location, layout_of

TIMING_MARK = "timing:"
"""Moves whose comment begins so were written by a command and may be taken out by one."""
_BYTE_ORDER_MARK = "\ufeff"


@dataclass(frozen=True)
class NewMove:
    """A move to be written, and why.

    `start` and `stop` are "bar.beat.sixteenth" or seconds; `joint_ms` is left to the recipe's default when None.
    """

    start: str | float
    stop: str | float
    by_ms: float
    why: str
    joint_ms: float | None = None

    @property
    def keys(self) -> dict[str, Any]:
        """As a recipe writes it."""
        keys: dict[str, Any] = {"from": self.start, "to": self.stop, "by_ms": self.by_ms}
        return keys if self.joint_ms is None else {**keys, "joint_ms": self.joint_ms}


@dataclass(frozen=True)
class Change:
    """What a recipe's file would become."""

    path: Path
    before: str
    """The text as it stands in the file."""
    after: RecipeFile
    """The recipe as it would be read from the new text."""

    @property
    def is_empty(self) -> bool:
        """Whether nothing would change."""
        return self.before == self.after.text

    @property
    def diff(self) -> str:
        """The change as a unified diff; empty if nothing would change."""
        before, after = (text.replace("\r\n", "\n").split("\n") for text in (self.before, self.after.text))
        return "\n".join(difflib.unified_diff(before, after, str(self.path), f"{self.path} (changed)", lineterm=""))

    def write(self) -> RecipeFile:
        """Write the new text, whole or not at all, keeping the file's mode, its byte order mark and its line ends.

        Returns
        -------
        RecipeFile
            As read back from the file.

        Raises
        ------
        OutputError
            If the file has changed since it was read, or cannot be written.
        """
        # Through a link the file it leads to is replaced, not the link.
        target = Path(os.path.realpath(self.path))
        partial = target.with_name(target.name + ".partial")
        if self.is_empty:
            return self.after
        try:
            raw = target.read_bytes()
            mark = _BYTE_ORDER_MARK.encode() if raw.startswith(_BYTE_ORDER_MARK.encode()) else b""
            if raw != mark + self.before.encode():
                raise OutputError(f"{self.path}: has changed since it was read; nothing was written, try again")
            try:
                # What an interrupted run left is removed, never followed: it could be a link to somewhere else.
                partial.unlink(missing_ok=True)
                partial.write_bytes(mark + self.after.text.encode())
                shutil.copymode(target, partial)
                partial.replace(target)
            finally:
                partial.unlink(missing_ok=True)
        except OSError as refusal:
            raise OutputError(f"{self.path}: cannot be written: {refusal.strerror or refusal}") from refusal
        return read_recipe(self.path)


def set_level(source: Path | Change, layer: str, level_db: float, section: str | None = None) -> Change:
    """Set a layer's level, everywhere or in one section.

    Parameters
    ----------
    source : Path or Change
        The recipe, or a change to be changed further.
    layer : str
        Name of the layer.
    level_db : float
        New level in dB; -inf is silence.
    section : str, optional
        Name of the section whose `levels_db` is to say so; left out, the layer's own `level_db` is set.

    Raises
    ------
    RecipeError
        If the recipe has faults, has no such layer or section, or the level cannot be.
    """
    change = _opened(source)
    at = _find(change, ("layer",), layer)
    level_db = float(level_db) + 0.0  # -0.0 becomes 0.0
    if section is None:
        return _set(change, at, "level_db", level_db, after=("name",))
    at = _find(change, ("section",), section)
    if "levels_db" in value_at(change.after.data, at):
        return _set(change, (*at, "levels_db"), layer, level_db, after=())
    return _set(change, at, "levels_db", {layer: level_db}, after=("bars", "name"))


def set_song(source: Path | Change, *, tempo: float | None = None, meter: str | None = None,
             bar_one_s: float | None = None) -> Change:
    """Set the song's tempo (beats per minute), meter ("6/8") and place of bar 1 (seconds); None leaves one as it is.

    Raises
    ------
    RecipeError
        If the recipe has faults or would get some.
    """
    change = _opened(source)
    after: tuple[str, ...] = ("artist", "title")
    for key, value in (("tempo", tempo), ("meter", meter), ("bar_one_s", bar_one_s)):
        if value is not None:
            change = _set(change, ("song",), key, value, after=after)
        after = (key, *after)
    return change


def add_moves(source: Path | Change, layer: str, take: str, moves: Sequence[NewMove]) -> Change:
    """Add moves to a take, after those it has, each with a comment of why that `remove_moves` knows again.

    Parameters
    ----------
    source : Path or Change
    layer, take : str
        Names.
    moves : sequence of NewMove

    Raises
    ------
    RecipeError
        If the recipe has faults, has no such take, or a move cannot be: outside the files, overlapping another.
    """
    change = _opened(source)
    at = _find(change, (*_find(change, ("layer",), layer), "take"), take)
    if not moves:
        return change
    text, data = change.after.text, change.after.data
    layout = layout_of(text)
    existing = value_at(data, at).get("move", [])
    if at in layout.headers and (not existing or (*at, "move", 0) in layout.headers):
        lines = []
        for move in moves:
            lines += ["", f"[[layer.take.move]]  # {TIMING_MARK} {one_line(move.why)}"]
            lines += [f"{key} = {toml_text(value)}" for key, value in move.keys.items()]
        new = insert_lines(text, last_line(layout, at), lines)
    else:
        new = _in_place(change, at, "move", lambda listed: _extended(listed, moves))

    def meant(data: dict[str, Any]) -> None:
        value_at(data, at).setdefault("move", []).extend(move.keys for move in moves)

    return _changed(change, new, meant)


def remove_moves(source: Path | Change, layer: str | None = None, take: str | None = None) -> Change:
    """Take out the moves that `add_moves` wrote; those written by hand stay.

    Parameters
    ----------
    source : Path or Change
    layer, take : str, optional
        Only those of this layer, of this take of it; left out, of all.

    Raises
    ------
    RecipeError
        If the recipe has faults or no such take.
    OutputError
        If such a move has been written together with others on one line.
    """
    change = _opened(source)
    layer_at = None if layer is None else _find(change, ("layer",), layer)
    take_at = None if layer_at is None or take is None else _find(change, (*layer_at, "take"), take)
    within: Location = take_at or layer_at or ()
    for at in reversed(marked_moves(change)):
        if at[: len(within)] == within:
            change = _without_move(change, at)
    return change


def marked_moves(source: Path | Change) -> list[Location]:
    """Locations, in the recipe's order, of the moves that `add_moves` wrote.

    A location is ("layer", 0, "take", 1, "move", 2), counted from 0.
    """
    change = _opened(source)
    layout = layout_of(change.after.text)
    lines = change.after.text.split("\n")
    found = []
    for n, layer in enumerate(change.after.recipe.layer):
        for k, take in enumerate(layer.take):
            places: list[Location] = [("layer", n, "take", k, "move", m) for m in range(len(take.move))]
            found += [at for at in places if _is_marked(lines[layout.first[at] - 1])]
    return found


def _is_marked(line: str) -> bool:
    """Whether the comment that ends a line is that of a written move."""
    return f"# {TIMING_MARK}" in line


def _without_move(change: Change, at: Location) -> Change:
    """Take one move out, with its lines."""
    text = change.after.text
    layout = layout_of(text)
    first, last = layout.first[at], last_line(layout, at)
    lines = text.split("\n")
    if at not in layout.headers and [line for place, line in layout.first.items()
                                     if at[:-1] in (place, place[:-1])].count(first) > 1:
        where = place_words(at, change.after.data)
        raise OutputError(f"{change.path}: line {first}, {where}: shares its line with another; take it out by hand")
    # The empty line that set the table off from what precedes it goes with it.
    alone = at in layout.headers and first > 1 and not lines[first - 2].strip()
    new = "\n".join(lines[: first - (2 if alone else 1)] + lines[last:])

    def meant(data: dict[str, Any]) -> None:
        del value_at(data, at[:-1])[int(at[-1])]
        if not value_at(data, at[:-1]) and at in layout.headers:
            del value_at(data, at[:-2])["move"]

    change = _changed(change, new, meant)
    if value_at(change.after.data, at[:-2]).get("move") == []:
        # The list that was opened for the moves goes with the last of them, unless a remark still stands in it.
        bare = _in_place(change, at[:-2], "move", _unless_remarked)
        if bare != change.after.text:
            return _changed(change, bare, lambda data: value_at(data, at[:-2]).pop("move"))
    return change


def _unless_remarked(listed: Any) -> str | None:
    """An empty list [ ] as it is if a comment stands in it, else nothing."""
    text = str(listed.as_string())
    return text if "#" in text else None


def _extended(listed: Any, moves: Sequence[NewMove]) -> str:
    """A list [ ] with more moves, one a line, each with its comment."""
    import tomlkit

    listed = tomlkit.array() if listed is None else listed
    closing = re.search(r"\n[ \t]*\]$", listed.as_string())
    for move in moves:
        comment = f"{TIMING_MARK} {one_line(move.why)}"
        listed.add_line(tomlkit.value(toml_text(move.keys)), indent="    ", comment=comment)
    return re.sub(r"\s*\]$", closing[0] if closing else "\n  ]", listed.as_string())


def _set(change: Change, table: Location, key: str, value: Any, *, after: tuple[str, ...]) -> Change:
    """Set one key of a table; a new one under a header goes below the first of `after` that is there."""
    text, data = change.after.text, change.after.data
    layout = layout_of(text)
    there = value_at(data, table)
    if key not in there and table in layout.headers:
        anchor = next((name for name in after if (*table, name) in layout.last), None)
        line = layout.last[(*table, anchor)] if anchor else last_own_line(layout, table)
        new = insert_lines(text, line, [f"{toml_key(key)} = {toml_text(value)}"])
    else:
        new = _in_place(change, table, key, lambda there: toml_text(value))

    def meant(data: dict[str, Any]) -> None:
        value_at(data, table)[key] = value

    return _changed(change, new, meant)


def _in_place(change: Change, table: Location, key: str, value_of: Callable[[Any], str | None]) -> str:
    """The text with one value set where it stands."""
    try:
        return set_in_place(change.after.text, table, key, value_of)
    except Unsafe as refusal:
        raise OutputError(f"{change.path}: cannot be changed safely ({refusal}); change it by hand") from refusal


def _opened(source: Path | Change) -> Change:
    """The recipe as it is, as a change that changes nothing."""
    if isinstance(source, Change):
        return source
    file = read_recipe(Path(source))
    return Change(file.path, file.text, file)


def _changed(change: Change, text: str, meant: Callable[[dict[str, Any]], None]) -> Change:
    """The change with a new text, which must say what was meant and nothing else, and read without faults."""
    wanted = copy.deepcopy(change.after.data)
    meant(wanted)
    if 0 < change.before.count("\n") == change.before.count("\r\n"):
        text = text.replace("\r\n", "\n").replace("\n", "\r\n")
    after = parse_recipe(change.path, text)
    if after.data != wanted:
        raise OutputError(f"{change.path}: is written in a way that cannot be changed safely; change it by hand:\n"
                          + Change(change.path, change.before, after).diff)
    return Change(change.path, change.before, after)


def _find(change: Change, listed: Location, name: str) -> Location:
    """Location of the entry of a list that has a name."""
    names = [entry["name"] for entry in value_at(change.after.data, listed)] if listed[0] in change.after.data else []
    if name in names:
        return (*listed, names.index(name))
    like = nearest(name, names)
    known = f"did you mean {found_text(like)}?" if like else f"there are {', '.join(map(found_text, names)) or 'none'}"
    where = place_words(listed[:-1], change.after.data)
    kind = str(listed[-1])
    raise RecipeError([Fault(change.path, where, f"there is no {kind} {found_text(name)}; {known}")])

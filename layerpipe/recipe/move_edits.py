"""Timing moves written into a recipe's file and taken out again, each with a comment of why.

Nothing is written by asking for a change; see `recipe_change.py`. Moves written by hand are never touched. New tables
are put in right below the settings they belong to.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.recipe.change import Change, changed, find, in_place, opened
from layerpipe.recipe.messages import place_words
from layerpipe.recipe.names import one_line
from layerpipe.recipe.toml_edit import insert_lines, last_line, toml_text, value_at
from layerpipe.recipe.toml_lines import Location, layout_of

TIMING_MARK = "timing:"
"""Moves whose comment begins so were written by a command and may be taken out by one."""


@dataclass(frozen=True)
class NewMove:
    """A move to be written, and why.

    `start` and `stop` are "bar.beat.sixteenth" or seconds; `crossfade_ms` is left to the recipe's default when None.
    """

    start: str | float
    stop: str | float
    by_ms: float
    why: str
    crossfade_ms: float | None = None
    attack: str = ""
    """Fingerprint of the sound it was made for (`render.attack`); left out when empty."""

    @property
    def keys(self) -> dict[str, Any]:
        """As a recipe writes it."""
        keys: dict[str, Any] = {"from": self.start, "to": self.stop, "by_ms": self.by_ms}
        if self.crossfade_ms is not None:
            keys["crossfade_ms"] = self.crossfade_ms
        return {**keys, "attack": self.attack} if self.attack else keys


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
    change = opened(source)
    at = find(change, (*find(change, ("layer",), layer), "take"), take)
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
        new = in_place(change, at, "move", lambda listed: _extended(listed, moves))

    def meant(data: dict[str, Any]) -> None:
        value_at(data, at).setdefault("move", []).extend(move.keys for move in moves)

    return changed(change, new, meant)


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
    change = opened(source)
    layer_at = None if layer is None else find(change, ("layer",), layer)
    take_at = None if layer_at is None or take is None else find(change, (*layer_at, "take"), take)
    within: Location = take_at or layer_at or ()
    for at in reversed(marked_moves(change)):
        if at[: len(within)] == within:
            change = _without_move(change, at)
    return change


def marked_moves(source: Path | Change) -> list[Location]:
    """Locations, in the recipe's order, of the moves that `add_moves` wrote.

    A location is ("layer", 0, "take", 1, "move", 2), counted from 0.
    """
    change = opened(source)
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

    change = changed(change, new, meant)
    if value_at(change.after.data, at[:-2]).get("move") == []:
        # The list that was opened for the moves goes with the last of them, unless a remark still stands in it.
        bare = in_place(change, at[:-2], "move", _unless_remarked)
        if bare != change.after.text:
            return changed(change, bare, lambda data: value_at(data, at[:-2]).pop("move"))
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

"""Edits of a recipe's file that keep its comments, order and layout: levels, the song's tempo, moves.

An edit returns a `Change` and writes nothing (`change.py`). New keys under a [header] are inserted below the settings
they belong to, because a comment above the next header belongs to that header. Moves written by hand are never touched.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.core.text import one_line
from layerpipe.recipe.edit.change import Change, changed, find, in_place, opened
from layerpipe.recipe.edit.toml_text import (
    Location,
    insert_lines,
    last_line,
    last_own_line,
    layout_of,
    toml_key,
    toml_text,
    value_at,
)
from layerpipe.recipe.faults.messages import place_words
from layerpipe.recipe.position import BarShape

TIMING_MARK = "timing:"
"""Moves with a comment that begins with this were written by a command and can be removed by one."""


@dataclass(frozen=True)
class NewMove:
    """A move to be written, and why.

    `start` and `stop` are positions ("bar 3 beat 2") or seconds; with `crossfade_ms` None the default applies.
    """

    start: str | float
    stop: str | float
    by_ms: float
    why: str
    crossfade_ms: float | None = None
    attack: str = ""
    """Fingerprint of the sound the move was made for (`render.takes.attack`); left out when empty."""

    @property
    def keys(self) -> dict[str, Any]:
        """The keys of the move in a recipe."""
        keys: dict[str, Any] = {"from": self.start, "to": self.stop, "by_ms": self.by_ms}
        if self.crossfade_ms is not None:
            keys["crossfade_ms"] = self.crossfade_ms
        return {**keys, "attack": self.attack} if self.attack else keys


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
        Name of the section whose `levels_db` is set; if omitted, the layer's own `level_db`.

    Raises
    ------
    RecipeError
        If the recipe has faults, has no such layer or section, or the level cannot be.
    """
    change = opened(source)
    at = find(change, ("layer",), layer)
    level_db = float(level_db) + 0.0  # -0.0 becomes 0.0
    if section is None:
        return set_key(change, at, "level_db", level_db, after=("name",))
    at = find(change, ("section",), section)
    if "levels_db" in value_at(change.after.data, at):
        return set_key(change, (*at, "levels_db"), layer, level_db, after=())
    return set_key(change, at, "levels_db", {layer: level_db}, after=("bars", "name"))


def set_song(source: Path | Change, *, tempo: float | None = None, meter: str | None = None,
             bar_one_s: float | None = None) -> Change:
    """Set the song's tempo, meter ("6/8") and time of bar 1 (seconds); None keeps a value.

    `tempo` is in beats per minute of the meter's own beat, and is converted where the song has another `beat_note`.

    Raises
    ------
    RecipeError
        If the recipe has faults or would get some.
    """
    change = opened(source)
    song = change.after.recipe.song
    if tempo is not None and song.beat_note is not None:
        tempo *= float(BarShape.of(meter or song.meter).beat_note / Fraction(song.beat_note))
    after: tuple[str, ...] = ("artist", "title")
    for key, value in (("tempo", tempo), ("meter", meter), ("bar_one_s", bar_one_s)):
        if value is not None:
            change = set_key(change, ("song",), key, value, after=after)
        after = (key, *after)
    return change


def set_shift(source: Path | Change, at: Location, *, shift_ms: float, invert_polarity: bool | None = None) -> Change:
    """Set how much later a take, pass or microphone is played, and its polarity; None keeps that.

    Parameters
    ----------
    source : Path or Change
    at : tuple of str and int
        Location such as ("layer", 0, "take", 1, "mics", 1), counted from 0.
    shift_ms : float
    invert_polarity : bool, optional

    Raises
    ------
    RecipeError
        If the recipe has faults or would get some.
    """
    change = opened(source)
    if shift_ms != value_at(change.after.data, at).get("shift_ms", 0.0):
        change = set_key(change, at, "shift_ms", shift_ms, after=("starts", "channel", "file", "name"))
    if invert_polarity is not None and invert_polarity != value_at(change.after.data, at).get("invert_polarity", False):
        change = set_key(change, at, "invert_polarity", invert_polarity, after=("shift_ms", "channel", "file", "name"))
    return change


def add_moves(source: Path | Change, layer: str, take: str, moves: Sequence[NewMove], played: str = "") -> Change:
    """Add moves to a take or one of its passes, after its own.

    Each has a comment that says why, and that `remove_moves` recognises.

    Parameters
    ----------
    source : Path or Change
    layer, take : str
        Names.
    moves : sequence of NewMove
    played : str
        Name of the pass; empty for a take without passes.

    Raises
    ------
    RecipeError
        If the recipe has faults, has no such take, or a move is outside the files or overlaps another.
    """
    change = opened(source)
    at = find(change, (*find(change, ("layer",), layer), "take"), take)
    if played:
        at = find(change, (*at, "passes"), played)
    if not moves:
        return change
    text, data = change.after.text, change.after.data
    layout = layout_of(text)
    existing = value_at(data, at).get("move", [])
    if at in layout.headers and (not existing or (*at, "move", 0) in layout.headers):
        lines = []
        for move in moves:
            header = "[[layer.take.passes.move]]" if played else "[[layer.take.move]]"
            lines += ["", f"{header}  # {TIMING_MARK} {one_line(move.why)}"]
            lines += [f"{key} = {toml_text(value)}" for key, value in move.keys.items()]
        new = insert_lines(text, last_line(layout, at), lines)
    else:
        new = in_place(change, at, "move", lambda listed: _extended(listed, moves))

    def meant(data: dict[str, Any]) -> None:
        value_at(data, at).setdefault("move", []).extend(move.keys for move in moves)

    return changed(change, new, meant)


def remove_moves(source: Path | Change, layer: str | None = None, take: str | None = None) -> Change:
    """Remove the moves that `add_moves` wrote; moves written by hand stay.

    Parameters
    ----------
    source : Path or Change
    layer, take : str, optional
        Only those of this layer, or of this take in it; if omitted, all.

    Raises
    ------
    RecipeError
        If the recipe has faults or no such take.
    OutputError
        If such a move shares its line with others.
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

    A location is ("layer", 0, "take", 1, "move", 2), or ("layer", 0, "take", 1, "passes", 0, "move", 2).
    """
    change = opened(source)
    layout = layout_of(change.after.text)
    lines = change.after.text.split("\n")
    found = []
    for n, layer in enumerate(change.after.recipe.layer):
        for k, take in enumerate(layer.take):
            at: Location = ("layer", n, "take", k)
            places: list[Location] = [(*at, *(("passes", p) if take.passes else ()), "move", m)
                                      for p, one in enumerate(take.every_pass) for m in range(len(one.move))]
            found += [at for at in places if _is_marked(lines[layout.first[at] - 1])]
    return found


def set_key(change: Change, table: Location, key: str, value: Any, *, after: tuple[str, ...]) -> Change:
    """Set one key of a table; a new key under a header goes below the first key of `after` that exists."""
    text, data = change.after.text, change.after.data
    layout = layout_of(text)
    there = value_at(data, table)
    if key not in there and table in layout.headers:
        anchor = next((name for name in after if (*table, name) in layout.last), None)
        line = layout.last[(*table, anchor)] if anchor else last_own_line(layout, table)
        new = insert_lines(text, line, [f"{toml_key(key)} = {toml_text(value)}"])
    else:
        new = in_place(change, table, key, lambda there: toml_text(value))

    def meant(data: dict[str, Any]) -> None:
        value_at(data, table)[key] = value

    return changed(change, new, meant)


def _is_marked(line: str) -> bool:
    """Whether a line ends with the comment of a written move."""
    return f"# {TIMING_MARK}" in line


def _without_move(change: Change, at: Location) -> Change:
    """Remove one move with its lines."""
    text = change.after.text
    layout = layout_of(text)
    first, last = layout.first[at], last_line(layout, at)
    lines = text.split("\n")
    if at not in layout.headers and [line for place, line in layout.first.items()
                                     if at[:-1] in (place, place[:-1])].count(first) > 1:
        where = place_words(at, change.after.data)
        raise OutputError(f"{change.path}: line {first}, {where}: shares its line with another; remove it by hand")
    # The empty line above the table goes with it.
    alone = at in layout.headers and first > 1 and not lines[first - 2].strip()
    new = "\n".join(lines[: first - (2 if alone else 1)] + lines[last:])

    def meant(data: dict[str, Any]) -> None:
        del value_at(data, at[:-1])[int(at[-1])]
        if not value_at(data, at[:-1]) and at in layout.headers:
            del value_at(data, at[:-2])["move"]

    change = changed(change, new, meant)
    if value_at(change.after.data, at[:-2]).get("move") == []:
        # The list that was opened for the moves goes with the last of them, unless it contains a comment.
        bare = in_place(change, at[:-2], "move", _unless_remarked)
        if bare != change.after.text:
            return changed(change, bare, lambda data: value_at(data, at[:-2]).pop("move"))
    return change


def _unless_remarked(listed: Any) -> str | None:
    """An empty list [ ] as it is if it contains a comment, else nothing."""
    text = str(listed.as_string())
    return text if "#" in text else None


def _extended(listed: Any, moves: Sequence[NewMove]) -> str:
    """A list [ ] with more moves, one per line, each with its comment."""
    import tomlkit

    listed = tomlkit.array() if listed is None else listed
    closing = re.search(r"\n[ \t]*\]$", listed.as_string())
    for move in moves:
        comment = f"{TIMING_MARK} {one_line(move.why)}"
        listed.add_line(tomlkit.value(toml_text(move.keys)), indent="    ", comment=comment)
    return re.sub(r"\s*\]$", closing[0] if closing else "\n  ]", listed.as_string())

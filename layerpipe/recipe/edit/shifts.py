"""The shift of a whole take, written by a command with a comment that says why, and removed again.

A take with passes has a shift in each of them. What the recipe says of the sound at a number of seconds, in moves and
in the comp, goes with the sound; bars stay in the comp, because they are places of the song. A value that was there
before is named in the comment, so that removing the shift restores it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.core.text import one_line
from layerpipe.recipe.edit.change import Change, changed, find, in_place, opened
from layerpipe.recipe.edit.moves_and_levels import TIMING_MARK, set_key
from layerpipe.recipe.edit.toml_text import Layout, Location, insert_lines, layout_of, toml_text, value_at
from layerpipe.recipe.faults.messages import place_words
from layerpipe.recipe.tempo_map import TempoMap

KEY = "shift_ms"
_WAS = "; it was "
"""Before the value that the recipe had, at the end of the comment."""
_FOLLOWS = "follows its take"


def write_shift(source: Path | Change, layer: str, take: str, later_ms: float, why: str,
                passes: Sequence[str] = ()) -> Change:
    """Play a take later than now.

    Parameters
    ----------
    source : Path or Change
        The recipe, or a change to be changed further.
    layer, take : str
        Names.
    later_ms : float
        How much later; earlier when negative. Added to the shift that is there.
    why : str
        Goes into the comment.
    passes : sequence of str
        Names of the passes that are shifted, if the take has passes.

    Raises
    ------
    RecipeError
        If the recipe has faults, has no such take or pass, or the shift cannot be.
    OutputError
        If the take, the pass or one of its moves is written in one line with others, where no comment can be.
    """
    change = opened(source)
    at = find(change, (*find(change, ("layer",), layer), "take"), take)
    by_ms = later_ms
    for place in [find(change, (*at, "passes"), name) for name in passes] or [at]:
        was = value_at(change.after.data, place).get(KEY, 0.0)
        shift_ms = round(was + later_ms, 1)
        by_ms = shift_ms - was
        change = _places_later(_with_shift(change, place, shift_ms, why), (*place, "move"), by_ms)
    return _places_later(change, (*at, "comp"), by_ms)


def remove_shifts(source: Path | Change) -> Change:
    """Remove every shift that `write_shift` wrote; those written by hand stay, or come back.

    Raises
    ------
    RecipeError
        If the recipe has faults.
    """
    change = opened(source)
    moved_back = set()
    for at in reversed(marked_shifts(change)):
        layout, lines = layout_of(change.after.text), change.after.text.split("\n")
        shift_ms = value_at(change.after.data, at)[KEY]
        number = _comment_line(layout, lines, at)
        assert number is not None
        by_hand = _by_hand(lines[number])
        restored = {} if by_hand is None else _read(change, number, KEY, by_hand)
        if at in layout.headers:
            lines[number : number + 1] = [] if by_hand is None else [f"{KEY} = {by_hand}"]
            change = changed(change, "\n".join(lines), _meant(at, restored))
        else:
            change = _in_list(change, at, by_hand, restored)
            lines = change.after.text.split("\n")
            change = changed(change, "\n".join([*lines[:number], *lines[number + 1 :]]), _nothing)
        back_ms = restored.get(KEY, 0.0) - shift_ms
        change = _places_later(change, (*at, "move"), back_ms, is_undone=True)
        if at[:4] not in moved_back:
            moved_back.add(at[:4])
            change = _places_later(change, (*at[:4], "comp"), back_ms, is_undone=True)
    return change


def marked_shifts(source: Path | Change) -> list[Location]:
    """Locations, such as ("layer", 0, "take", 1), of the takes and passes whose shift `write_shift` wrote."""
    change = opened(source)
    layout, lines = layout_of(change.after.text), change.after.text.split("\n")
    takes: list[Location] = [("layer", n, "take", k) for n, layer in enumerate(change.after.recipe.layer)
                             for k in range(len(layer.take))]
    places = [place for at in takes for place in (at, *((*at, "passes", p) for p in range(
        len(value_at(change.after.data, at).get("passes", [])))))]
    return [at for at in places if (*at, KEY) in layout.first and _comment_line(layout, lines, at) is not None]


def _with_shift(change: Change, at: Location, shift_ms: float, why: str) -> Change:
    """The change with the shift of a take or pass, and a comment beside it, or above an entry in a list."""
    text = change.after.text
    layout, lines = layout_of(text), text.split("\n")
    place = (*at, KEY)
    if at in layout.headers and place in layout.first:
        number = layout.first[place] - 1
        lines[number] = _line(KEY, shift_ms, why, _by_hand(lines[number]))
        return changed(change, "\n".join(lines), _meant(at, {KEY: shift_ms}))
    if at in layout.headers:
        anchor = next((name for name in ("starts", "channel", "file", "name") if (*at, name) in layout.last), "name")
        new = insert_lines(text, layout.last[(*at, anchor)], [_line(KEY, shift_ms, why, None)])
        return changed(change, new, _meant(at, {KEY: shift_ms}))
    number = layout.first[at] - 1
    if not lines[number].lstrip().startswith("{"):
        raise OutputError(f"{change.path}: {place_words(at, change.after.data)}: is written in one line with others, "
                          f"where no comment fits; set {KEY} = {toml_text(shift_ms)} there by hand")
    was = value_at(change.after.data, at).get(KEY)
    marked = _comment_line(layout, lines, at)
    by_hand = (None if was is None else toml_text(was)) if marked is None else _by_hand(lines[marked])
    indent = lines[number][: len(lines[number]) - len(lines[number].lstrip())]
    comment = f"{indent}# {TIMING_MARK} {one_line(why)}{'' if by_hand is None else _WAS + by_hand}"
    change = _in_list(change, at, toml_text(shift_ms), {KEY: shift_ms})
    lines = change.after.text.split("\n")
    lines[number if marked is None else marked : number] = [comment]
    return changed(change, "\n".join(lines), _nothing)


def _read(change: Change, number: int, key: str, by_hand: str) -> dict[str, Any]:
    """The key with the value that a comment, in line `number` from 0, says it had."""
    try:
        return tomllib.loads(f"{key} = {by_hand}")
    except tomllib.TOMLDecodeError as refusal:
        raise OutputError(f"{change.path}: line {number + 1}: the comment no longer says what {key} was; set it "
                          f'by hand and remove the comment that begins with "{TIMING_MARK}"') from refusal


def _in_list(change: Change, at: Location, text: str | None, values: dict[str, Any]) -> Change:
    """The change with the shift of an entry in a list as a text, or without it."""
    return changed(change, in_place(change, at, KEY, lambda there: text), _meant(at, values))


def _places_later(change: Change, listed: Location, later_ms: float, *, is_undone: bool = False) -> Change:
    """Moves, or a comp, whose places in seconds are later; positions in bars of moves become seconds, and come back."""
    tempo_map, is_comp = TempoMap.of(change.after.recipe), listed[-1] == "comp"
    entries = value_at(change.after.data, listed[:-1]).get(listed[-1], [])
    ends = [((*listed, n), key, entry[key]) for n, entry in enumerate(entries) for key in ("from", "to")]
    # In an order in which no two of them ever overlap.
    ends.sort(key=lambda end: tempo_map.seconds_of(end[2]))
    for at, key, position in reversed(ends) if later_ms > 0 else ends:
        layout, lines = layout_of(change.after.text), change.after.text.split("\n")
        number = layout.first[(*at, key)] - 1
        if is_undone and at in layout.headers and f"# {TIMING_MARK} {_FOLLOWS}" in lines[number]:
            by_hand = _by_hand(lines[number]) or ""
            lines[number] = f"{key} = {by_hand}"
            change = changed(change, "\n".join(lines), _meant(at, _read(change, number, key, by_hand)))
            continue
        if is_comp and (isinstance(position, str) or position <= 0):
            continue
        new = max(round(tempo_map.seconds_of(position) + later_ms / 1000, 6), 0.0)
        if not isinstance(position, str):
            change = set_key(change, at, key, new, after=())
        elif is_undone:
            continue
        elif at in layout.headers:
            lines[number] = _line(key, new, _FOLLOWS, _by_hand(lines[number]))
            change = changed(change, "\n".join(lines), _meant(at, {key: new}))
        else:
            raise OutputError(f"{change.path}: {place_words(at, change.after.data)}: has its place in bars, and in one "
                              f"line with others, where no comment fits; give {key} = {toml_text(new)} there by hand")
    return change


def _nothing(data: dict[str, Any]) -> None:
    """Only comments change."""


def _meant(at: Location, values: dict[str, Any]) -> Callable[[dict[str, Any]], None]:
    """A change of data: the keys of `values` are set, and a shift that is not among them is removed."""

    def meant(data: dict[str, Any]) -> None:
        if not values:
            del value_at(data, at)[KEY]
        value_at(data, at).update(values)

    return meant


def _comment_line(layout: Layout, lines: Sequence[str], at: Location) -> int | None:
    """Index of the line with the comment of a written shift: that of the key, or the one above an entry in a list."""
    if at in layout.headers:
        number = layout.first[(*at, KEY)] - 1 if (*at, KEY) in layout.first else -1
        return number if number >= 0 and f"# {TIMING_MARK}" in lines[number] else None
    number = layout.first[at] - 2
    return number if number >= 0 and lines[number].lstrip().startswith(f"# {TIMING_MARK}") else None


def _line(key: str, value: float, why: str, by_hand: str | None) -> str:
    """A key, its value and its comment."""
    return f"{key} = {toml_text(value)}  # {TIMING_MARK} {one_line(why)}{'' if by_hand is None else _WAS + by_hand}"


def _by_hand(line: str) -> str | None:
    """What was written by hand after the equals sign: here, or in the comment of a written shift."""
    line = line.rstrip("\r")
    if f"# {TIMING_MARK}" not in line:
        return line.split("=", 1)[1].strip()
    return line.split(_WAS, 1)[1] if _WAS in line else None

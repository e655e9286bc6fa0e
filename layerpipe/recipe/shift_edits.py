"""The shift of a whole take, written by a command with a comment that says why, and removed again.

A value that was there before is named in the comment, so that removing the shift restores it.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.core.text import one_line
from layerpipe.recipe.change import Change, changed, find, opened
from layerpipe.recipe.edits import TIMING_MARK
from layerpipe.recipe.toml_text import Location, insert_lines, layout_of, toml_text, value_at

KEY = "shift_ms"
_WAS = "; it was "
"""Before the value that the recipe had, at the end of the comment."""


def write_shift(source: Path | Change, layer: str, take: str, shift_ms: float, why: str) -> Change:
    """Set how much later a take is played.

    Parameters
    ----------
    source : Path or Change
        The recipe, or a change to be changed further.
    layer, take : str
        Names.
    shift_ms : float
        Replaces the value that is there.
    why : str
        Goes into the comment.

    Raises
    ------
    RecipeError
        If the recipe has faults, has no such take, or the shift cannot be.
    OutputError
        If the take is written in one line, where no comment can be.
    """
    change = opened(source)
    at = find(change, (*find(change, ("layer",), layer), "take"), take)
    text = change.after.text
    layout = layout_of(text)
    if at not in layout.headers:
        raise OutputError(f'{change.path}: take "{take}" is written in one line, where no comment fits; set '
                          f"{KEY} = {toml_text(shift_ms)} there by hand")
    lines = text.split("\n")
    place = (*at, KEY)
    was = value_at(change.after.data, at).get(KEY)
    if was is not None:
        number = layout.first[place] - 1
        lines[number] = _line(shift_ms, why, _by_hand(lines[number]))
        new = "\n".join(lines)
    else:
        anchor = next((name for name in ("starts", "channel", "file", "name") if (*at, name) in layout.last), "name")
        new = insert_lines(text, layout.last[(*at, anchor)], [_line(shift_ms, why, None)])

    def meant(data: dict[str, Any]) -> None:
        value_at(data, at)[KEY] = shift_ms

    return changed(change, new, meant)


def remove_shifts(source: Path | Change) -> Change:
    """Remove every shift that `write_shift` wrote; those written by hand stay, or come back.

    Raises
    ------
    RecipeError
        If the recipe has faults.
    """
    change = opened(source)
    for at in reversed(marked_shifts(change)):
        lines = change.after.text.split("\n")
        number = layout_of(change.after.text).first[(*at, KEY)] - 1
        by_hand = _by_hand(lines[number])
        lines[number : number + 1] = [] if by_hand is None else [f"{KEY} = {by_hand}"]
        restored = {} if by_hand is None else tomllib.loads(f"{KEY} = {by_hand}")

        def meant(data: dict[str, Any], at: Location = at, restored: dict[str, Any] = restored) -> None:
            del value_at(data, at)[KEY]
            value_at(data, at).update(restored)

        change = changed(change, "\n".join(lines), meant)
    return change


def marked_shifts(source: Path | Change) -> list[Location]:
    """Locations, such as ("layer", 0, "take", 1), of the takes whose shift `write_shift` wrote."""
    change = opened(source)
    layout = layout_of(change.after.text)
    lines = change.after.text.split("\n")
    found: list[Location] = []
    for n, layer in enumerate(change.after.data.get("layer", [])):
        for k in range(len(layer.get("take", []))):
            line = layout.first.get(("layer", n, "take", k, KEY))
            if line is not None and f"# {TIMING_MARK}" in lines[line - 1]:
                found.append(("layer", n, "take", k))
    return found


def _line(shift_ms: float, why: str, by_hand: str | None) -> str:
    """The key, its value and its comment."""
    return f"{KEY} = {toml_text(shift_ms)}  # {TIMING_MARK} {one_line(why)}{'' if by_hand is None else _WAS + by_hand}"


def _by_hand(line: str) -> str | None:
    """What was written by hand after the equals sign: here, or in the comment of a written shift."""
    line = line.rstrip("\r")
    if f"# {TIMING_MARK}" not in line:
        return line.split("=", 1)[1].strip()
    return line.split(_WAS, 1)[1] if _WAS in line else None

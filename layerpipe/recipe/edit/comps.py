"""Edits of the pass that a take plays and of its comp, which keep the recipe's comments, order and layout.

A comp that was written by a command has a comment that begins with "choose:", and can be removed by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from layerpipe.core.text import one_line
from layerpipe.recipe.edit.change import Change, changed, find, in_place, opened
from layerpipe.recipe.edit.moves_and_levels import set_key
from layerpipe.recipe.edit.toml_text import Location, insert_lines, last_line, layout_of, toml_text, value_at

CHOOSE_MARK = "choose:"
"""A `play` or `comp` with a comment that begins with this was written by a command."""
_KEYS = ("play", "comp")


@dataclass(frozen=True)
class NewPart:
    """An entry of a comp: seconds of the song, the pass, and the parts of the song it is for."""

    start_s: float
    stop_s: float
    played: str
    why: str = ""

    @property
    def keys(self) -> dict[str, Any]:
        """The entry in a recipe."""
        return {"from": self.start_s, "to": self.stop_s, "pass": self.played}


def set_comp(source: Path | Change, layer: str, take: str, play: str, parts: Sequence[NewPart]) -> Change:
    """Set which pass a take plays, and where others are heard instead.

    Parameters
    ----------
    source : Path or Change
        The recipe, or a change to be changed further.
    layer, take : str
        Names.
    play : str
        Name of the pass.
    parts : sequence of NewPart
        In order; empty removes the comp.

    Raises
    ------
    RecipeError
        If the recipe has faults, has no such take or pass, or would get faults.
    """
    change = opened(source)
    at = find(change, (*find(change, ("layer",), layer), "take"), take)
    find(change, (*at, "passes"), play)
    table = value_at(change.after.data, at)
    if play != table.get("play", table["passes"][0]["name"]):
        change = set_key(change, at, "play", play, after=("passes", "name")) if "play" in table else (
            _add(change, at, "play", f"{toml_text(play)}  # {CHOOSE_MARK} most of the song", play))
    comp = [part.keys for part in parts]
    if comp == table.get("comp", []):
        return change
    if "comp" in table:
        change = changed(change, in_place(change, at, "comp", lambda listed: None),
                         partial(_without, (*at, "comp")))
    if comp:
        lines = [f"  {toml_text(part.keys)},{f'  # {one_line(part.why)}' if part.why else ''}" for part in parts]
        change = _add(change, at, "comp", "\n".join([f"[  # {CHOOSE_MARK} other passes", *lines, "]"]), comp)
    return change


def remove_comps(source: Path | Change) -> Change:
    """Remove every `play` and `comp` that `set_comp` added; those written by hand stay.

    Raises
    ------
    RecipeError
        If the recipe has faults.
    """
    change = opened(source)
    for at in reversed(marked_comps(change)):
        layout = layout_of(change.after.text)
        lines = change.after.text.split("\n")
        text = "\n".join(lines[: layout.first[at] - 1] + lines[last_line(layout, at) :])
        change = changed(change, text, partial(_without, at))
    return change


def _without(at: Location, data: dict[str, Any]) -> None:
    """Remove a key from the values of a recipe."""
    del value_at(data, at[:-1])[at[-1]]


def marked_comps(source: Path | Change) -> list[Location]:
    """Locations of the keys that `set_comp` added, in the recipe's order."""
    change = opened(source)
    layout, lines = layout_of(change.after.text), change.after.text.split("\n")
    places: list[Location] = [("layer", n, "take", k, key) for n, layer in enumerate(change.after.recipe.layer)
                              for k in range(len(layer.take)) for key in _KEYS]
    found = [at for at in places if at in layout.first and f"# {CHOOSE_MARK}" in lines[layout.first[at] - 1]]
    return sorted(found, key=lambda at: layout.first[at])


def _add(change: Change, at: Location, key: str, text: str, value: Any) -> Change:
    """Add a key to a take: lines below its passes, or in place in an inline table, which has no comments."""
    layout = layout_of(change.after.text)
    anchor = next((name for name in ("play", "passes", "name") if (*at, name) in layout.last), None)
    if at in layout.headers and anchor is not None and (*at, anchor, 0) not in layout.headers:
        new = insert_lines(change.after.text, last_line(layout, (*at, anchor)), f"{key} = {text}".split("\n"))
    elif at in layout.headers:
        # Passes with headers of their own: the key goes above the first of them.
        new = insert_lines(change.after.text, layout.last[(*at, "name")], f"{key} = {text}".split("\n"))
    else:
        plain = "[" + ", ".join(map(toml_text, value)) + "]" if isinstance(value, list) else toml_text(value)
        new = in_place(change, at, key, lambda there: plain)

    def meant(data: dict[str, Any]) -> None:
        value_at(data, at)[key] = value

    return changed(change, new, meant)

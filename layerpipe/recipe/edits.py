"""Settings of a recipe's file changed so that it keeps its comments, its order and its way of writing.

Nothing is written by asking for a change; see `recipe_change.py`. New keys under a [header] are put in right below the
settings they belong to: a comment that stands above the next header is about that one, and stays there.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from layerpipe.recipe.change import Change, changed, find, in_place, opened
from layerpipe.recipe.toml_edit import insert_lines, last_own_line, toml_key, toml_text, value_at
from layerpipe.recipe.toml_lines import Location, layout_of


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
    change = opened(source)
    at = find(change, ("layer",), layer)
    level_db = float(level_db) + 0.0  # -0.0 becomes 0.0
    if section is None:
        return _set(change, at, "level_db", level_db, after=("name",))
    at = find(change, ("section",), section)
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
    change = opened(source)
    after: tuple[str, ...] = ("artist", "title")
    for key, value in (("tempo", tempo), ("meter", meter), ("bar_one_s", bar_one_s)):
        if value is not None:
            change = _set(change, ("song",), key, value, after=after)
        after = (key, *after)
    return change


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
        new = in_place(change, table, key, lambda there: toml_text(value))

    def meant(data: dict[str, Any]) -> None:
        value_at(data, table)[key] = value

    return changed(change, new, meant)

"""Edits of a chain, which keep the recipe's comments, order and layout."""

from __future__ import annotations

from pathlib import Path

from layerpipe.recipe.edit.change import Change, opened
from layerpipe.recipe.edit.moves_and_levels import set_key
from layerpipe.recipe.edit.toml_text import Location, value_at


def add_high_pass(source: Path | Change, at: Location, hz: float) -> Change:
    """Add a high-pass before those of a chain; nothing changes if it has that corner already.

    Parameters
    ----------
    source : Path or Change
        The recipe, or a change to be changed further.
    at : tuple of str and int
        Of the layer, or of a take with a chain of its own: ("layer", 0).
    hz : float
        Corner frequency.

    Raises
    ------
    RecipeError
        If the recipe has faults or would get some.
    """
    change = opened(source)
    chain = value_at(change.after.data, at).get("chain")
    if chain is None:
        return set_key(change, at, "chain", {"high_pass": [{"hz": hz}]}, after=("strings", "level_db", "name"))
    there = chain.get("high_pass", [])
    if any(one.get("hz") == hz for one in there):
        return change
    return set_key(change, (*at, "chain"), "high_pass", [{"hz": hz}, *there], after=())

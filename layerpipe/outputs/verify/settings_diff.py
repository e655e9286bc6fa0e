"""Differences between two tables of settings in words, by the settings' names and units."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from layerpipe.outputs.settings_text import level_words, number_words

Table = dict[str, Any]

_UNITS = {"db": "dB", "hz": "Hz", "ms": "ms", "s": "s", "lufs": "LUFS", "dbtp": "dBTP", "dbfs": "dBFS",
          "cents": "cents"}
_NAMES = {"slope_db_per_octave": "dB per octave",
          "bar_one_s": "bar 1 at", "a4_hz": "A4", "sample_rate_hz": "sample rate", "bit_depth": "bit depth",
          "hits_db": "loudest peaks lowered by", "makeup_db": "make-up", "time_reference_s": "time reference",
          "loudness_lufs": "loudness", "ceiling_dbtp": "ceiling"}
_ZERO_IF_ABSENT = ("starts", "time_reference_s")
"""A bounce of a version that did not have the setting is as one with 0."""
_LEVELS = ("db", "lufs", "dbtp", "dbfs")


def settings_changes(old: Table, new: Table, where: str) -> Iterator[str]:
    """Settings by name and unit."""
    for key in dict.fromkeys((*old, *new)):
        yield from (where + line for line in anything_changes(old.get(key), new.get(key), key))


def anything_changes(old: Any, new: Any, key: str) -> Iterator[str]:
    """One setting of any kind."""
    if old == new or (key in _ZERO_IF_ABSENT and not old and not new):
        return
    if isinstance(old, dict) and isinstance(new, dict):
        yield from settings_changes(old, new, f"{key.replace('_', ' ')}: ")
        return
    name, _, unit = key.rpartition("_")
    if not name or unit not in _UNITS:
        name, unit = key, ""
    words = _NAMES.get(key, name.replace("_", " "))
    show = level_words if unit in _LEVELS else number_words
    after = f" {_UNITS[unit]}" if unit else ""
    sides = [_none(key) if value is None else show(value) for value in (old, new)]
    yield f"{words} {sides[0]} -> {sides[1]}{after if new is not None else ''}"


def _none(key: str) -> str:
    """The meaning of an absent setting."""
    return {"sample_rate_hz": "as the first take", "time_reference_s": "0"}.get(key, "none")


def without_keys(sides: tuple[Table, Table], *keys: str) -> tuple[Table, Table]:
    """Two tables without some keys."""
    old, new = ({key: value for key, value in side.items() if key not in keys} for side in sides)
    return old, new


def table_in(of: Any, key: str) -> Table:
    """A table inside another; empty if it is not one."""
    found = of.get(key) if isinstance(of, dict) else None
    return found if isinstance(found, dict) else {}


def by_name(rows: list[Table]) -> dict[str, Table]:
    """Tables by their names."""
    return {str(row.get("name")): row for row in rows}

"""Keys, tables and values that recipes used to have, each with its new name, so that a refusal can say it."""

from __future__ import annotations

from layerpipe.recipe.edit.toml_text import Location

RENAMED = {
    ("", "sheet"): "page",
    ("page", "mark"): "setting",
    ("layer.take", "flip_polarity"): "invert_polarity",
    ("layer.take.move", "joint_ms"): "crossfade_ms",
    ("preview", "ring_out_s"): "tail_s",
    ("bounce", "ceiling"): "over_full_scale",
    ("timing", "partner_tolerance_ms"): "double_tolerance_ms",
    ("timing", "farthest_ms"): "most_offset_ms",
    ("timing", "loosest_ms"): "most_spread_ms",
    ("check", "clipping_hits"): "clipped_peaks",
    ("check", "clicks_again"): "clicks_rerecord",
    ("check", "rumble_again_under_lu"): "rumble_rerecord_under_lu",
    ("check", "hum_again_under_lu"): "hum_rerecord_under_lu",
    ("check", "noise_again_under_lu"): "noise_rerecord_under_lu",
    ("check", "strings_share"): "wrong_strings_share",
    ("check", "lopsided_lu"): "imbalance_lu",
    ("check", "lopsided_db"): "imbalance_brightness_db",
    ("check", "high_pass_db"): "high_pass_loss_db",
    ("check", "high_pass_lu"): "high_pass_loss_lu",
}
"""(table, old key): new key. Positions in the old spelling are answered in `tempo_map.py`, which knows the meter."""
RENAMED_VALUES = {("timing", "toward", "partner"): "double"}
"""(table, key, old value): new value."""


def renamed_key(location: Location) -> str | None:
    """What a refusal says about an old key; None if it never was one."""
    table, key = _table_of(location), str(location[-1])
    new = RENAMED.get((table, key))
    if new is None:
        return None
    inside = [f'"{old}" in it is called "{now}"' for (place, old), now in RENAMED.items() if not table and place == new]
    return "; ".join([f'"{key}" is called "{new}"', *inside])


def renamed_value(location: Location, value: object) -> str | None:
    """What a refusal says about an old value; None if it never was one."""
    new = RENAMED_VALUES.get((_table_of(location), str(location[-1]), value)) if isinstance(value, str) else None
    return None if new is None else f'found "{value}", which is called "{new}"'


def _table_of(location: Location) -> str:
    """The table of a key as a header names it: "layer.take"."""
    return ".".join(step for step in location[:-1] if isinstance(step, str))

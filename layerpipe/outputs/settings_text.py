"""Settings in words: filters, compressors, levels and pans as an engineer reads them.

Settings are tables from a manifest, which may be damaged: what is not a number is shown as it is.
"""

from __future__ import annotations

import math
from typing import Any

Table = dict[str, Any]


def chain_words(chain: Table) -> list[str]:
    """A chain, part by part; empty for none."""
    words = [high_pass_words(part) for part in rows_of(chain, "high_pass")]
    words += [shelf_words(part) for part in rows_of(chain, "shelf")]
    words += [bell_words(part) for part in rows_of(chain, "bell")]
    if isinstance(found := chain.get("compressor"), dict):
        knee, attack, release = (number_words(found.get(key)) for key in ("knee_db", "attack_ms", "release_ms"))
        make_up = f", make-up {signed_words(found['makeup_db'])} dB" if found.get("makeup_db") else ""
        words.append(f"compressor: {compressor_words(found)}, knee {knee} dB, attack {attack} ms, release {release} ms"
                     + make_up)
    return words


def high_pass_words(part: Table) -> str:
    """A high-pass."""
    slope = number_words(part.get("slope_db_per_octave"))
    return f"high-pass {number_words(part.get('hz'))} Hz ({slope} dB per octave)"


def shelf_words(part: Table) -> str:
    """A shelf."""
    return f"{part.get('side')} shelf {number_words(part.get('hz'))} Hz {signed_words(part.get('gain_db'))} dB"


def bell_words(part: Table) -> str:
    """A bell."""
    return (f"bell {number_words(part.get('hz'))} Hz {signed_words(part.get('gain_db'))} dB, "
            f"Q {number_words(part.get('q'))}")


def compressor_words(part: Table) -> str:
    """A compressor's threshold and ratio."""
    start = (f"{number_words(part.get('hits_db'))} dB off the loudest peaks" if part.get("hits_db") is not None
             else f"threshold {level_words(part.get('threshold_db'))} dB")
    return f"{start}, ratio {number_words(part.get('ratio'))}"


def pan_words(pan: Any) -> str:
    """A pan: "centre", "70 left"."""
    if not isinstance(pan, int | float):
        return str(pan)
    return "centre" if pan == 0 else f"{abs(pan):g} {'left' if pan < 0 else 'right'}"


def level_words(value: Any) -> str:
    """A level with one decimal, or as many as it has."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return str(value)
    return f"{value:.1f}" if round(value, 1) == value else f"{value:g}"


def signed_words(value: Any) -> str:
    """A gain with its sign."""
    return f"+{level_words(value)}" if isinstance(value, int | float) and value > 0 else level_words(value)


def number_words(value: Any) -> str:
    """Any other value, short."""
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    return str(value) if isinstance(value, bool) or not isinstance(value, int | float) else f"{value:.10g}"


def take_words(layer: object, take: object) -> str:
    """A take's name: "regular / left"."""
    return f"{layer} / {take}"


def rows_of(table: Any, key: str) -> list[Table]:
    """A list of tables inside a table; empty if it is not one."""
    found = table.get(key) if isinstance(table, dict) else None
    return [row for row in found if isinstance(row, dict)] if isinstance(found, list) else []

"""Settings in the trade's words: filters, compressors, levels and pans as a person reads them.

Settings are tables as a manifest tells them, read without trust: what is no number is shown as it is.
"""

from __future__ import annotations

import math
from typing import Any

Table = dict[str, Any]


def chain_words(chain: Table) -> list[str]:
    """A chain, one part after the other; empty for none."""
    words = [high_pass_words(part) for part in rows_of(chain, "high_pass")]
    words += [shelf_words(part) for part in rows_of(chain, "shelf")]
    words += [bell_words(part) for part in rows_of(chain, "bell")]
    asked = chain.get("compressor")
    if isinstance(asked, dict):
        words.append(f"compressor: {compressor_words(asked)}, knee {number_words(asked.get('knee_db'))} dB, attack "
                     f"{number_words(asked.get('attack_ms'))} ms, release {number_words(asked.get('release_ms'))} ms"
                     + (f", make-up {signed_words(asked['makeup_db'])} dB" if asked.get("makeup_db") else ""))
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
    """A compressor's heart: where it begins and how much it does."""
    start = (f"{number_words(part.get('hits_db'))} dB off the hardest hits" if part.get("hits_db") is not None
             else f"threshold {level_words(part.get('threshold_db'))} dB")
    return f"{start}, ratio {number_words(part.get('ratio'))}"


def pan_words(pan: Any) -> str:
    """A pan as it is said."""
    if not isinstance(pan, int | float):
        return str(pan)
    return "centre" if pan == 0 else f"{abs(pan):g} {'left' if pan < 0 else 'right'}"


def level_words(value: Any) -> str:
    """A level with one decimal, more if it has more."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return str(value)
    return f"{value:.1f}" if round(value, 1) == value else f"{value:g}"


def signed_words(value: Any) -> str:
    """A gain with its sign."""
    return f"+{level_words(value)}" if isinstance(value, int | float) and value > 0 else level_words(value)


def number_words(value: Any) -> str:
    """Anything else, short."""
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    return str(value) if isinstance(value, bool) or not isinstance(value, int | float) else f"{value:.10g}"


def rows_of(table: Any, key: str) -> list[Table]:
    """A list of tables inside a table; empty if it is none."""
    found = table.get(key) if isinstance(table, dict) else None
    return [row for row in found if isinstance(row, dict)] if isinstance(found, list) else []

"""What a text may ask of the TOML reader, counted before it reads: some short texts take gigabytes to read.

tomllib needs memory that grows with the square of a dotted key's length, and a megabyte can hold 500,000 values, far
more than a song has. Only tokens are counted here; whether the text is TOML is tomllib's business.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Bounds:
    """Bounds of a text; the defaults are those of a recipe."""

    bytes: int = 1_000_000
    """Size of the file."""
    depth: int = 16
    """Lists and tables inside each other; a recipe needs 8."""
    key_parts: int = 8
    """Names in one dotted key; a recipe needs 5."""
    values: int = 30_000
    """Keys, brackets and list elements; 256 takes with a chain and ten moves each have 22,000."""
    word: int = 1_000
    """Characters of a number or a key without quotes."""


BOUNDS = Bounds()
_TOKEN = re.compile(r"""
    \"{3}[^"\\]*+(?:(?:\\.|"(?!""))[^"\\]*+)*+\"{3} | '{3}.*?'{3} |     # text on several lines
    "[^"\\\n]*+(?:\\.[^"\\\n]*+)*+" | '[^'\n]*+' | \#[^\n]*+ |           # text on one line, comments
    [\[{\]}=,.] | [0-9A-Za-z_+-]++                                     # marks, numbers and keys
    """, re.DOTALL | re.VERBOSE)


def bounds_problem(text: str, bounds: Bounds = BOUNDS) -> tuple[int, str] | None:
    """The line, from 1, at which a text passes a bound, and which one; None if it passes none."""
    depth = parts = values = 0
    for found in _TOKEN.finditer(text):
        token = found[0]
        if token in "[{":
            depth, parts, values = depth + 1, 0, values + 1
        elif token in "]}":
            depth, parts = max(depth - 1, 0), 0
        elif token == ".":
            parts += 1
        elif token in "=,":
            parts, values = 0, values + 1
        elif len(token) <= bounds.word or token[0] in "\"'#":
            continue
        if depth > bounds.depth:
            problem = f"nests lists or tables too deeply; allowed are {bounds.depth} levels"
        elif parts > bounds.key_parts:
            problem = f"has a key of too many parts; allowed are {bounds.key_parts} names with dots between"
        elif values > bounds.values:
            problem = f"has too many keys and list elements for a song; allowed are {bounds.values}"
        elif len(token) > bounds.word:
            problem = f"has a number or key of {len(token)} characters; allowed are {bounds.word}"
        else:
            continue
        return text.count("\n", 0, found.start()) + 1, problem
    return None

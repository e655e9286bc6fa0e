"""Every fault of a table: msgspec names the first one, so the parts of what it refuses are read one by one.

Imported only when something was refused.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args, get_origin

import msgspec

from layerpipe.recipe.edit.toml_text import Location
from layerpipe.recipe.model.types import Noun, Record, checks_of, read_special


@dataclass(frozen=True)
class Refusal:
    """One fault."""

    location: Location
    """Keys and indices from the top, counted from 0."""
    kind: Literal["missing", "unknown", "value"]
    found: Any = None
    words: str = ""
    """What a check said; "" where a type or a range says it all."""
    library_words: str = ""
    """What msgspec said."""


def refusals(value: Any, asked: Any, location: Location = (), *, first_in_lists: bool = False) -> Iterator[Refusal]:
    """Every fault of a value.

    Parameters
    ----------
    value : object
        As TOML or JSON has it.
    asked : type
        A record, or the type of one of its keys with what stands beside it.
    location : tuple of str and int
        Where the value stands.
    first_in_lists : bool
        Leave a list at its first faulty entry: a stranger's can have a million.
    """
    try:
        read = msgspec.convert(value, asked, dec_hook=read_special)
        for check in checks_of(asked):
            check(read)
    except (msgspec.ValidationError, ValueError) as refusal:
        cause = refusal.__cause__ if isinstance(refusal, msgspec.ValidationError) else refusal
        found = list(_inside(value, asked, location, first_in_lists))
        yield from found or [Refusal(location, "value", value, str(cause or ""), str(refusal))]


def _inside(value: Any, asked: Any, location: Location, first_in_lists: bool) -> Iterator[Refusal]:
    """Faults of the parts of a value."""
    bare, most = _bare(asked), _most_entries(asked)
    origin, parts = get_origin(bare), get_args(bare)
    if isinstance(value, list) and origin is list and len(value) <= most:
        for n, entry in enumerate(value):
            found = list(refusals(entry, parts[0], (*location, n), first_in_lists=first_in_lists))
            yield from found
            if found and first_in_lists:
                return
    elif isinstance(value, dict) and origin is dict and len(value) <= most:
        for key, entry in value.items():
            for part, of in zip((key, entry), parts, strict=True):
                yield from refusals(part, of, (*location, key), first_in_lists=first_in_lists)
    elif isinstance(value, dict) and isinstance(bare, type) and issubclass(bare, Record):
        fields = {field.encode_name: field for field in msgspec.structs.fields(bare)}
        for key, field in fields.items():
            if key in value:
                yield from refusals(value[key], field.type, (*location, key), first_in_lists=first_in_lists)
            elif field.required:
                yield Refusal((*location, key), "missing")
        if issubclass(bare, Noun):
            yield from (Refusal((*location, key), "unknown") for key in value if key not in fields)


def _bare(asked: Any) -> Any:
    """A type without what stands beside it, and without None."""
    parts = get_args(asked)
    return _bare(parts[0]) if get_origin(asked) is Annotated or type(None) in parts else asked


def _most_entries(asked: Any) -> float:
    """How many entries a list or table may have."""
    said = (mark.max_length for mark in get_args(asked)[1:] if isinstance(mark, msgspec.Meta))
    return next((most for most in said if most is not None), math.inf)

"""Settings that are given in Python, checked as those of a recipe are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

import numpy as np
from msgspec import ValidationError, to_builtins

from layerpipe.core.errors import ParameterError
from layerpipe.recipe.edit.toml_text import Location
from layerpipe.recipe.faults.messages import place_words, problems_of
from layerpipe.recipe.model.types import Noun

N = TypeVar("N", bound=Noun)


def checked_settings(table: type[N], values: N | Mapping[str, Any], location: Location) -> N:
    """Settings that can be used, or a `ParameterError` with all their faults; `location` is theirs in a recipe."""
    try:
        plain = to_builtins(values, enc_hook=_plain)
        return table.of(plain)
    except TypeError as refusal:
        raise ParameterError(f"{location[-1]}: {refusal}") from refusal
    except ValidationError as refusal:
        problems = ((place_words(at[len(location) - 1 :], {}), words if isinstance(words, str) else words())
                    for at, words in problems_of(plain, table, location))
        raise ParameterError("; ".join(map(": ".join, problems))) from refusal


def _plain(value: Any) -> Any:
    """numpy's numbers and the tables of others, as Python's own."""
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"found {value!r:.60}, allowed are tables, lists, numbers and text")

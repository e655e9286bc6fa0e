"""What the model refuses, in words: the place, what was found, what is allowed.

A problem is a (location, words) pair; locations are keys and indices from the top of the recipe, counted from 0. Words
that take long to find, a nearest name among many, are a function that is called only for the faults that are printed.
The ranges in messages come from the JSON Schema, so they are those of the model.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from msgspec import ValidationError

from layerpipe.recipe.edit.toml_text import Location
from layerpipe.recipe.faults.renamed import renamed_key, renamed_value
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.model.types import MOST_SECONDS, Noun
from layerpipe.recipe.names import found_key, found_text
from layerpipe.recipe.position import POSITION_WORDS
from layerpipe.recipe.schema import all_keys, places_of, schema_at

if TYPE_CHECKING:
    from layerpipe.recipe.faults.refusals import Refusal

Problem = tuple[Location, str | Callable[[], str]]
_NAMED = {"layer": "layer", "section": "section", "tempo": "tempo change"}
"""Lists at the top whose entries are named by their name, or by their number where they have none."""


def model_problems(data: Mapping[str, Any]) -> tuple[Recipe | None, list[Problem]]:
    """The recipe, if the model accepts it, else everything it refuses."""
    bounce = data.get("bounce")
    if isinstance(bounce, dict) and type(date := bounce.get("date")) is datetime.date:
        # TOML has dates of its own; here they count as their text.
        data = {**data, "bounce": {**bounce, "date": date.isoformat()}}
    try:
        return Recipe.of(data), []
    except ValidationError:
        return None, problems_of(data, Recipe)


def problems_of(values: Any, table: type[Noun], location: Location = ()) -> list[Problem]:
    """Everything that a table refuses; `location` is its own in a recipe."""
    from layerpipe.recipe.faults.refusals import refusals

    return [_problem(one) for one in refusals(values, table, location)]


def place_words(location: Location, data: Mapping[str, Any]) -> str:
    """A location as people say it: `layer "octave", take 2, pan`.

    Parameters
    ----------
    location : tuple of str and int
    data : mapping
        The recipe's values, for the names of layers and sections.
    """
    words: list[str] = []
    at: Any = data
    for n, step in enumerate(location):
        at = _inside(at, step)
        if isinstance(step, str):
            words.append(found_key(step))
        elif n == 1 and location[0] in _NAMED:
            name = at.get("name") if isinstance(at, dict) else None
            words[-1] = f"{_NAMED[str(location[0])]} {found_text(name) if isinstance(name, str) else step + 1}"
        else:
            words[-1] = f"{words[-1]} {step + 1}"
    return ", ".join(words)


def nearest(found: str, known: list[str]) -> str | None:
    """The known word most like the one found, if one is like it; case does not count."""
    by_lower = {word.lower(): word for word in reversed(known)}
    like = get_close_matches(found.lower()[:200], list(by_lower), n=1, cutoff=0.6)
    return by_lower[like[0]] if like else None


def _inside(table: Any, step: str | int) -> Any:
    """One step down, or None where there is nothing."""
    try:
        return table[step]
    except (KeyError, IndexError, TypeError):
        return None


def _problem(refusal: Refusal) -> Problem:
    """One refusal of the model in words."""
    location, found = refusal.location, refusal.found
    if refusal.kind == "unknown":
        return location, lambda: _unknown(location)
    schema = schema_at(location)
    if refusal.kind == "missing":
        return location, f"missing; it takes {_allowed(schema, location)}"
    if words := refusal.words or renamed_value(location, found):
        return location, words
    if isinstance(found, list) and found and schema.get("type") == "array":
        exactly = schema.get("minItems") == schema.get("maxItems")
        return location, f"found {len(found)}, allowed are {'exactly' if exactly else 'at most'} {schema['maxItems']}"
    if isinstance(found, str) and len(found) > schema.get("maxLength", len(found)):
        return location, f"found {len(found)} characters, allowed are at most {schema['maxLength']}"
    if isinstance(found, int | float) and not isinstance(found, bool) and {"type": "string"} in schema.get("anyOf", []):
        return location, f"found {_found(found, location)}, allowed are seconds up to {MOST_SECONDS:g}"
    return location, f"found {_found(found, location)}, allowed is {_allowed(schema, location)}"


def _unknown(location: Location) -> str:
    """An unknown key, and what may have been meant."""
    if renamed := renamed_key(location):
        return renamed
    key = str(location[-1])
    known = list(schema_at(location[:-1]).get("properties", {}))
    here = nearest(key, known)
    if here is not None:
        return f'there is no such setting; did you mean "{here}"?'
    elsewhere = key if places_of(key) else nearest(key, all_keys())
    if elsewhere is not None:
        places = [f"[{place}]" if place else "the top of the recipe" for place in places_of(elsewhere)]
        if len(places) <= 3:
            return f'there is no such setting here; "{elsewhere}" belongs in {" or ".join(places)}'
    return f"there is no such setting; known here are {', '.join(known)}"


def _found(value: Any, location: Location) -> str:
    """What was found; a header with the wrong number of brackets is shown as it was written."""
    header = ".".join(step for step in location if isinstance(step, str))
    if isinstance(value, dict) and schema_at(location).get("type") == "array":
        return f"[{header}]"
    if isinstance(value, list) and value and isinstance(value[0], dict) and "properties" in schema_at(location):
        return f"[[{header}]]"
    return found_text(value)


def _allowed(schema: Mapping[str, Any], location: Location) -> str:
    """What a setting accepts, in words."""
    kind = schema.get("type")
    header = ".".join(step for step in location if isinstance(step, str))
    if "enum" in schema:
        return " or ".join(found_text(value) for value in schema["enum"])
    if kind in ("number", "integer"):
        return f"a {'whole ' if kind == 'integer' else ''}number{_range(schema)}"
    if kind == "boolean":
        return "true or false"
    if kind == "array":
        if "$ref" in schema["items"]:
            return f"[[{header}]], a list of tables"
        example = schema.get("examples", [None])[0]
        return f"a list such as {example}" if example else f"a list, each {_allowed(schema['items'], location)}"
    if kind == "object":
        return f"[{header}], a table" if "properties" in schema else "a table"
    examples = schema.get("examples")
    if examples:
        return "text such as " + " or ".join(found_text(example) for example in examples)
    if "maxLength" in schema:
        return f"text of {schema.get('minLength', 0)} to {schema['maxLength']} characters"
    return "text" if kind == "string" else POSITION_WORDS


def _range(schema: Mapping[str, Any]) -> str:
    """The bounds of a number."""
    low, above = schema.get("minimum"), schema.get("exclusiveMinimum")
    high, below = schema.get("maximum"), schema.get("exclusiveMaximum")
    if low is not None and high is not None:
        return f" from {low:g} to {high:g}"
    start = f"from {low:g}" if low is not None else f"above {above:g}" if above is not None else ""
    stop = f"up to {high:g}" if high is not None else f"below {below:g}" if below is not None else ""
    return f" {start} and {stop}" if start and stop else f" {start}{stop}".rstrip()

"""The JSON Schema of a recipe, made from the model.

`python -m tests.reference` writes it into the package. JSON Schema has no infinities; a level of -inf is a
number to every TOML reader and is valid as one.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import msgspec

from layerpipe.recipe.edit.toml_text import Location
from layerpipe.recipe.model.recipe import Recipe

SCHEMA_FILE = Path(__file__).with_name("recipe.schema.json")
Schema = dict[str, Any]


@cache
def recipe_schema() -> Schema:
    """JSON Schema (draft 2020-12) of a recipe. Shared by all callers: do not change it."""
    orders = {frozenset(choices): list(choices) for choices in _choices(Recipe)}
    # msgspec sorts choices; here they keep the order in which the model has them.
    made = json.loads(json.dumps(msgspec.json.schema(Recipe)), object_hook=lambda part: (
        {**part, "enum": orders[frozenset(part["enum"])]} if "enum" in part else part))
    tables = made["$defs"]
    top = {**tables.pop("Recipe"), "title": "layerpipe recipe"}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "$defs": tables, **top}


def schema_text() -> str:
    """The schema as the package contains it."""
    return json.dumps(recipe_schema(), indent=2, ensure_ascii=False) + "\n"


def schema_at(location: Location) -> Schema:
    """The part of the schema for one place of a recipe; {} where there is none.

    Parameters
    ----------
    location : tuple of str and int
        Keys and indices from the top.
    """
    at = recipe_schema()
    for step in location:
        if isinstance(step, int):
            at = _resolved(at.get("items", {}))
        else:
            extra = at.get("additionalProperties")
            at = _resolved(at.get("properties", {}).get(step) or (extra if isinstance(extra, dict) else {}))
    return at


def places_of(key: str) -> list[str]:
    """Tables, as dotted names, that know a key: "pan" -> ["layer.take"]."""
    return [".".join(table) for table, keys in _tables(recipe_schema()) if key in keys]


def all_keys() -> list[str]:
    """Every key of every table."""
    return sorted({key for _, keys in _tables(recipe_schema()) for key in keys})


def _resolved(schema: Schema) -> Schema:
    """Follow a reference, and an optional value to what it is when it is there."""
    if "anyOf" in schema:
        kinds = [kind for kind in schema["anyOf"] if kind.get("type") != "null"]
        if len(kinds) == 1:
            return _resolved({**{key: value for key, value in schema.items() if key != "anyOf"}, **kinds[0]})
    if "$ref" in schema:
        found: Schema = recipe_schema()["$defs"][schema["$ref"].rpartition("/")[2]]
        return found
    return schema


def _tables(schema: Schema, name: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    """Every table of a recipe with the keys it knows."""
    properties = schema.get("properties", {})
    if properties:
        yield name, list(properties)
    for key, part in properties.items():
        inner = _resolved(part)
        yield from _tables(_resolved(inner.get("items", {})) if inner.get("type") == "array" else inner, (*name, key))


def _choices(kind: Any) -> Iterator[tuple[Any, ...]]:
    """Every choice between values inside a type."""
    if get_origin(kind) is Literal:
        yield get_args(kind)
    for part in (*get_args(kind), *getattr(kind, "__annotations__", {}).values()):
        yield from _choices(part)

"""The recipe reference of the README, made from the model: `python -m tests.reference` writes it, a test keeps it.

Every table of a recipe with its keys, what they take, their defaults and their meaning.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from layerpipe.recipe.model import Recipe

README = Path(__file__).resolve().parents[1] / "README.md"
BEGIN, END = "<!-- recipe reference: made by tests/reference.py -->", "<!-- end of the recipe reference -->"


def reference() -> str:
    """All tables as Markdown."""
    schema = Recipe.model_json_schema(by_alias=True)
    return "\n".join(_tables(schema, schema, "", set()))


def _tables(schema: dict[str, Any], noun: dict[str, Any], place: str, seen: set[str]) -> list[str]:
    """A table's keys, then the tables inside it, each once."""
    lines: list[str] = []
    rows, inside = [], []
    for key, asked in noun["properties"].items():
        target, is_list = _target(asked)
        if target is not None:
            name = f"{place}.{key}" if place else key
            inside.append((name, is_list, target, asked))
            if place:
                rows.append((key, "list of tables" if is_list else "table", "", asked.get("description", "")))
        else:
            default = "required" if key in noun.get("required", []) else _shown(asked.get("default"))
            rows.append((key, _takes(asked), default, asked.get("description", "")))
    if place and rows:
        lines += ["| key | takes | default | meaning |", "|---|---|---|---|"]
        lines += [f"| `{key}` | {takes} | {default} | {meaning} |" for key, takes, default, meaning in rows]
        lines.append("")
    for name, is_list, target, asked in inside:
        if target in seen:
            continue
        table = schema["$defs"][target]
        brackets = f"[[{name}]]" if is_list else f"[{name}]"
        lines += [f"#### `{brackets}`", "", asked.get("description") or table.get("description", ""), ""]
        lines += _tables(schema, table, name, seen | {target} if target == "Chain" else seen)
        if target == "Chain":
            seen.add("Chain")
    return lines


def _target(asked: dict[str, Any]) -> tuple[str | None, bool]:
    """Name of the table a key leads to, and whether it is a list of them."""
    for option in (asked, *asked.get("anyOf", []), *asked.get("allOf", [])):
        if "$ref" in option:
            return option["$ref"].rsplit("/", 1)[1], False
        if option.get("type") == "array" and "$ref" in option.get("items", {}):
            return option["items"]["$ref"].rsplit("/", 1)[1], True
    return None, False


def _takes(asked: dict[str, Any]) -> str:
    """What a key takes, in words."""
    options = [option for option in asked.get("anyOf", [asked]) if option.get("type") != "null"]
    return " or ".join(_one(option) for option in options)


def _one(asked: dict[str, Any]) -> str:
    """One kind of value."""
    if "enum" in asked or "const" in asked:
        return ", ".join(_shown(value) for value in asked.get("enum", [asked.get("const")]))
    kind = asked.get("type")
    if kind == "array":
        count = f"{asked['minItems']}: " if asked.get("minItems") and asked["minItems"] == asked.get("maxItems") else ""
        return f"list of {count}{_one(asked.get('items', {}))}"
    if kind == "object":
        return f"table of names, each with a {_one(asked.get('additionalProperties', {}))}"
    word = {"number": "number", "integer": "whole number", "string": "text", "boolean": "true or false"}[kind]
    low = asked.get("minimum", asked.get("exclusiveMinimum"))
    high = asked.get("maximum", asked.get("exclusiveMaximum"))
    if low is not None and high is not None:
        above = "above " if "exclusiveMinimum" in asked else ""
        below = "below " if "exclusiveMaximum" in asked else ""
        return f"{word}, {above}{low:g} to {below}{high:g}"
    if low is not None:
        return f"{word}, {'above' if 'exclusiveMinimum' in asked else 'at least'} {low:g}"
    return f"{word}, at most {high:g}" if high is not None else word


def _shown(value: Any) -> str:
    """A default as TOML writes it."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "`true`" if value else "`false`"
    if isinstance(value, str):
        return f'`"{value}"`'
    if isinstance(value, list):
        return f"`[{', '.join(_shown(item).strip('`') for item in value)}]`"
    if isinstance(value, dict):
        return "`{}`" if not value else "`" + ", ".join(f"{k} = {_shown(v).strip('`')}" for k, v in value.items()) + "`"
    return f"`{value:g}`" if isinstance(value, float) else f"`{value}`"


def written(text: str) -> str:
    """The README with the reference in its place."""
    head, rest = text.split(BEGIN)
    return f"{head}{BEGIN}\n\n{reference()}\n{END}{rest.split(END)[1]}"


if __name__ == "__main__":
    README.write_text(written(README.read_text("utf-8")), "utf-8")

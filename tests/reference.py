"""Texts that are made from the code: `python -m tests.reference` writes them, tests keep them true.

The recipe reference: every table of a recipe with its keys, their values, defaults and meaning. The schema of a recipe.
The help of every command, which is printed without waiting for the libraries that make it. The portable code of the
loops, from which machine code is made without numba.
"""

from __future__ import annotations

import contextlib
import io
import os
from pathlib import Path
from typing import Any
from unittest import mock

import layerpipe
from layerpipe.cli import COMMANDS, program
from layerpipe.dsp import kernels
from layerpipe.dsp.kernels import jit
from layerpipe.dsp.kernels.portable_code import GENERATOR_SETTINGS, IR_FOLDER
from layerpipe.recipe.position import BarShape
from layerpipe.recipe.schema import SCHEMA_FILE, recipe_schema, schema_text

REFERENCE = Path(__file__).resolve().parents[1] / "recipes" / "REFERENCE.md"
HELP_FOLDER = Path(layerpipe.__file__).parent / "cli" / "help"
CODE_FOLDER = Path(kernels.__file__).parent / IR_FOLDER
HEAD = """\
<!-- Made from the model by tests/reference.py; do not edit. -->

# The recipe

A recipe is a TOML file. Files in it are relative to its folder. A key that is omitted has the default printed here.
`layerpipe schema` prints the JSON Schema, with which text editors complete and check recipes.

## Positions

A position is text: `"bar 3"`, `"bar 3 beat 2"`, `"bar 3 beat 2.5"`, `"bar 3 beat 2+1/3"`. Bars and beats count from 1;
the bar before bar 1 is bar 0. What follows the number of the beat is the part of the beat that has gone by: `2.5` is
halfway from beat 2 to beat 3, `2+1/3` a third of the way, exactly. A number without quotes is seconds from the start of
the files.

Which note is one beat is `beat_note` in `[song]`. By default it is the note of the meter's lower number, and in 6/8,
9/8 and 12/8 (likewise over 2, 4 and 16) the dotted one: 6/8 has two beats. Set `beat_note = "1/8"` to count six, as
counters that count eighths do. Tempo is given in the same beats.

| meter | `beat_note` if omitted | beats in a bar |
|---|---|---|
{meters}

## Where files begin, passes and microphones

A take is what is heard of one player. It is played from one `file`, from several `mics` that are added up, or from
`passes`, of which one is heard at a time. `starts` says where in the song a file begins, rounded to a whole sample;
`shift_ms` plays it later or earlier than that, and fractions of a sample count. Before a file begins there is exact
digital silence; what lies before the start of the song is not heard. Moves come after both: their positions are those
of the song, and each pass has its own.

`starts = "time reference"` places a file by the time stamp in its Broadcast WAVE header, relative to
`time_reference_s` in `[song]`. A stamp on the other side of midnight is understood. Refused are a file without a
stamp, one that ends before the song begins, and one that begins more than an hour after it.

Where `comp` names another pass, the crossfade ends at its position: put it just before an attack. `check` listens to
each change of pass and says where a better place for it is.

```toml
[[layer.take]]
name = "left"
pan = -100
passes = [
  { name = "1", file = "steel L 01.wav" },
  { name = "2", file = "steel L 02.wav", starts = "bar 9" },
  { name = "3", mics = [{ file = "neck.wav" }, { file = "body.wav", shift_ms = -0.4 }] },
]
play = "2"
comp = [{ from = "bar 5", to = "bar 9", pass = "3" }]
```

## Tables
"""
METERS = ("4/4", "3/4", "2/2", "7/8", "3/8", "6/8", "9/8", "12/8", "6/4")


def reference() -> str:
    """All tables as Markdown."""
    schema = recipe_schema()
    shapes = [BarShape.of(meter) for meter in METERS]
    meters = "\n".join(f'| {shape.meter} | `"{shape.beat_note}"` ({shape.beat_words}) | {shape.beats} |'
                       for shape in shapes)
    return HEAD.replace("{meters}", meters) + "\n" + "\n".join(_tables(schema, schema, "", set()))


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
            rows.append((key, _value(asked), default, asked.get("description", "")))
    if place and rows:
        lines += ["| key | value | default | meaning |", "|---|---|---|---|"]
        lines += [f"| `{key}` | {value} | {default} | {meaning} |" for key, value, default, meaning in rows]
        lines.append("")
    for name, is_list, target, asked in inside:
        if target in seen:
            continue
        table = schema["$defs"][target]
        brackets = f"[[{name}]]" if is_list else f"[{name}]"
        lines += [f"### `{brackets}`", "", asked.get("description") or table.get("description", ""), ""]
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


def _value(asked: dict[str, Any]) -> str:
    """The value of a key, in words."""
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
    if value is None or value in ([], {}):
        return "none"
    if isinstance(value, bool):
        return "`true`" if value else "`false`"
    if isinstance(value, str):
        return f'`"{value}"`'
    if isinstance(value, list):
        return f"`[{', '.join(_shown(item).strip('`') for item in value)}]`"
    return f"`{value:g}`" if isinstance(value, float) else f"`{value}`"


def help_text(command: str | None, called: str = "{program}", columns: int = 80) -> str:
    """What `--help` prints, of the program itself if no command is named."""
    words = ["--help"] if command is None else [command, "--help"]
    with (mock.patch.dict(os.environ, {"COLUMNS": str(columns)}),
          contextlib.redirect_stdout(io.StringIO()) as printed):
        program([command] if command else COMMANDS)(words, prog_name=called, standalone_mode=False)
    return printed.getvalue()


def made_texts() -> dict[Path, str]:
    """Every text that is made from the code, by its file."""
    helps = {HELP_FOLDER / f"{name or 'layerpipe'}.txt": help_text(name) for name in (None, *COMMANDS)}
    return {REFERENCE: reference(), SCHEMA_FILE: schema_text(), **helps}


def portable_code() -> dict[Path, str]:
    """Every text of portable code, by its file."""
    os.environ.update(GENERATOR_SETTINGS)
    loops = [getattr(kernels, name) for name in kernels.__all__]
    made = (jit.make_portable(loop.plain, kinds) for loop in loops for kinds in loop.kinds)
    return {CODE_FOLDER / name: text for name, text in made}


def code_files() -> set[Path]:
    """The files that `portable_code` would write, found without the compiler."""
    loops = [getattr(kernels, name) for name in kernels.__all__]
    return {CODE_FOLDER / jit.portable_name(loop.plain, kinds) for loop in loops for kinds in loop.kinds}


if __name__ == "__main__":
    made = made_texts()
    if {*CODE_FOLDER.glob("*")} != code_files():
        made |= portable_code()
    for folder in (HELP_FOLDER, CODE_FOLDER):
        folder.mkdir(exist_ok=True)
        for path in {*folder.iterdir()} - {*made, *code_files()}:
            path.unlink()
    for path, text in made.items():
        path.write_text(text, "utf-8")

"""The JSON Schema in the package is the nouns' own, explains every setting, and takes what the reader takes."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from layerpipe.recipe.schema import places_of, recipe_schema, schema_at
from tests.support.command import run_command

RECIPES = sorted((Path(__file__).resolve().parents[2] / "recipes").glob("*.toml"))
VALIDATOR = jsonschema.Draft202012Validator(recipe_schema())


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(recipe_schema())


def test_the_command_prints_it_and_nothing_else():
    shown = run_command("schema")
    assert shown.exit_code == 0
    assert json.loads(shown.stdout) == recipe_schema()


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.stem)
def test_the_recipes_that_come_along_pass_it(path):
    VALIDATOR.validate(tomllib.loads(path.read_text("utf-8")))


@pytest.mark.parametrize("change", [
    {"song": {"title": "x", "tempoo": 60}}, {"song": {}}, {"song": {"title": "x", "meter": "6/7"}},
    {"layer": []}, {"layer": [{"name": "a", "take": []}]}, {"bounce": {"bit_depth": 32}}, {"section": [{"name": "a"}]},
    {"layer": [{"name": "a", "level_db": 61, "take": [{"name": "b", "file": "c"}]}]},
    {"layer": [{"name": "a", "take": [{"name": "b", "file": "c", "pan": 101}]}]},
    {"layer": [{"name": "a", "take": [{"name": "b", "file": "c", "move": [{"start": 1, "to": 2, "by_ms": 1}]}]}]},
])
def test_it_refuses_what_the_reader_refuses(change):
    good: dict[str, Any] = {"song": {"title": "x"}, "layer": [{"name": "a", "take": [{"name": "b", "file": "c"}]}]}
    VALIDATOR.validate(good)
    with pytest.raises(jsonschema.ValidationError):
        VALIDATOR.validate({**good, **change})


def _settings(schema: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    tables = [("top", schema), *schema["$defs"].items()]
    return [(name, key, part) for name, table in tables for key, part in table["properties"].items()]


@pytest.mark.parametrize(("table", "key", "part"), _settings(recipe_schema()), ids=lambda value: str(value)[:20])
def test_every_setting_is_explained_with_its_unit(table, key, part):
    said = {**recipe_schema()["$defs"].get(part.get("$ref", "").rpartition("/")[2], {}), **part}["description"]
    assert len(said) > 8
    unit = key.rpartition("_")[2]
    words = {"db": "dB", "hz": "Hz", "ms": " ms", "s": "econds", "lufs": "LUFS", "dbtp": "dBTP"}
    assert words.get(unit, "") in said


def test_a_place_of_a_recipe_is_found_in_the_schema():
    assert schema_at(("layer", 3, "take", 0, "pan"))["minimum"] == -100
    assert schema_at(("section", 0, "levels_db", "octave"))["maximum"] == 60
    assert schema_at(("layer", 0, "take", 0, "chain", "compressor", "ratio"))["maximum"] == 100
    assert schema_at(("layer", 0, "nothing", "there")) == {}
    assert places_of("pan") == ["layer.take"]
    assert places_of("section") == [""]


def test_reading_a_recipe_imports_nothing_slow():
    code = ("import sys, layerpipe.recipe.reader, layerpipe.recipe.tempo_map; "
            "print(*{'numpy', 'scipy', 'tomlkit', 'soundfile', 'numba'} & set(sys.modules))")
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert loaded == []

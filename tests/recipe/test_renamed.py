"""Old keys, tables and values are refused with the new name, and every new name exists."""

from __future__ import annotations

from pathlib import Path

import pytest

from layerpipe.core.errors import RecipeError
from layerpipe.recipe.faults.renamed import RENAMED, RENAMED_VALUES
from layerpipe.recipe.reader import parse_recipe
from layerpipe.recipe.schema import schema_at

SONG = '[song]\ntitle = "x"\ntempo = 60\n'
TAKE = '[[layer]]\nname = "a"\n[[layer.take]]\nname = "b"\nfile = "c"\n'
MOVE = '[[layer.take.move]]\nfrom = "bar 1"\nto = "bar 1 beat 2"\nby_ms = 1\n'


def said_of(text: str) -> str:
    with pytest.raises(RecipeError) as refusal:
        parse_recipe(Path("song.toml"), text)
    return str(refusal.value)


def with_key(table: str, line: str) -> str:
    """A good recipe with one line more in a table."""
    if table == "":
        return f"{line}\n{SONG}{TAKE}"
    if table == "layer.take":
        return SONG + TAKE + line
    return SONG + TAKE + (MOVE if table == "layer.take.move" else f"[{table}]\n") + line


@pytest.mark.parametrize(("table", "old", "new"), [(*key, new) for key, new in RENAMED.items()])
def test_an_old_key_is_refused_with_its_new_name(table, old, new):
    assert said_of(with_key(table, f"{old} = 1")).count(f'"{old}" is called "{new}"') == 1


@pytest.mark.parametrize(("table", "key", "old", "new"), [(*key, new) for key, new in RENAMED_VALUES.items()])
def test_an_old_value_is_refused_with_its_new_name(table, key, old, new):
    assert f'{key}: found "{old}", which is called "{new}"' in said_of(with_key(table, f'{key} = "{old}"'))


def test_an_old_table_is_refused_with_the_new_name_of_what_is_in_it():
    said = said_of(SONG + TAKE + "[[sheet.mark]]\nname = 'a'\n")
    assert 'line 9, sheet: "sheet" is called "page"; "mark" in it is called "setting"' in said


def test_every_new_name_exists_and_no_old_one_does():
    for (table, old), new in RENAMED.items():
        location = [step for name in table.split(".") if name for step in ((name, 0) if name in (
            "layer", "take", "move") else (name,))]
        assert schema_at((*location, new)) != {}
        assert schema_at((*location, old)) == {}
    for (table, key, old), new in RENAMED_VALUES.items():
        allowed = schema_at((table, key))["enum"]
        assert new in allowed
        assert old not in allowed

"""What is no recipe at all: not TOML, no text, no file, no name for outputs."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from layerpipe.core.errors import RecipeError
from layerpipe.core.toml_bounds import BOUNDS
from layerpipe.recipe.reader import read_recipe
from tests.recipe.test_reader import GOOD, letter


@pytest.mark.parametrize(("text", "said"), [
    ("[song]\ntitle = Lantern",
     "line 2, is not TOML at column 9: this is not a value; text needs quotes, true and false are "
                                'in small letters; found "title = Lantern"'),
    ('[song]\ntitle "x"', 'line 2, is not TOML at column 7: a key must be followed by "="'),
    ('[song]\ntitle = "x', "line 2, is not TOML: text is not closed; a quote is missing"),
    ('[song\ntitle = "x"', "line 1, is not TOML at column 6: a [table] is not closed; ] is missing"),
    ('[song]\ntitle = "x"\ntitle = "y"', "line 3, is not TOML: this key has been given before"),
    ("[song]\n[bed]\n[song]", "line 3, is not TOML at column 6: this table has been given before"),
    ('[song]\nfile = "takes\\left.wav"', "use / in paths, or single quotes"),
    ('[[layer.take]]\nname = "a"\n[[layer]]', "the entries of a list follow the [[table]] they belong to"),
    ("a = [1\n", "a list is not closed; a comma or ] is missing"),
    ("a = { b = 1", "a table is not closed; a comma or } is missing"),
    ("a = { b = 1, b = 2 }", "this key has been given before"),
    ("a = 1 b = 2", "nothing may follow a value on its line but a comment"),
    ("a = " + "[" * 5000, "nests lists or tables too deeply"),
    ("a = " + "9" * 5000, "has a number or key of 5000 characters; allowed are 1000"),
])
def test_what_is_not_toml_is_told_with_its_line(text, said):
    assert said in letter(text)


@pytest.mark.parametrize(("raw", "said"), [
    (b"", "is empty"), (b" \r\n\n", "is empty"),
    (b"[song]\ntitle = \"caf\xe9\"\n", "line 2, is not UTF-8: byte 20 is 0xe9"),
    ("[song]".encode("utf-16"), "is not UTF-8: byte 1 is 0xff; it looks like UTF-16; save it as UTF-8"),
    (b"#" * (BOUNDS.bytes + 1), f"has {BOUNDS.bytes + 1} bytes, allowed are {BOUNDS.bytes}"),
])
def test_a_file_that_is_no_text_is_told_so(tmp_path, raw, said):
    path = tmp_path / "song.toml"
    path.write_bytes(raw)
    with pytest.raises(RecipeError) as refusal:
        read_recipe(path)
    assert said in str(refusal.value)
    assert refusal.value.exit_code == 2


def test_what_is_no_regular_file_is_told_so_without_waiting(tmp_path):
    with pytest.raises(RecipeError, match="is a folder; a recipe is a file"):
        read_recipe(tmp_path)
    with pytest.raises(RecipeError, match="there is no such file"):
        read_recipe(tmp_path / "none.toml")
    with pytest.raises(RecipeError, match="cannot be read"):
        read_recipe(tmp_path / ("x" * 300))
    with pytest.raises(RecipeError, match="cannot be read"):
        read_recipe(Path("a\0b"))
    os.mkfifo(tmp_path / "pipe")
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
    with pytest.raises(RecipeError, match="is a device or a pipe"):
        read_recipe(tmp_path / "pipe")


def test_a_recipe_whose_outputs_would_leave_their_folder_is_refused(tmp_path):
    for name in ("..toml", "...toml", ".hidden.toml"):
        (tmp_path / name).write_text(GOOD, "utf-8")
        with pytest.raises(RecipeError, match="has a name that begins with a full stop"):
            read_recipe(tmp_path / name)

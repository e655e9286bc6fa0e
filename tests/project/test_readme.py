"""The README says what is true: its commands, its reference, its files."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from layerpipe.cli import program
from tests.reference import CODE_FOLDER, HELP_FOLDER, code_files, made_texts

PROJECT = Path(__file__).resolve().parents[2]
TEXT = (PROJECT / "README.md").read_text("utf-8")


def test_texts_that_are_made_from_the_code_are_what_it_makes_now():
    made = made_texts()
    stale = [path.name for path, text in made.items() if not path.exists() or path.read_text("utf-8") != text]
    stale += [path.name for path in HELP_FOLDER.iterdir() if path not in made]
    stale += [path.name for path in code_files() ^ {*CODE_FOLDER.iterdir()}]
    assert not stale, "run python -m tests.reference"


def test_the_first_two_shell_blocks_are_one_command_line_each():
    blocks = re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL)
    assert [len(block.strip().splitlines()) for block in blocks[:2]] == [1, 1]
    assert "layerpipe bounce recipes/lantern.toml" in blocks[0]
    assert blocks[1].strip() == "bash tests/run"
    assert "bash tests/run" in (PROJECT / ".ci/run").read_text("utf-8")


def test_every_command_is_in_the_readme_and_no_other():
    commands = set(program().commands)
    told = set(re.findall(r"`layerpipe ([a-z]+)", TEXT))
    assert told == commands


@pytest.mark.parametrize("link", sorted(set(re.findall(r"\]\(([^)#:]+)\)", TEXT))))
def test_every_file_the_readme_points_at_is_there(link):
    assert (PROJECT / link).exists()


def test_the_smallest_recipe_is_shown_as_it_is():
    shown = next(block for block in re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL))
    assert tomllib.loads(shown) == tomllib.loads((PROJECT / "recipes/smallest.toml").read_text("utf-8"))


def test_the_python_of_the_readme_runs(tmp_path, monkeypatch):
    code, = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
    assert len(code.strip().splitlines()) <= 12
    monkeypatch.chdir(PROJECT)
    exec(code.replace("bounces/from-python", str(tmp_path / "bounce")), {})
    assert (tmp_path / "bounce" / "bounce.json").is_file()

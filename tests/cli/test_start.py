"""How the program starts: help, schema and version wait for no library, and say what the libraries would say."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from layerpipe import __main__ as start
from layerpipe.cli import COMMANDS
from tests.reference import help_text
from tests.support.examples import slow

SLOW = {"click", "pydantic", "numpy", "json", "importlib.resources", "shutil"}


@pytest.mark.parametrize(("called", "columns"), [
    ("layerpipe", 80), ("python -m layerpipe", 200), slow("layerpipe", 200), slow("python -m layerpipe", 80)])
def test_kept_help_is_the_help_of_the_commands(called, columns, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setattr(start, "_program", lambda: called)
    assert start._ready_answer([]) == (help_text(None, called, columns).encode(), 2)
    assert start._ready_answer(["--help"]) == (help_text(None, called, columns).encode(), 0)
    for name in COMMANDS:
        assert start._ready_answer([name, "--help"]) == (help_text(name, called, columns).encode(), 0)


def test_a_narrow_terminal_gets_its_own_help(monkeypatch):
    monkeypatch.setenv("COLUMNS", "79")
    assert start._ready_answer(["bounce", "--help"]) is None
    assert start._ready_answer(["--version"]) is not None


@pytest.mark.parametrize("words", [["bonce", "--help"], ["..", "--help"], ["layerpipe/../bounce", "--help"],
                                   ["bounce"], ["bounce", "--help", "--json"], ["schema", "--json"], ["--quiet"]])
def test_other_words_are_left_to_the_command_line(words, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert start._ready_answer(words) is None


@pytest.mark.parametrize(("words", "code"), [([], 2), (["--help"], 0), (["levels", "--help"], 0), (["schema"], 0),
                                             (["--version"], 0)])
def test_nothing_slow_is_imported_for_an_answer_that_is_ready(words, code):
    script = ("import sys; before = set(sys.modules); from layerpipe.__main__ import main; code = main()\n"
              "print(code, *(set(sys.modules) - before), file=sys.stderr)")
    done = subprocess.run([sys.executable, "-c", script, *words], capture_output=True, text=True, check=True,
                          env={**os.environ, "COLUMNS": "80"})
    found, *loaded = done.stderr.split()
    assert int(found) == code
    assert not SLOW & set(loaded)
    assert len(loaded) < 5
    assert len(done.stdout) > 10


def test_recipes_are_read_without_a_search_for_plug_ins():
    script = ("import sys, layerpipe.__main__, layerpipe.recipe.model.recipe\n"
              "print('email' in sys.modules, layerpipe.recipe.model.recipe.Recipe.__pydantic_complete__)")
    done = subprocess.run([sys.executable, "-c", script, "bounce"], capture_output=True, text=True, check=True)
    assert done.stdout == "False True\n"

"""A song in a folder, and the command in another."""

from __future__ import annotations

import pytest

from layerpipe.recipe.reader import read_recipe
from tests.support.command import run_command
from tests.support.songs import recipe_of, write_recipe

COMMENT = "# kept as it was\n"


@pytest.fixture
def run(monkeypatch, tmp_path):
    """Run the command in an empty folder; hands back (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def _run(*words, **settings):
        result = run_command("levels", *words, **settings)
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
        return result.exit_code, result.stdout, result.stderr

    return _run


@pytest.fixture(scope="module")
def stems(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stems")
    recipe = recipe_of(folder)
    for layer in recipe["layer"]:
        for take in layer["take"]:
            take["file"] = str(folder / take["file"])
    return folder, recipe


@pytest.fixture
def song(stems, tmp_path):
    path = write_recipe(tmp_path / "harbour.toml", stems[1])
    path.write_text(COMMENT + path.read_text("utf-8"), "utf-8")
    return path


def levels_of(path):
    recipe = read_recipe(path).recipe
    octave = recipe.layer[1]
    return octave.level_db, {section.name: section.levels_db.get("octave") for section in recipe.section}

"""Writing a changed recipe: whole or not at all, over nothing that others wrote."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from layerpipe.core.errors import OutputError
from layerpipe.recipe.edit.moves_and_levels import remove_moves, set_level
from tests.support.recipe_texts import TABLES


def test_writing_keeps_the_mode_the_mark_and_the_link(tmp_path, recipe):
    path = recipe("\ufeff" + TABLES)
    path.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(path)
    set_level(link, "octave", -6).write()
    assert link.is_symlink()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert path.read_bytes().startswith(b"\xef\xbb\xbf# A song.")
    assert sorted(tmp_path.iterdir()) == [link, path]


def test_a_file_that_has_changed_meanwhile_is_not_overwritten(recipe):
    path = recipe(TABLES)
    change = set_level(path, "octave", -6)
    path.write_text(TABLES + "\n# a last remark\n", "utf-8")
    with pytest.raises(OutputError, match="has changed since it was read"):
        change.write()
    assert path.read_text("utf-8").endswith("# a last remark\n")


def test_a_failed_write_leaves_the_file_and_nothing_beside_it(recipe, monkeypatch):
    path = recipe(TABLES)
    change = set_level(path, "octave", -6)

    def full(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OutputError, match="cannot be written: No space left"):
        change.write()
    assert path.read_text("utf-8") == TABLES
    assert list(path.parent.iterdir()) == [path]


def test_a_change_that_changes_nothing_writes_nothing(recipe):
    path = recipe(TABLES)
    before = path.stat()
    change = remove_moves(path)
    assert change.is_empty
    assert change.diff == []
    change.write()
    assert path.stat() == before


def test_a_read_only_recipe_is_left_alone(recipe):
    path = recipe(TABLES)
    path.chmod(0o444)
    with pytest.raises(OutputError, match="is read-only and was left as it is"):
        set_level(path, "octave", -6).write()
    assert path.read_text("utf-8") == TABLES
    assert list(path.parent.iterdir()) == [path]


def test_a_link_planted_beside_the_recipe_is_not_followed(recipe):
    path = recipe(TABLES)
    victim = path.parent / "victim.txt"
    victim.write_text("mine", "utf-8")
    (path.parent / "song.toml.partial").symlink_to(victim)
    set_level(path, "octave", -6).write()
    assert victim.read_text("utf-8") == "mine"
    assert "level_db = -6.0" in path.read_text("utf-8")

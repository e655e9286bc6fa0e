"""Files that anybody may have put there: a pipe is refused and not waited for, and so is what is too large."""

from __future__ import annotations

import os

import pytest

from layerpipe.core.errors import OutputError, RecipeError
from layerpipe.core.files.regular import is_regular, read_regular
from layerpipe.jobs.many.song_list import find_songs
from layerpipe.jobs.review_change import change_of_undo, undo_path
from layerpipe.render.cache.digests import SourceNotes
from layerpipe.server.comments import CommentsFile, comments_path
from tests.support.songs import recipe_of, write_recipe


def test_only_regular_files_up_to_a_size_are_read(tmp_path):
    file, link, pipe = tmp_path / "file", tmp_path / "link", tmp_path / "pipe"
    file.write_bytes(b"12345")
    link.symlink_to(file)
    os.mkfifo(pipe)
    assert read_regular(link, 5) == b"12345"
    for path, problem in ((file, "more than 4 bytes"), (pipe, "a pipe"), (tmp_path, "Is a directory")):
        with pytest.raises(OSError, match=problem):
            read_regular(path, 4)
    assert [is_regular(path) for path in (file, link, pipe, tmp_path, tmp_path / "\0")] == [True, *[False] * 4]


def test_a_pipe_in_place_of_any_file_beside_a_recipe_is_refused(tmp_path):
    recipe = write_recipe(tmp_path / "song.toml", recipe_of(tmp_path))
    for path in (undo_path(recipe), comments_path(recipe), tmp_path / "songs.txt"):
        os.mkfifo(path)
    with pytest.raises(OutputError, match="a pipe"):
        change_of_undo(recipe)
    with pytest.raises(OutputError, match="a pipe"):
        CommentsFile(comments_path(recipe), most=1)
    with pytest.raises(RecipeError, match="a pipe"):
        find_songs([tmp_path / "songs.txt"])


def test_a_pipe_in_place_of_a_note_in_the_cache_is_passed_over(tmp_path, monkeypatch):
    source, notes = tmp_path / "take.wav", tmp_path / "notes"
    source.write_bytes(b"sound")
    # Long after the file was written.
    monkeypatch.setattr("layerpipe.render.cache.digests.time.time", lambda: 1e11)
    SourceNotes(notes).digest_of(source, lambda path: "a" * 64)
    assert SourceNotes(notes).digest_of(source, lambda path: "b" * 64) == "a" * 64
    for note in notes.glob("*"):
        note.unlink()
        os.mkfifo(note)
    os.mkfifo(notes / f"{'b' * 64}.place")
    assert SourceNotes(notes).digest_of(source, lambda path: "c" * 64) == "c" * 64
    assert SourceNotes(notes).place_of_recipe("b" * 64) is None

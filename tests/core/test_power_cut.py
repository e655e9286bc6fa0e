"""A bounce takes its name only when all of it lies on the disk."""

from __future__ import annotations

import errno
import os

import pytest

from layerpipe.core.errors import OutputError
from layerpipe.core.files import atomic_folder
from layerpipe.jobs.bounce import bounce_song
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.songs import recipe_of, write_recipe


@pytest.fixture
def song(tmp_path):
    return read_recipe(write_recipe(tmp_path / "song.toml", recipe_of(tmp_path))), TakeCache(tmp_path / "store")


def test_every_file_is_on_the_disk_before_the_folder_has_its_name(song, tmp_path, monkeypatch):
    file, cache = song
    target = tmp_path / "bounces" / "song"
    synced, before = set(), []

    def fsync(fd):
        synced.add(os.fstat(fd).st_ino)

    def take_place(partial, place, owns):
        before.append(set(synced))
        take(partial, place, owns)

    take = atomic_folder._take_place
    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(atomic_folder, "_take_place", take_place)
    bounce_song(file, target, cache)
    kept = {path.stat().st_ino for path in (target, *target.rglob("*"))}
    assert len(kept) > 10
    assert kept <= before[0]
    assert target.parent.stat().st_ino in synced


def test_a_disk_that_refuses_late_is_told_and_nothing_is_left(song, tmp_path, monkeypatch):
    file, cache = song
    target = tmp_path / "bounces" / "song"
    bounce_song(file, target, cache)
    before = {path.name: path.read_bytes() for path in target.iterdir() if path.is_file()}

    def fsync(fd):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(OutputError, match=f"{target.name}: cannot be written: {os.strerror(errno.EIO)}"):
        bounce_song(file, target, cache)
    assert {path.name: path.read_bytes() for path in target.iterdir() if path.is_file()} == before
    assert [path.name for path in target.parent.iterdir()] == ["song"]

"""Through the real command line: no output is written over a source, and nothing hostile in a folder is followed."""

from __future__ import annotations

import json
import os
import shutil
import stat
import threading

import numpy as np
import pytest

from layerpipe.recipe.reader import parse_recipe
from tests.support.command import run_command
from tests.support.examples import slow
from tests.support.songs import plucked, recipe_of, write_recipe, write_take
from tests.support.waiting import PATIENCE_S


@pytest.fixture
def run(monkeypatch, tmp_path):
    """Run a command in the test's folder; hands back (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def _run(*words):
        told = run_command(*words)
        assert told.exception is None or isinstance(told.exception, SystemExit), told.exc_info
        return told.exit_code, told.stdout, told.stderr

    return _run


@pytest.fixture
def song(tmp_path):
    return write_recipe(tmp_path / "song.toml", recipe_of(tmp_path))


def _state(folder):
    """Every source and the recipe, with their bytes."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.suffix in (".wav", ".toml")}


def _named_like(folder, target):
    """A recipe whose take has the name of an output."""
    target.parent.mkdir(parents=True, exist_ok=True)
    recipe = recipe_of(folder)
    shutil.copy(folder / "regular-left.wav", target)
    recipe["layer"][0]["take"][0]["file"] = target.relative_to(folder).as_posix()
    return write_recipe(folder / "song.toml", recipe)


WRITERS = {
    "preview": (["preview", "song.toml"], "previews/song/01 verse - regular alone.wav"),
    "page": (["page", "song.toml", "--out", "page.wav"], "page.wav"),
    "compare": (["compare", "song.toml", "song.toml", "--picture", "picture.svg"], "picture.svg"),
    "levels": (["levels", "song.toml", "--at", "-9", "--picture", "curves.png"], "curves.png"),
    "timing": (["timing", "song.toml", "--picture", "timing.svg"], "timing.svg"),
    "check": (["check", "song.toml", "--pictures", "pictures"], "pictures/01-regular-left.png"),
    "check of files": (["check", "octave-left.wav", "pictures/01-octave-left.wav.png", "--pictures", "pictures"],
                       "pictures/01-octave-left.wav.png"),
    "bounce": (["bounce", "song.toml"], "bounces/song/takes/regular-left.wav"),
}


@pytest.mark.parametrize("writer", WRITERS)
def test_no_command_writes_over_its_take(run, tmp_path, writer):
    words, output = WRITERS[writer]
    recipe_of(tmp_path)
    target = tmp_path / output
    _named_like(tmp_path, target)
    before, sound = _state(tmp_path), target.read_bytes()
    others = sorted(path.relative_to(tmp_path) for path in target.parent.iterdir())
    code, _, err = run(*words)
    assert code == 1, err
    assert "would be written over" in err or "is inside it" in err
    assert output.rpartition("/")[2] in err
    assert (target.read_bytes(), _state(tmp_path)) == (sound, before)
    assert sorted(path.relative_to(tmp_path) for path in target.parent.iterdir()) == others


@pytest.mark.parametrize("option", ["page", "levels", "timing", "compare"])
def test_no_command_writes_over_its_recipe(run, song, tmp_path, option):
    before = _state(tmp_path)
    (tmp_path / "out.svg").symlink_to(song)
    words = {"page": ["page", song, "--out", song], "levels": ["levels", song, "--picture", "out.svg"],
             "timing": ["timing", song, "--picture", "out.svg"],
             "compare": ["compare", song, song, "--picture", "out.svg"]}[option]
    code, _, err = run(*words)
    assert code == 1
    assert "would be written over" in err
    assert _state(tmp_path) == before


def test_a_listening_file_of_an_edit_is_not_written_over_a_take(run, tmp_path):
    recipe = recipe_of(tmp_path)
    recipe["layer"][0]["take"][0]["move"] = [{"from": 0.6, "to": 1.1, "by_ms": 3.0}]
    song = write_recipe(tmp_path / "song.toml", recipe)
    code, _, err = run("timing", song, "--listen", "spots")
    assert code in (0, 1), err
    made = sorted((tmp_path / "spots").iterdir())[0]
    shutil.copy(tmp_path / "regular-left.wav", made)
    recipe["layer"][0]["take"][0]["file"] = f"spots/{made.name}"
    write_recipe(song, recipe)
    code, _, err = run("timing", song, "--listen", "spots")
    assert code == 1
    assert "would be written over" in err
    assert made.read_bytes() == (tmp_path / "regular-left.wav").read_bytes()


def test_previews_do_not_follow_a_link_from_their_folder_to_the_takes(run, tmp_path):
    takes = tmp_path / "takes"
    takes.mkdir()
    recipe = recipe_of(tmp_path)
    shutil.copy(tmp_path / "regular-left.wav", takes / "01 verse - regular alone.wav")
    recipe["layer"][0]["take"][0]["file"] = "takes/01 verse - regular alone.wav"
    song = write_recipe(tmp_path / "song.toml", recipe)
    (tmp_path / "previews").mkdir()
    (tmp_path / "previews/song").symlink_to(takes)
    before = (takes / "01 verse - regular alone.wav").read_bytes()
    code, _, err = run("preview", song)
    assert code == 1
    assert "would be written over" in err
    assert (takes / "01 verse - regular alone.wav").read_bytes() == before
    assert len(list(takes.iterdir())) == 1


@pytest.mark.parametrize("words", [["preview"], ["bounce"]])
def test_a_recipe_without_a_name_is_refused(run, tmp_path, words):
    song = write_recipe(tmp_path / "..toml", recipe_of(tmp_path))
    code, _, err = run(*words, song)
    assert code == 2
    assert "rename" in err
    assert not (tmp_path / "previews").exists()
    assert not (tmp_path / "bounces").exists()


@pytest.mark.parametrize(("words", "seconds"), [
    (["levels", "--at", "-5", "--write"], 4.0), pytest.param(["tempo", "--write"], 9.0, marks=pytest.mark.slow),
    pytest.param(["timing", "--write"], 9.0, marks=pytest.mark.slow)])
def test_a_read_only_recipe_is_left_alone_and_named(run, tmp_path, words, seconds):
    recipe = recipe_of(tmp_path)
    for layer in recipe["layer"]:
        for n, take in enumerate(layer["take"]):
            # The first take of each layer begins 0.15 s late, so that timing has something to write.
            write_take(tmp_path / take["file"], np.r_[np.zeros(0 if n else 7_200), plucked(n, seconds)])
    song = write_recipe(tmp_path / "song.toml", recipe)
    song.chmod(0o444)
    before = song.read_bytes()
    code, _, err = run(words[0], song, *words[1:])
    assert code == 1
    assert "is read-only and was left as it is" in err
    assert song.read_bytes() == before
    assert stat.S_IMODE(song.stat().st_mode) == 0o444


def test_a_draft_leaves_bounces_previews_and_planted_links_alone(run, song, tmp_path):
    for words in (["bounce"], ["preview", "--section", "chorus"]):
        code, _, err = run(*words, song)
        assert code == 0, err
    victim = tmp_path / "victim.txt"
    victim.write_text("mine")
    for name in ("new.toml.partial", ".new.toml.partial"):
        (tmp_path / name).symlink_to(victim)
    code, out, err = run("draft", ".", "--out", "new.toml", "--json")
    assert code == 0, err
    read = parse_recipe(tmp_path / "new.toml", json.loads(out)["recipe"]).recipe
    assert sorted(take.file.name for layer in read.layer for take in layer.take) == [
        "octave-left.wav", "octave-right.wav", "regular-left.wav", "regular-right.wav"]
    assert victim.read_text() == "mine"
    (tmp_path / "linked.toml").symlink_to(tmp_path / "nowhere.toml")
    code, _, err = run("draft", ".", "--out", "linked.toml")
    assert code == 1
    assert not (tmp_path / "nowhere.toml").exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
@pytest.mark.parametrize("words", [["page", "--out", "pipe.svg"], ["levels", "--at", "-9", "--picture", "pipe.svg"],
                                   slow(["timing", "--picture", "pipe.svg"])])
def test_a_pipe_in_the_place_of_an_output_is_refused_or_replaced_and_never_waited_for(run, song, tmp_path, words):
    os.mkfifo(tmp_path / "pipe.svg")
    answer = []
    thread = threading.Thread(target=lambda: answer.append(run(words[0], song, *words[1:])), daemon=True)
    thread.start()
    thread.join(PATIENCE_S)
    assert answer
    code, _, err = answer[0]
    assert "internal" not in err
    assert code in (0, 1)
    assert code == 1 or (tmp_path / "pipe.svg").is_file()


@pytest.mark.parametrize("name", [
    slow("$_{$"), slow("_hidden"), slow("\u6f22\u5b57 \U0001f3b8" + "x" * 70)])
def test_any_name_of_a_take_can_be_drawn(run, tmp_path, name):
    recipe = recipe_of(tmp_path)
    recipe["layer"][0]["take"][0]["name"] = name
    recipe["section"][0]["name"] = name
    song = write_recipe(tmp_path / "song.toml", recipe)
    for words in (["check", song, "--pictures", "pictures"], ["levels", song, "--at", "-9,-6", "--picture", "l.svg"],
                  ["timing", song, "--picture", "t.png"]):
        code, _, err = run(*words)
        assert code in (0, 1, 2), err
        assert code != 2 or "name" in err
    assert code == 2 or len(list((tmp_path / "pictures").glob("*.png"))) == 4

"""Many songs on one machine: which songs are meant, processes, lost processes, skipping what is done."""

from __future__ import annotations

import functools
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from layerpipe.core.errors import ParameterError, RecipeError
from layerpipe.jobs.bounce import bounce_into
from layerpipe.jobs.bounce_state import why_not_current
from layerpipe.jobs.many.song_list import find_songs, is_one_recipe, same_names
from layerpipe.jobs.many.songs import run_songs
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.conftest import PROJECT
from tests.support.song_calls import name_of, slow_but_quick
from tests.support.songs import recipe_of, write_recipe
from tests.support.waiting import PATIENCE_S, wait_until


def test_folders_and_lists_name_recipes_in_order_each_once(tmp_path):
    for name in ("b", "a", "c"):
        (tmp_path / f"{name}.toml").write_text('[song]\ntitle = "x"\n')
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    (tmp_path / ".hidden.toml").write_text("[song]\n")
    (tmp_path / "broken.toml").write_text("[[layer]\n")
    (tmp_path / "list.txt").write_text("\ufeff# the second side\n\n c.toml \na.toml\n", "utf-8")
    (tmp_path / "any.txt").write_text(f"a\0.toml\n{'x' * 300}.toml\n")
    assert [path.name[:2] for path in find_songs([tmp_path / "any.txt"])] == ["a\0", "xx"], "refused when they are read"
    (tmp_path / "any.txt").unlink()
    names = [path.name for path in find_songs([tmp_path / "list.txt", tmp_path, tmp_path / "gone.toml"])]
    assert names == ["c.toml", "a.toml", "b.toml", "broken.toml", "gone.toml"]
    assert is_one_recipe([tmp_path / "a.toml"])
    assert not is_one_recipe([tmp_path])
    assert not is_one_recipe([tmp_path / "list.txt"])


def test_all_faults_of_folders_and_lists_come_at_once(tmp_path):
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty.txt").write_text("# nothing\n")
    (tmp_path / "latin.txt").write_bytes(b"caf\xe9.toml\n")
    with pytest.raises(RecipeError) as refusal:
        find_songs([tmp_path / "empty", tmp_path / "empty.txt", tmp_path / "latin.txt", tmp_path / "gone.txt"])
    assert [fault.file.name for fault in refusal.value.faults] == ["empty", "empty.txt", "latin.txt", "gone.txt"]


def test_recipes_of_one_name_are_found(tmp_path):
    songs = [Path("a/x.toml"), Path("b/X.toml"), Path("y.toml")]
    assert same_names(songs) == songs[:2]


@pytest.mark.parametrize("processes", [1, 2])
def test_a_refused_song_stops_no_other(processes, tmp_path):
    songs = [tmp_path / f"{name}.toml" for name in ("one", "refused", "wrong", "two", "three")]
    shares = dict.fromkeys(range(5), 0.0)

    def on_progress(song, share):
        shares[song] += share

    found = dict(run_songs(name_of, songs, processes=processes, on_progress=on_progress))
    assert [found[n].verdict for n in range(5)] == ["done", "refused", "failed", "done", "done"]
    assert [found[n].exit_code for n in range(5)] == [0, 2, 70, 0, 0]
    assert found[1].note == "song: is refused and 1 more"
    assert found[1].document["count"] == 2
    assert "a mistake of ours" in found[2].warnings[0]
    assert max(shares.values()) <= 1.0
    own = {found[n].document["process"] for n in (0, 3, 4)}
    assert (os.getpid() in own) == (processes == 1)


@pytest.mark.slow
def test_a_song_whose_process_is_lost_is_done_again_and_refused_if_it_is_lost_again(tmp_path):
    songs = [tmp_path / f"{name}.toml" for name in ("a", "once", "b", "killed", "c", "d", "e", "f")]
    found = dict(run_songs(name_of, songs, processes=2))
    assert {songs[n].stem: outcome.verdict for n, outcome in found.items()} == {
        "a": "done", "once": "done", "b": "done", "killed": "refused", "c": "done", "d": "done", "e": "done",
        "f": "done"}
    assert "its process was lost twice" in next(found[n] for n in found if songs[n].stem == "killed").warnings[0]


def test_ending_early_stops_the_songs_which_clean_up(tmp_path):
    songs = [tmp_path / f"{n}.toml" for n in range(3)]
    songs[0] = tmp_path / "quick.toml"
    running = run_songs(functools.partial(slow_but_quick), songs, processes=2)
    next(running)
    running.close()
    assert sorted(tmp_path.iterdir()) == []


def test_no_processes_are_refused():
    with pytest.raises(ParameterError, match="at least 1"):
        list(run_songs(name_of, [], processes=0))


@pytest.fixture(scope="module")
def bounced(tmp_path_factory: pytest.TempPathFactory):
    """A song that has been bounced: its recipe, its folder, the cache."""
    folder = tmp_path_factory.mktemp("bounced")
    song = write_recipe(folder / "song.toml", recipe_of(folder))
    cache = TakeCache(folder / "cache")
    where, manifest = bounce_into(read_recipe(song), folder / "out", cache=cache)
    assert manifest is not None
    return song, where, cache


def test_a_bounce_that_is_what_the_recipe_says_is_left_alone(bounced):
    song, folder, cache = bounced
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    assert bounce_into(read_recipe(song), folder.parent, resume=True, cache=cache) == (folder, None)
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def _replaced(path: Path, content: bytes):
    """Replace a file's content for a test."""
    kept = path.read_bytes()
    path.write_bytes(content)
    return lambda: path.write_bytes(kept)


@pytest.mark.parametrize(("what", "why"), [
    ("recipe", "the recipe was changed"), ("blend", "blend.wav was changed"), ("page", "delivery.html was changed"),
    ("source", "regular-left.wav was changed"), ("manifest", "its manifest was changed"), ("json", "damaged"),
    ("version", "other versions"), ("pdf", "it has no PDF"), ("missing", "blend.wav was changed"),
    ("gone", "not been bounced"),
])
def test_anything_that_changed_is_a_reason_to_bounce_again(bounced, what, why, monkeypatch):
    song, folder, cache = bounced
    manifest = folder / "bounce.json"
    told = json.loads(manifest.read_text())
    files = {"recipe": (song, song.read_bytes() + b"\n# louder\n"),
             "blend": (folder / "blend.wav", (folder / "blend.wav").read_bytes()[:-1] + b"\x01"),
             "page": (folder / "delivery.html", b"<p>other</p>"),
             "source": (song.parent / "regular-left.wav", (song.parent / "regular-right.wav").read_bytes()),
             "manifest": (manifest, json.dumps({**told, "lowered_db": 1.0}).encode()), "json": (manifest, b"{}")}
    back = _replaced(*files[what]) if what in files else lambda: None
    if what == "version":
        monkeypatch.setattr("layerpipe.jobs.bounce_state.versions", lambda: {"layerpipe": "0.0.9"})
    if what == "missing":
        (folder / "blend.wav").rename(folder / "kept.wav")
    try:
        place = folder / "nowhere" if what == "gone" else folder
        assert why in (why_not_current(read_recipe(song), place, cache, pdf=what == "pdf") or "")
    finally:
        monkeypatch.undo()
        back()
        if what == "missing":
            (folder / "kept.wav").rename(folder / "blend.wav")
    assert why_not_current(read_recipe(song), folder, cache) is None


@pytest.mark.slow
def test_ctrl_c_stops_every_process_and_leaves_nothing_half_written(tmp_path):
    for n in range(8):
        write_recipe(tmp_path / f"song{n}.toml", recipe_of(tmp_path))
    out = tmp_path / "out"
    process = subprocess.Popen(
        [sys.executable, "-m", "layerpipe", "bounce", str(tmp_path), "--out", str(out), "--jobs", "2"], text=True,
        cwd=PROJECT, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, start_new_session=True,
        env={**os.environ, "LAYERPIPE_CACHE": str(tmp_path / "cache")})
    wait_until(lambda: out.exists() and any(path.name[0] != "." for path in out.iterdir()))
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    assert err == "interrupted; no partial output was left\n"
    assert not list(out.glob(".*"))
    wait_until(lambda: not _is_group(process.pid))


def _is_group(number: int) -> bool:
    """Whether a process group has any process left."""
    try:
        os.killpg(number, 0)
    except ProcessLookupError:
        return False
    return True

"""Songs on a real scheduler with two worker processes: the same bytes, lost workers, a lost scheduler, refusals."""

from __future__ import annotations

import filecmp
import functools
import json
import os
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from layerpipe.cli.bounce import _bounce
from layerpipe.cli.songs import do_song
from layerpipe.jobs.many.songs import run_songs
from tests.conftest import PROJECT
from tests.support.command import run_command
from tests.support.songs import plucked, recipe_of, write_recipe, write_take
from tests.support.waiting import PATIENCE_S, wait_until

if TYPE_CHECKING:
    from tests.support.cluster import Cluster

SONGS = 12


@pytest.fixture(scope="module")
def _started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A scheduler and two workers of one thread."""
    from tests.support.cluster import cluster

    with cluster(tmp_path_factory.mktemp("cluster"), 2) as started:
        yield started


@pytest.fixture
def two_workers(_started: Cluster) -> Cluster:
    """The cluster, when those lost in the test before are there again and those added are gone."""
    wait_until(lambda: len(_started.pids()) == 2)
    return _started


@pytest.fixture
def one_worker(tmp_path: Path) -> Iterator[Cluster]:
    """A cluster that starts and ends in a moment."""
    from tests.support.cluster import cluster

    with cluster(tmp_path / "cluster", 1, nanny=False) as started:
        yield started


@pytest.fixture(scope="module")
def songs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of twelve songs of 1.5 s whose chains differ, and one that is refused."""
    folder = tmp_path_factory.mktemp("songs")
    for layer, octave in (("regular", False), ("octave", True)):
        for n, side in enumerate(("left", "right")):
            write_take(folder / f"{layer}-{side}.wav", plucked(10 * n + octave, 1.5, octave=octave))
    for n in range(SONGS):
        recipe = recipe_of(folder)
        recipe["section"] = []
        recipe["song"]["title"] = f"Harbour {n}"
        recipe["layer"][0]["chain"] = {"high_pass": [{"hz": 40 + n}]}
        if n == 7:
            recipe["layer"][1]["take"][0]["file"] = "missing.wav"
        write_recipe(folder / f"harbour{n:02d}.toml", recipe)
    return folder


def run(*words: object) -> tuple[int, str, str]:
    """Run a command in this process: exit code, stdout, stderr."""
    result = run_command(*words)
    assert result.exception is None or isinstance(result.exception, SystemExit), "".join(
        traceback.format_exception(result.exception))
    return result.exit_code, result.stdout, result.stderr


def bouncing(out: Path) -> functools.partial:
    """The work of `bounce` for one song."""
    return functools.partial(do_song, functools.partial(_bounce, out=out, resume=False, pdf=False), document=False,
                             talks=False, width=0)


def test_a_cluster_gives_the_same_bytes_as_one_machine(one_worker, songs, tmp_path):
    few = [songs / f"harbour{n:02d}.toml" for n in (0, 7, 9)]
    here, there = tmp_path / "here", tmp_path / "there"
    assert run("bounce", *few, "--out", here, "--quiet")[0] == 1
    code, out, err = run("bounce", *few, "--out", there, "--cluster", one_worker.address, "--json")
    made = json.loads(out)["songs"]
    assert code == 1
    assert [song["verdict"] for song in made] == ["bounced", "refused", "bounced"]
    assert "missing.wav" in err
    files = sorted(path.relative_to(here) for path in here.rglob("*") if path.is_file())
    assert files == sorted(path.relative_to(there) for path in there.rglob("*") if path.is_file())
    assert len(files) == 2 * 10
    assert all(filecmp.cmp(here / file, there / file, shallow=False) for file in files)
    assert made[0]["manifest"] == json.loads((here / "harbour00/bounce.json").read_text())


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_costs_no_song(two_workers, songs, tmp_path):
    recipes = sorted(songs.glob("*.toml"))
    found = {}
    begun: list[int] = []
    for n, outcome in run_songs(bouncing(tmp_path / "out"), recipes, cluster=two_workers.address,
                                outputs=[tmp_path / "out"], on_progress=lambda song, share: begun.append(song)):
        if not found:
            os.kill(next(iter(two_workers.pids().values())), signal.SIGKILL)
        assert n not in found
        found[n] = outcome.verdict
    assert found == {n: "refused" if n == 7 else "bounced" for n in range(SONGS)}
    assert set(begun) >= set(range(SONGS)) - {7}
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        path.stem for n, path in enumerate(recipes) if n != 7]


@pytest.mark.slow
def test_workers_that_cannot_do_the_songs_are_named_with_every_reason_before_any_work(two_workers, songs, tmp_path):
    preload = ("from layerpipe.outputs.bounce import manifest\n"
               "manifest.__version__ = '0.0.9'\n"
               "from layerpipe.jobs.many import cluster_worker\n"
               "def size(path, real=cluster_worker._size):\n"
               "    return -1 if path.name == 'octave-left.wav' else real(path)\n"
               "cluster_worker._size = size\n"
               "cluster_worker._content = lambda path: ''\n")
    before = two_workers.pids()
    two_workers.add_workers(1, preload=preload, memory="200MiB", nanny=False)
    (bad,) = set(two_workers.pids()) - set(before)
    two_workers.add_workers(1, preload="import sys\nsys.modules['layerpipe'] = None\n", nanny=False)
    try:
        code, _, err = run("bounce", songs, "--out", tmp_path / "out", "--cluster", two_workers.address)
    finally:
        for _ in range(2):
            two_workers.workers[-1].kill()
            two_workers.workers.pop().wait()
    assert code == 1
    assert "cannot import layerpipe" in err
    assert f"2 of {len(before) + 2} workers cannot be used; nothing was done" in err
    lines = [line for line in err.splitlines() if line.startswith(f"  {bad}: ")]
    reasons = ("layerpipe 0.0.9", "octave-left.wav", "outputs need a folder", "has 200 MiB")
    assert len(lines) == len(reasons)
    assert all(reason in line for reason, line in zip(reasons, lines, strict=True)), lines
    assert not (tmp_path / "out").exists()
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_a_worker_of_another_version_that_comes_later_gets_no_song(two_workers, songs, tmp_path):
    preload = "from layerpipe.outputs.bounce import manifest\nmanifest.__version__ = '0.0.9'\n"
    recipes = sorted(songs.glob("*.toml"))
    before = set(two_workers.pids())
    (tmp_path / "seen").mkdir()
    work = functools.partial(_note_worker, bouncing(tmp_path / "out"), tmp_path / "seen")
    verdicts = []
    for _, outcome in run_songs(work, recipes, cluster=two_workers.address, outputs=[tmp_path]):
        if not verdicts:
            two_workers.add_workers(1, preload=preload, nanny=False)
        verdicts.append(outcome.verdict)
    new = set(two_workers.pids()) - before
    two_workers.workers[-1].kill()
    two_workers.workers.pop().wait()
    assert verdicts.count("bounced") == SONGS - 1
    assert {path.read_text() for path in (tmp_path / "seen").iterdir()} & new == set()


def _note_worker(work, folder, recipe, on_progress):
    """Note which worker does a song."""
    from distributed import get_worker

    (folder / recipe.stem).write_text(get_worker().address)
    return work(recipe, on_progress)


@pytest.mark.slow
def test_a_lost_scheduler_is_reported_and_what_was_written_is_complete(songs, tmp_path):
    from layerpipe.jobs.many.cluster import ClusterError
    from tests.support.cluster import cluster

    recipes = sorted(songs.glob("*.toml"))
    with cluster(tmp_path / "cluster", 1) as started:
        running = run_songs(bouncing(tmp_path / "out"), recipes, cluster=started.address)
        assert next(running)[1].verdict == "bounced"
        started.scheduler.kill()
        with pytest.raises(ClusterError, match=rf"scheduler was lost after \d+ of {SONGS} songs"):
            list(running)
        started.workers[0].terminate()
        started.workers[0].wait(PATIENCE_S)
    assert 1 <= len(list((tmp_path / "out").iterdir())) < SONGS - 1
    assert not list((tmp_path / "out").glob(".*"))
    for folder in (tmp_path / "out").iterdir():
        assert run("verify", folder, "--quiet")[0] == 0


def test_a_scheduler_that_does_not_answer_is_reported(songs, tmp_path, monkeypatch):
    from layerpipe.jobs.many import cluster as job

    monkeypatch.setattr(job, "LIMITS", job.ClusterLimits(connect_s=0.5))
    code, _, err = run("bounce", songs, "--out", tmp_path / "out", "--cluster", "tcp://127.0.0.1:9")
    assert code == 1
    assert "tcp://127.0.0.1:9: no scheduler answers there" in err
    assert run("bounce", songs, "--cluster", "nonsense://?")[0] == 1


@pytest.mark.slow
def test_a_cluster_without_workers_is_reported(songs, tmp_path):
    from tests.support.cluster import cluster

    with cluster(tmp_path / "cluster", 0) as started:
        code, _, err = run("bounce", songs, "--out", tmp_path / "out", "--cluster", started.address)
    assert code == 1
    assert "has no workers" in err


@pytest.mark.slow
def test_ctrl_c_stops_the_songs_and_leaves_nothing_half_written(two_workers, songs, tmp_path):
    out = tmp_path / "out"
    command = [sys.executable, "-m", "layerpipe", "bounce", str(songs), "--out", str(out), "--cluster",
               two_workers.address]
    process = subprocess.Popen(command, cwd=PROJECT, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
    wait_until(lambda: out.exists() and any(path.name[0] != "." for path in out.iterdir()))
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130, err
    assert "interrupted; no partial output was left" in err
    done = sorted(out.iterdir())
    assert 1 <= len(done) < SONGS - 1
    assert not [path for path in done if path.name.startswith(".")]
    time.sleep(1.0)
    assert sorted(out.iterdir()) == done
    assert all(run("verify", path, "--quiet")[0] == 0 for path in done)

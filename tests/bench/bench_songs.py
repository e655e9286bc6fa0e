"""Many songs: how much two processes and two workers do of what one does, and what a song costs the scheduler.

Usage: python -m tests.bench.bench_songs [SECONDS_A_SONG] [SONGS] [ROUNDS]

Cold bounces of songs of four takes, each song with filters of its own, so that nothing comes from the cache. Every
way of doing them is started and warmed with two songs first (imports, machine code). A round does all ways, one after
the other, and ratios are those of one round, because a machine's speed may change within minutes; printed are the
median of the rounds and all of them. Two programs that share nothing show how much two cores of the machine do at
best. The scheduler's cost is the processor time for songs without any work.
"""

from __future__ import annotations

import functools
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psutil
import tomlkit

from layerpipe.cli.bounce import _bounce
from layerpipe.cli.songs import do_song
from layerpipe.jobs.many.songs import SongOutcome, SongWork, run_songs
from tests.bench.material.material import write_recipe, write_takes
from tests.bench.timing_of import PYTHON, run
from tests.support.cluster import cluster

EMPTY_SONGS = 400


def no_work(recipe: Path, on_progress: Callable[[float], None]) -> SongOutcome:
    """A song without any work."""
    return SongOutcome("done")


def bouncing(out: Path) -> SongWork:
    """The work of `bounce`."""
    return functools.partial(do_song, functools.partial(_bounce, out=out, resume=False, pdf=False), document=False,
                             talks=False, width=0)


def songs_of(folder: Path, seconds: float, count: int) -> list[Path]:
    """Recipes that share their takes and differ in their filters; the first is for warming up."""
    takes = write_takes(folder, seconds)
    made = []
    for n in range(count + 1):
        path = write_recipe(folder / f"song{n:03d}.toml", takes, seconds)
        recipe = tomlkit.parse(path.read_text("utf-8"))
        for layer in recipe["layer"]:  # type: ignore[union-attr]
            layer["chain"] = {"high_pass": [{"hz": 40.0 + n}]}
        path.write_text(tomlkit.dumps(recipe), "utf-8")
        made.append(path)
    return made


def _cpu_s(process: psutil.Process) -> float:
    """Processor time of a process so far."""
    used = process.cpu_times()
    return float(used.user + used.system)


def seconds_for(songs: list[Path], out: Path, workers: Sequence[psutil.Process] = (),
                **ways: object) -> tuple[float, float]:
    """Wall-clock time a song, without the first ones, and the processor time of the workers; all are bounced."""
    shutil.rmtree(out, ignore_errors=True)
    begun = used = 0.0
    count = 0
    # Two songs warm two workers; the clock starts when both are done.
    for _, outcome in run_songs(bouncing(out), songs, **ways):  # type: ignore[arg-type]
        assert outcome.verdict == "bounced", outcome
        count += 1
        if count == 2:
            begun, used = time.perf_counter(), sum(map(_cpu_s, workers))
    return (time.perf_counter() - begun) / (count - 2), (sum(map(_cpu_s, workers)) - used) / (count - 2)


def alone_s(song: Path, folder: Path, at_once: int, times: int = 4) -> float:
    """Wall-clock time a bounce, in programs of their own with one thread each, so many at a time."""
    os.environ["LAYERPIPE_THREADS"] = "1"

    def bounce(n: int) -> None:
        for _ in range(times):
            place = folder / f"alone{n}"
            shutil.rmtree(place, ignore_errors=True)
            run([PYTHON, "-m", "layerpipe", "bounce", song, "--quiet", "--out", place / "out"], cache=place / "cache")

    begun = time.perf_counter()
    try:
        with ThreadPoolExecutor(at_once) as pool:
            list(pool.map(bounce, range(at_once)))
    finally:
        del os.environ["LAYERPIPE_THREADS"]
    return (time.perf_counter() - begun) / (times * at_once)


def round_of(songs: list[Path], folder: Path) -> dict[str, float]:
    """One round: seconds a song of every way, and the workers' processor seconds a song."""
    found = {}
    for processes in (1, 2):
        os.environ["LAYERPIPE_CACHE"] = str(folder / f"cache{processes}")
        found[f"processes {processes}"] = seconds_for(songs, folder / "out", processes=processes)[0]
    for workers in (1, 2):
        with cluster(folder / f"cluster{workers}", workers) as started:
            at_work = [psutil.Process(pid) for pid in started.pids().values()]
            found[f"workers {workers}"], found[f"processor {workers}"] = seconds_for(
                songs, folder / "out", at_work, cluster=started.address, outputs=[folder])
    for at_once in (1, 2):
        found[f"programs {at_once}"] = alone_s(songs[0], folder, at_once)
    return found


def cost_ms(song: Path, folder: Path) -> tuple[float, float]:
    """Processor ms a song without work: the scheduler's and the client's."""
    with cluster(folder / "empty", 2) as started:
        scheduler = psutil.Process(started.scheduler.pid)
        begun = _cpu_s(scheduler), time.process_time()
        done = sum(1 for _ in run_songs(no_work, [song] * EMPTY_SONGS, cluster=started.address))
        return 1000 * (_cpu_s(scheduler) - begun[0]) / done, 1000 * (time.process_time() - begun[1]) / done


def main(seconds: float, count: int, rounds: int) -> None:
    """Measure and print."""
    print(f"{count} songs of 4 takes x {seconds:g} s, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    found = []
    with tempfile.TemporaryDirectory() as room:
        songs = songs_of(Path(room), seconds, count + 1)
        for n in range(rounds):
            folder = Path(room, str(n))
            folder.mkdir()
            found.append(round_of(songs, folder))
        scheduler_ms, client_ms = cost_ms(songs[0], Path(room))
    for way in found[0]:
        print(f"{way:12} {statistics.median(one[way] for one in found):6.2f} s a song")
    for way, words in (("workers", "2 workers / 1 (goal 1.8 on two free cores)"), ("processes", "2 processes / 1"),
                       ("programs", "2 programs that share nothing / 1: the machine's own")):
        ratios = [one[f"{way} 1"] / one[f"{way} 2"] for one in found]
        print(f"{words}: {statistics.median(ratios):.2f} x ({', '.join(f'{ratio:.2f}' for ratio in ratios)})")
    print(f"processor time a song: scheduler {scheduler_ms:.1f} ms, client {client_ms:.1f} ms (recipe read included)")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0, int(sys.argv[2]) if len(sys.argv) > 2 else 10,
         int(sys.argv[3]) if len(sys.argv) > 3 else 3)

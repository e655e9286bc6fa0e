"""Many songs: how much two processes and two workers do of what one does, and what a song costs the scheduler.

Usage: python -m tests.bench.bench_songs [SECONDS_A_SONG] [SONGS]

Cold bounces of songs of four takes, each song with filters of its own, so that nothing comes from the cache. Every
way of doing them is started and warmed with one song first (imports, machine code). Ratios are what carries over to
another machine, if it has two free cores; the workers' processor time depends less on what else it does. The
scheduler's cost is the processor time for songs without any work.
"""

from __future__ import annotations

import functools
import os
import shutil
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


def alone_cpu_s(song: Path, folder: Path, at_once: int, times: int = 4) -> float:
    """Least processor time of a bounce in a program of its own, one thread, with others of its kind beside it or not.

    What it grows by when there are two is the machine's: they share nothing but cores, caches and memory.
    """
    os.environ["LAYERPIPE_THREADS"] = "1"

    def bounce(n: int) -> float:
        place = folder / f"alone{n}"
        shutil.rmtree(place, ignore_errors=True)
        return run([PYTHON, "-m", "layerpipe", "bounce", song, "--quiet", "--out", place / "out"],
                   cache=place / "cache").cpu_s

    try:
        with ThreadPoolExecutor(at_once) as pool:
            return min(used for _ in range(times) for used in pool.map(bounce, range(at_once)))
    finally:
        del os.environ["LAYERPIPE_THREADS"]


def main(seconds: float, count: int) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as room:
        folder = Path(room)
        songs = songs_of(folder, seconds, count + 1)
        print(f"{count} songs of 4 takes x {seconds:g} s, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
        found, cpu_s = {}, []
        for processes in (1, 2):
            os.environ["LAYERPIPE_CACHE"] = str(folder / f"cache{processes}")
            found[f"{processes} process{'es' if processes > 1 else ', all cores'}"] = seconds_for(
                songs, folder / "out", processes=processes)[0]
        for workers in (1, 2):
            with cluster(folder / f"cluster{workers}", workers) as started:
                at_work = [psutil.Process(pid) for pid in started.pids().values()]
                found[f"{workers} worker{'s' if workers > 1 else ', one thread'}"], used = seconds_for(
                    songs, folder / "out", at_work, cluster=started.address, outputs=[folder])
                cpu_s.append(used)
                if workers == 2:
                    empty = [songs[0]] * EMPTY_SONGS
                    scheduler = psutil.Process(started.scheduler.pid)
                    begun = _cpu_s(scheduler), time.process_time()
                    done = sum(1 for _ in run_songs(no_work, empty, cluster=started.address))
                    costs = [1000 * (now - then) / done
                             for now, then in zip((_cpu_s(scheduler), time.process_time()), begun, strict=True)]
        alone = [alone_cpu_s(songs[0], folder, at_once) for at_once in (1, 2)]
        for name, each in found.items():
            print(f"{name:24} {each:6.2f} s a song")
        one, two = (found[name] for name in found if "worker" in name)
        print(f"2 workers do {one / two:.2f} x what 1 does (goal 1.8 on two free cores); each takes "
              f"{cpu_s[1] / cpu_s[0]:.2f} x the processor time a song ({cpu_s[0]:.2f} and {cpu_s[1]:.2f} s)")
        print(f"two programs that share nothing: {alone[1] / alone[0]:.2f} x the processor time of one; that is the "
              "machine's part")
        first, second = (found[name] for name in found if "process" in name)
        print(f"2 processes do {first / second:.2f} x what 1 on all cores does")
        print(f"processor time a song: scheduler {costs[0]:.1f} ms, client {costs[1]:.1f} ms (recipe read included)")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0, int(sys.argv[2]) if len(sys.argv) > 2 else 10)

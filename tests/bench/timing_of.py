"""Whole processes, timed side by side: A B A B ..., so that a machine that slows down slows both."""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

PYTHON = sys.executable


@dataclass(frozen=True)
class Run:
    """One finished process: wall-clock and processor seconds, peak memory of the largest of its processes."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def run(words: Sequence[str | Path], *, cache: Path | None = None, home: Path | None = None,
        fine: Sequence[int] = (0,)) -> Run:
    """Run a command to its end; one whose exit code is not `fine` stops it. `home` holds the machine code (on Unix)."""
    env = {**os.environ, "PYTHONWARNINGS": "ignore"}
    # Installed programs have their bytecode.
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    if home is not None:
        env["XDG_CACHE_HOME"] = str(home)
    if cache is not None:
        env["LAYERPIPE_CACHE"] = str(cache)
    started = time.perf_counter()
    process = subprocess.Popen([str(word) for word in words], env=env, stdout=subprocess.DEVNULL,
                               stderr=subprocess.PIPE)
    assert process.stderr is not None
    said = process.stderr.read()
    _, status, used = os.wait4(process.pid, 0)
    wall_s = time.perf_counter() - started
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in fine:
        raise SystemExit(f"{words[0]} failed with {process.returncode}: {said.decode()[-500:]}")
    return Run(wall_s, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def side_by_side(jobs: dict[str, Callable[[], Run]], times: int) -> dict[str, list[Run]]:
    """Run all jobs in turn, `times` rounds after one that is not counted."""
    found: dict[str, list[Run]] = {name: [] for name in jobs}
    for round_ in range(times + 1):
        for name, job in jobs.items():
            done = job()
            if round_:
                found[name].append(done)
    return found


def ratio(ours: Sequence[Run], theirs: Sequence[Run]) -> float:
    """Median over the rounds of our wall-clock time over theirs."""
    return statistics.median(one.wall_s / other.wall_s for one, other in zip(ours, theirs, strict=True))


def cpu_ratio(ours: Sequence[Run], theirs: Sequence[Run]) -> float:
    """Smallest processor time of ours over the smallest of theirs: other work on the machine only adds to it."""
    return min(done.cpu_s for done in ours) / min(done.cpu_s for done in theirs)


def median_s(runs: Sequence[Run]) -> float:
    """Median wall-clock time."""
    return statistics.median(done.wall_s for done in runs)


def peak_mb() -> float:
    """Peak memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

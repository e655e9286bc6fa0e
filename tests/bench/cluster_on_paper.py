"""A catalogue on a large cluster, on paper: 100 000 songs on 500 workers, where it breaks, and what then.

Usage: python -m tests.bench.cluster_on_paper [SECONDS_A_TASK]

A discrete simulation of one scheduler that serves one thing at a time, workers that each do one task at a time, and a
client that keeps some songs ahead for each worker. The time of scheduler and client for each task is an argument; the
default was measured by `bench_songs`. Files are not simulated: a storage that all workers share has its own limit; what
songs of 3.5 minutes would ask of it is printed.
"""

from __future__ import annotations

import heapq
import sys
from dataclasses import dataclass

SONGS, WORKERS = 100_000, 500
AHEAD = 3
"""Songs handed over for each worker, as `jobs.many.cluster` does."""
TASK_S = 0.004
"""Processor time for each task: 3.0 ms of the scheduler, 3.7 ms of the client beside it; measured by `bench_songs`."""
RESULT_BYTES, TASK_BYTES = 2_000, 12_000
"""An outcome without its document; what a scheduler keeps of a task, from memory of its documentation."""
MANIFEST_BYTES = 60_000
"""A bounce's manifest as it is held; ours."""
READ_S, FILES, FILE_BYTES = 0.0012, 5, 40
"""Reading one recipe; its files; what each costs in the question to a worker. Measured."""
SONG_BYTES = 4 * 30e6 * 2.75
"""Four takes of 3.5 minutes read, and seven files written."""


@dataclass(frozen=True)
class Catalogue:
    """Songs of one length on a cluster."""

    songs: int
    workers: int
    song_s: float
    task_s: float
    batch: int = 1


@dataclass(frozen=True)
class Finished:
    """What the simulation found."""

    wall_s: float
    busy: float
    """Share of the workers' time spent on songs."""
    scheduler: float
    """Share of the time in which the scheduler was busy."""
    lost_s: float
    """Work that is done again if one worker is lost, on average."""


def simulate(plan: Catalogue) -> Finished:
    """Run a catalogue; songs of one task take `song_s` each, give or take a third in turn, without chance."""
    tasks = -(-plan.songs // plan.batch)
    free_at = 0.0
    served = 0.0
    worked = 0.0
    running: list[tuple[float, int]] = []
    queued = [0] * plan.workers
    idle_from = [0.0] * plan.workers
    handed = 0

    def serve(at: float) -> float:
        """The scheduler's next free moment after it has dealt with a task."""
        nonlocal free_at, served
        free_at = max(free_at, at) + plan.task_s
        served += plan.task_s
        return free_at

    def hand(worker: int, at: float) -> None:
        """Give a worker its next task."""
        nonlocal handed, worked
        arrives = serve(at)
        size = min(plan.batch, plan.songs - handed * plan.batch)
        length = plan.song_s * size * (2 / 3 + (handed * 7919 % 1000) / 1500)
        begins = max(arrives, idle_from[worker])
        idle_from[worker] = begins + length
        worked += length
        heapq.heappush(running, (idle_from[worker], worker))
        handed += 1
        queued[worker] += 1

    for turn in range(AHEAD * plan.workers):
        if handed < tasks:
            hand(turn % plan.workers, 0.0)
    end = 0.0
    while running:
        at, worker = heapq.heappop(running)
        queued[worker] -= 1
        end = max(end, at)
        if handed < tasks:
            hand(worker, at)
    wall = max(end, free_at)
    return Finished(wall, worked / (wall * plan.workers), min(1.0, served / wall), plan.song_s * plan.batch / 2)


def smallest_batch(plan: Catalogue, least_busy: float = 0.95) -> int:
    """The fewest songs a task, in powers of two, that keep the workers busy."""
    batch = 1
    while batch < plan.songs // plan.workers:
        if simulate(Catalogue(plan.songs, plan.workers, plan.song_s, plan.task_s, batch)).busy >= least_busy:
            return batch
        batch *= 2
    return batch


def main(task_s: float) -> None:
    """Print the table."""
    print(f"{SONGS} songs, {WORKERS} workers of one thread, {1000 * task_s:.1f} ms for each task")
    print(f"The scheduler is the limit below {WORKERS * task_s:.1f} s a song ({1 / task_s:.0f} tasks a second).")
    print(f"All songs at once would be {SONGS * TASK_BYTES / 1e9:.1f} GB in the scheduler; {AHEAD} ahead for each "
          f"worker are {AHEAD * WORKERS * TASK_BYTES / 1e6:.0f} MB.")
    print(f"Outcomes are {SONGS * RESULT_BYTES / 1e6:.0f} MB in the client, with --json "
          f"{SONGS * MANIFEST_BYTES / 1e9:.1f} GB: leave --json out, or do a thousand songs a command.")
    print(f"Reading the recipes first takes {SONGS * READ_S / 60:.0f} minutes. Asking every worker about every file "
          f"would send {SONGS * FILES * FILE_BYTES * WORKERS / 1e9:.0f} GB; about 20 000 files, "
          f"{20_000 * FILE_BYTES * WORKERS / 1e9:.1f} GB.")
    heads = ("song, s", "songs a task", "hours", "workers busy", "scheduler busy", "redone with a lost worker, s",
             "files, GB/s")
    print("  ".join(f"{head:>{max(13, len(head))}}" for head in heads))
    for song_s in (60.0, 20.0, 5.0, 2.0, 1.0, 0.5):
        plan = Catalogue(SONGS, WORKERS, song_s, task_s)
        best = smallest_batch(plan)
        for batch in sorted({1, best}):
            done = simulate(Catalogue(SONGS, WORKERS, song_s, task_s, batch))
            row = (f"{song_s:g}", str(batch), f"{done.wall_s / 3600:.2f}", f"{100 * done.busy:.0f} %",
                   f"{100 * done.scheduler:.0f} %", f"{done.lost_s:.1f}",
                   f"{SONGS * SONG_BYTES / done.wall_s / 1e9:.1f}")
            print("  ".join(f"{cell:>{max(13, len(head))}}" for cell, head in zip(row, heads, strict=True)))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else TASK_S)

"""Songs spread over processes of this machine.

Progress goes through shared memory without locks, so that a process that is killed blocks no other. A song whose
process was lost is done once more, alone; if it is lost again it is refused.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.context import SpawnContext
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.core.process import bound_threads
from layerpipe.jobs.many.songs import SongOutcome, SongProgress, SongStoppedError, SongWork, refused, run_song

POLL_S = 0.1
_AHEAD = 2
"""Songs handed to each process in advance, so that none waits."""
_shared: tuple[Any, Any] | None = None
"""In a process of the pool: the shares of the songs, and whether to stop."""


def run_in_processes(work: SongWork, recipes: Sequence[Path], *, processes: int,
                     on_progress: SongProgress) -> Generator[tuple[int, SongOutcome], None, None]:
    """Do songs in processes of their own; see `songs.run_songs`. Ending the iteration early stops the songs."""
    context = multiprocessing.get_context("spawn")
    shares = context.RawArray("d", [math.nan] * len(recipes))
    stop = context.RawValue("b", 0)
    processes = min(processes, len(recipes))
    threads = max(1, (os.cpu_count() or 1) // processes)
    waiting, suspects = deque(range(len(recipes))), deque[int]()
    lost_once: set[int] = set()
    reported: dict[int, float] = {}
    pending: dict[Future[SongOutcome], int] = {}
    pool = _new_pool(context, processes, threads, shares, stop)
    try:
        while waiting or suspects or pending:
            # After a loss the songs that were running are done alone: the next loss shows which one it was.
            source, most = (suspects, 1) if suspects else (waiting, _AHEAD * processes)
            alone = any(n in lost_once for n in pending.values())
            broken: list[int] = []
            ended = False
            while source and len(pending) < most and not alone and not ended:
                try:
                    with _interrupts_ignored():
                        pending[pool.submit(_run, work, source[0], recipes[source[0]])] = source[0]
                    source.popleft()
                except BrokenProcessPool:
                    ended = True
            done, _ = wait(pending, POLL_S, FIRST_COMPLETED)
            _report(shares, pending.values(), reported, on_progress)
            for future in done:
                n = pending.pop(future)
                try:
                    yield n, future.result()
                except BrokenProcessPool:
                    broken.append(n)
            if not (broken or ended):
                continue
            for future in list(pending):
                n = pending.pop(future)
                try:
                    yield n, future.result()
                except BrokenProcessPool:
                    broken.append(n)
            pool.shutdown()
            pool = _new_pool(context, processes, threads, shares, stop)
            for n in sorted(broken, reverse=True):
                if math.isnan(shares[n]):
                    waiting.appendleft(n)
                elif n in lost_once:
                    yield n, refused(OutputError(f"{recipes[n]}: its process was lost twice; killed, or out of memory? "
                                                 "try fewer --jobs"))
                else:
                    lost_once.add(n)
                    suspects.appendleft(n)
                shares[n] = math.nan
    finally:
        stop.value = 1
        pool.shutdown(cancel_futures=True)


def _new_pool(context: SpawnContext, processes: int, threads: int, shares: Any, stop: Any) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(processes, mp_context=context, initializer=_begin, initargs=(threads, shares, stop))


def _begin(threads: int, shares: Any, stop: Any) -> None:
    """First thing in a new process. Ctrl-C reaches it through the parent, which sets `stop`."""
    global _shared
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    bound_threads(threads)
    _shared = shares, stop


def _run(work: SongWork, n: int, recipe: Path) -> SongOutcome:
    """One song in a process of the pool."""
    assert _shared is not None
    shares, stop = _shared
    shares[n] = 0.0

    def on_progress(share: float) -> None:
        shares[n] += share
        if stop.value:
            raise SongStoppedError(f"{recipe}: interrupted")

    return run_song(work, recipe, on_progress)


def _report(shares: Any, running: Any, reported: dict[int, float], on_progress: SongProgress) -> None:
    """Pass on what the running songs have done since the last call."""
    for n in running:
        share = shares[n]
        if math.isnan(share):
            continue
        if n not in reported or share > reported[n]:
            on_progress(n, share - reported.get(n, 0.0))
            reported[n] = share


@contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Start processes that ignore Ctrl-C from their first instruction: they inherit it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)

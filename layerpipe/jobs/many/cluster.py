"""Songs spread over the workers of a dask.distributed cluster, which see the same files at the same places.

One song is one task. A task is given memory as a resource that only workers with the same versions offer, so the bytes
are those of one machine and a worker is not given more songs than fit. A lost worker's songs are done again: outputs
are whole or absent. Tasks carry paths, never sound.
"""

from __future__ import annotations

import hashlib
import logging
import queue
import secrets
from collections import deque
from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import dask
from distributed import Client, KilledWorker

from layerpipe.core.errors import LayerpipeError, OutputError, RecipeError
from layerpipe.jobs.many import cluster_worker
from layerpipe.jobs.many.songs import SongOutcome, SongProgress, SongWork, refused
from layerpipe.jobs.output_places import sources_of
from layerpipe.outputs.bounce.manifest import versions
from layerpipe.recipe.reader import read_recipe


@dataclass(frozen=True)
class ClusterLimits:
    """How songs are handed to a cluster."""

    connect_s: float = 10.0
    """A scheduler that does not answer for this long is not there."""
    poll_s: float = 0.5
    ahead: int = 3
    """Songs handed to the scheduler for each thread of the workers: none waits, and its work stays small however many
    songs there are."""
    lost_workers: int = 10
    """Workers that may be lost while they do or hold a song before the song is refused. The scheduler's own 3 count
    also songs that only waited on a lost worker."""
    song_bytes: int = 384 << 20
    """Memory of a song: bounces of 3 minutes and of 3 hours of 4 takes stay below it."""
    take_bytes: int = 8 << 20
    """More for each take."""
    files_asked: int = 20_000
    """Files that workers are asked about before any work; of more, evenly spread ones. Each song looks at its own."""
    stop_s: float = 20.0
    """Running songs get this long to clean up after Ctrl-C."""
    most_shown: int = 20


LIMITS = ClusterLimits()


class ClusterError(LayerpipeError):
    """The cluster cannot be used or was lost; exit code 1."""

    exit_code = 1


def run_on_cluster(work: SongWork, recipes: Sequence[Path], address: str, *, outputs: Sequence[Path] = (),
                   on_progress: SongProgress | None = None) -> Generator[tuple[int, SongOutcome], None, None]:
    """Do songs on the workers of a cluster.

    Parameters
    ----------
    work : SongWork
        Its paths are absolute.
    recipes : sequence of Path
        Absolute.
    address : str
        Of the scheduler, such as "tcp://studio:8786".
    outputs : sequence of Path
        Folders that the songs write into; all workers must see what this machine writes there.
    on_progress : SongProgress, optional
        None spares the scheduler the messages.

    Yields
    ------
    (int, SongOutcome)
        The number of the song in `recipes`; in the order in which they end. Ending the iteration early stops the songs.

    Raises
    ------
    ClusterError
        If there is no scheduler or no worker, a worker has other versions, does not see a file or has too little
        memory (before any work), or the scheduler is lost.
    """
    needed, files = _look_through(recipes)
    with ExitStack() as stack:
        stack.enter_context(_silent_logs())
        client = stack.enter_context(_connected(address))
        resource = f"layerpipe-{hashlib.sha256(repr(sorted(versions().items())).encode()).hexdigest()[:8]}"
        with _probes(outputs) as probes:
            _refuse_workers(client, address, files, probes, max(needed, default=0))
        plugin = cluster_worker.OfferMemory(versions(), resource)
        client.register_plugin(plugin)
        stack.callback(_quietly, client.unregister_worker_plugin, plugin.name)
        client.run_on_scheduler(_raise_allowed_failures())
        run = _Run(client, address, work, recipes, needed, resource)
        if on_progress is not None:
            client.subscribe_topic(run.name, lambda event: on_progress(*event[1]))
            stack.callback(_quietly, client.unsubscribe_topic, run.name)
        yield from run.outcomes(watched=on_progress is not None)


class _Run:
    """One command's songs on a cluster."""

    def __init__(self, client: Client, address: str, work: SongWork, recipes: Sequence[Path], needed: Sequence[int],
                 resource: str) -> None:
        self.name = f"layerpipe-{secrets.token_hex(8)}"
        self._client, self._address, self._work = client, address, work
        self._recipes, self._needed, self._resource = recipes, needed, resource
        self._ended: queue.SimpleQueue[Any] = queue.SimpleQueue()

    def outcomes(self, *, watched: bool) -> Iterator[tuple[int, SongOutcome]]:
        """Hand songs to the scheduler as others end; the outcomes."""
        waiting = deque(range(len(self._recipes)))
        running: dict[Any, int] = {}
        done = 0
        try:
            most = self._most_at_once()
            while waiting or running:
                while waiting and len(running) < most:
                    n = waiting.popleft()
                    running[self._submit(n, watched)] = n
                try:
                    future = self._ended.get(timeout=LIMITS.poll_s)
                except queue.Empty:
                    self._refuse_lost(done)
                    most = self._most_at_once()
                    continue
                n = running.pop(future)
                if future.status == "error" and isinstance(future.exception(), KilledWorker):
                    outcome = refused(OutputError(f"{self._recipes[n]}: {LIMITS.lost_workers} workers were lost while "
                                                  "they did it; killed, or out of memory?"))
                elif future.status in ("finished", "error"):
                    outcome = future.result()
                else:
                    raise self._lost(done)
                done += 1
                yield n, outcome
        except (OSError, RuntimeError) as refusal:
            if self._client.status == "running":
                raise
            raise self._lost(done) from refusal
        finally:
            if running and self._client.status == "running":
                self._stop(list(running))

    def _submit(self, n: int, watched: bool) -> Any:
        future = self._client.submit(
            cluster_worker.run_song_here, self._work, n, self._recipes[n], self.name, watched=watched, pure=False,
            key=f"{self._recipes[n].stem}-{n}-{self.name}", resources={self._resource: self._needed[n]})
        future.add_done_callback(self._ended.put)
        return future

    def _most_at_once(self) -> int:
        """Songs the scheduler is given at a time."""
        workers = self._client.scheduler_info(n_workers=-1)["workers"].values()
        return LIMITS.ahead * max(1, sum(int(worker["nthreads"]) for worker in workers))

    def _refuse_lost(self, done: int) -> None:
        if self._client.status != "running":
            raise self._lost(done)

    def _lost(self, done: int) -> ClusterError:
        return ClusterError(f"{self._address}: the scheduler was lost after {done} of {len(self._recipes)} songs; what "
                            "they wrote is complete. Start it again and repeat the command (bounce --continue does "
                            "only the others).")

    def _stop(self, futures: Sequence[Any]) -> None:
        """Cancel the songs that wait; let those that run clean up."""
        with suppress(OSError, RuntimeError):
            self._client.cancel(futures)
            self._client.run(cluster_worker.stop_songs, self.name, LIMITS.stop_s, on_error="ignore")


def _look_through(recipes: Sequence[Path]) -> tuple[list[int], dict[str, dict[str, int]]]:
    """The memory of each song, and the size of every file this machine sees, by folder.

    What is wrong with a recipe is left to its own task.
    """
    needed: list[int] = []
    found: dict[Path, None] = {}
    for recipe in recipes:
        try:
            sources = sources_of(read_recipe(recipe))
        except RecipeError:
            sources = []
        needed.append(LIMITS.song_bytes + LIMITS.take_bytes * len(sources))
        found |= dict.fromkeys(sources)
    files: dict[str, dict[str, int]] = {}
    for source in list(found)[:: -(-len(found) // LIMITS.files_asked) or 1]:
        with suppress(OSError):
            files.setdefault(str(source.parent), {})[source.name] = source.stat().st_size
    return needed, files


@contextmanager
def _silent_logs() -> Iterator[None]:
    """Keep the client library from logging on stderr: what a user must know is in the errors raised here."""
    loggers = [logging.getLogger(name) for name in list(logging.root.manager.loggerDict)
               if name.partition(".")[0] in ("distributed", "tornado", "asyncio")]
    before = [logger.disabled for logger in loggers]
    try:
        for logger in loggers:
            logger.disabled = True
        yield
    finally:
        for logger, disabled in zip(loggers, before, strict=True):
            logger.disabled = disabled


@contextmanager
def _connected(address: str) -> Iterator[Client]:
    """A client of the scheduler."""
    with ExitStack() as stack:
        # A lost scheduler is reported, not waited for: what it knew of the songs is gone with it.
        stack.enter_context(dask.config.set({"distributed.comm.timeouts.connect": f"{LIMITS.connect_s}s"}))
        try:
            client = stack.enter_context(Client(address, timeout=LIMITS.connect_s, set_as_default=False))
        except (OSError, ValueError, TypeError) as refusal:
            raise ClusterError(f"{address}: no scheduler answers there ({refusal}); start one with: dask scheduler"
                               ) from refusal
        yield client


@contextmanager
def _probes(outputs: Sequence[Path]) -> Iterator[dict[str, str]]:
    """Small files in the folders that outputs go to, while workers look for them; path and content."""
    with ExitStack() as stack:
        probes: dict[str, str] = {}
        for output in dict.fromkeys(outputs):
            folder = next(place for place in (output, *output.parents) if place.is_dir())
            path, content = folder / f".layerpipe-{secrets.token_hex(8)}.probe", secrets.token_hex(16)
            try:
                path.write_text(content)
            except OSError as refusal:
                raise OutputError(f"{output}: cannot be written: {refusal.strerror or refusal}") from refusal
            stack.callback(path.unlink, missing_ok=True)
            probes[str(path)] = content
        yield probes


def _refuse_workers(client: Client, address: str, files: Mapping[str, Mapping[str, int]], probes: Mapping[str, str],
                    needed: int) -> None:
    """Ask every worker whether it can do the songs; refuse if one cannot, before any work."""
    answers = client.run(_ask(), versions(), files, probes, needed)
    if not answers:
        raise ClusterError(f"{address}: has no workers; start some with: dask worker {address} --nthreads 1")
    wrong = {worker: problems for worker, problems in answers.items() if problems}
    if wrong:
        lines = [f"  {worker}: {problem}" for worker, problems in sorted(wrong.items()) for problem in problems]
        hidden = len(lines) - LIMITS.most_shown
        raise ClusterError(
            f"{address}: {len(wrong)} of {len(answers)} workers cannot be used; nothing was done",
            *lines[: LIMITS.most_shown], *([f"  and {hidden} more"] if hidden > 0 else []))


def _ask() -> Any:
    """A function for workers; made inside another so that it travels as it is, also to those without layerpipe."""
    async def ask(wanted: Any, files: Any, probes: Any, needed: int, dask_worker: Any) -> list[str]:
        try:
            from layerpipe.jobs.many import cluster_worker
        except ImportError as missing:
            return [f"cannot import layerpipe: {missing}; install it there"]
        return await cluster_worker.problems(wanted, files, probes, needed, dask_worker)

    return ask


def _raise_allowed_failures() -> Any:
    """A function for the scheduler; made inside another so that it travels as it is and needs no layerpipe there."""
    def raise_allowed_failures(dask_scheduler: Any, most: int = LIMITS.lost_workers) -> None:
        dask_scheduler.allowed_failures = max(dask_scheduler.allowed_failures, most)

    return raise_allowed_failures


def _quietly(call: Any, *words: Any) -> None:
    """Clean up at a scheduler that may be gone."""
    with suppress(OSError, RuntimeError, ValueError):
        call(*words)

"""What runs on the workers of a cluster: answers before any work, one song, and stopping."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from distributed import Worker, WorkerPlugin, get_worker
from distributed.system import MEMORY_LIMIT

from layerpipe.core.process import bound_threads
from layerpipe.jobs.many.songs import SongOutcome, SongStoppedError, SongWork, run_song

_MIB = 1 << 20
_LEAST_SHARE = 0.02
"""Progress is reported in steps of this share: 50 messages a song."""
_MOST_NAMED = 3
_stopped: set[str] = set()
_running: list[str] = []


class OfferMemory(WorkerPlugin):
    """A worker plugin: a worker with the same versions offers its memory to songs; others offer none.

    Workers that start while the songs run get it too.
    """

    def __init__(self, wanted: Mapping[str, str], resource: str) -> None:
        self.name = f"{resource}-memory"
        self._wanted, self._resource = dict(wanted), resource

    async def setup(self, worker: Worker) -> None:
        """Called by each worker."""
        if _own_versions() == self._wanted:
            await worker.set_resources(**{self._resource: _memory_of(worker)})


async def problems(wanted: Mapping[str, str], files: Mapping[str, Mapping[str, int]], probes: Mapping[str, str],
                   needed: int, dask_worker: Worker) -> list[str]:
    """Why this worker cannot do the songs; empty if it can.

    Parameters
    ----------
    wanted : mapping of str
        The client's versions.
    files : mapping of folder to mapping of name to size
        What the client sees.
    probes : mapping of path to content
        What the client has just written where outputs go.
    needed : int
        Bytes of memory of the largest song.
    dask_worker : Worker
    """
    # Not on the worker's event loop: its heartbeat must go on while a slow disk answers.
    return await asyncio.to_thread(_problems, wanted, files, probes, needed, _memory_of(dask_worker))


def _problems(wanted: Mapping[str, str], files: Mapping[str, Mapping[str, int]], probes: Mapping[str, str], needed: int,
              memory: int) -> list[str]:
    """See `problems`."""
    own = _own_versions()
    found = [f"has {name} {own.get(name, 'none')}, here it is {version}; install the same version"
             for name, version in wanted.items() if own.get(name) != version]
    missing = [f"{folder}/{name}" for folder, names in files.items() for name, size in names.items()
               if _size(Path(folder, name)) != size]
    if missing:
        named = ", ".join(missing[:_MOST_NAMED]) + (" and more" if len(missing) > _MOST_NAMED else "")
        found.append(f"does not see {len(missing)} of the files, or other ones of that name: {named}; mount the same "
                     "folders at the same places")
    found += [f"does not see what is written into {Path(probe).parent}; outputs need a folder that all share"
              for probe, content in probes.items() if _content(Path(probe)) != content]
    if memory < needed:
        found.append(f"has {memory // _MIB} MiB of memory, a song needs {needed // _MIB} MiB; start it with a larger "
                     "--memory-limit")
    return found


def run_song_here(work: SongWork, n: int, recipe: Path, run: str, *, watched: bool) -> SongOutcome:
    """One task: one song on one thread of this worker."""
    bound_threads(1)
    report = _reporter(n, run) if watched else None
    if report is not None:
        report(0.0)

    def on_progress(share: float) -> None:
        if run in _stopped:
            raise SongStoppedError(f"{recipe}: interrupted")
        if report is not None:
            report(share)

    _running.append(run)
    try:
        return run_song(work, recipe, on_progress)
    finally:
        _running.remove(run)


async def stop_songs(run: str, most_s: float) -> int:
    """Stop the songs of a run on this worker; how many still run after waiting."""
    _stopped.add(run)
    until = time.monotonic() + most_s
    while run in _running and time.monotonic() < until:
        await asyncio.sleep(0.05)
    return _running.count(run)


def _reporter(n: int, run: str) -> Any:
    """A function that sends the progress of a song to whoever listens."""
    worker = get_worker()
    kept = 0.0

    def report(share: float) -> None:
        nonlocal kept
        kept += share
        if share == 0.0 or kept >= _LEAST_SHARE:
            worker.log_event(run, (n, kept))
            kept = 0.0

    return report


def _own_versions() -> dict[str, str]:
    """The versions that decide this worker's bytes."""
    bound_threads(1)
    from layerpipe.outputs.bounce import manifest

    return manifest.versions()


def _memory_of(worker: Worker) -> int:
    """The memory a worker may use, bytes."""
    return int(worker.memory_manager.memory_limit or MEMORY_LIMIT)


def _size(path: Path) -> int:
    """Bytes of a file; -1 if it cannot be seen."""
    try:
        return path.stat().st_size
    except (OSError, ValueError):
        return -1


def _content(path: Path) -> str:
    try:
        return path.read_text()
    except (OSError, ValueError):
        return ""

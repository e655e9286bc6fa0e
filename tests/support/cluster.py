"""A real scheduler and real workers in processes of their own, on the loopback address."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from distributed import Client

from tests.conftest import PROJECT
from tests.support.waiting import wait_until


@dataclass
class Cluster:
    """A scheduler's address, and the processes."""

    address: str
    folder: Path
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def add_workers(self, count: int, *, preload: str = "", memory: str = "1GiB", nanny: bool = True) -> None:
        """Start workers of one thread each and wait for them; `preload` is Python that they run first."""
        words = [] if nanny else ["--no-nanny"]
        if preload:
            path = self.folder / f"preload{len(self.workers)}.py"
            path.write_text(preload)
            words += ["--preload", str(path)]
        before = len(self.pids())
        for _ in range(count):
            self.workers.append(_start(self.folder, "distributed.cli.dask_worker", self.address, "--host", "127.0.0.1",
                                       "--nthreads", "1", "--memory-limit", memory, *words))
        wait_until(lambda: len(self.pids()) >= before + count)

    def pids(self) -> dict[str, int]:
        """The process of each worker, by address."""
        with Client(self.address, set_as_default=False) as client:
            return client.run(os.getpid, on_error="ignore")

    def end(self) -> None:
        """End every process."""
        for process in (*self.workers, self.scheduler):
            with suppress(ProcessLookupError):
                process.send_signal(signal.SIGINT)
        for process in (*self.workers, self.scheduler):
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@contextmanager
def cluster(folder: Path, workers: int, *, nanny: bool = True) -> Iterator[Cluster]:
    """A scheduler with some workers."""
    folder.mkdir(parents=True, exist_ok=True)
    told = folder / "scheduler.json"
    scheduler = _start(folder, "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
                       "--no-dashboard", "--scheduler-file", str(told))
    started = Cluster("", folder, scheduler)
    try:
        wait_until(lambda: _address(told))
        started.address = _address(told)
        started.add_workers(workers, nanny=nanny)
        yield started
    finally:
        started.end()


def _address(told: Path) -> str:
    """What the scheduler wrote about itself; empty as long as it has not."""
    try:
        return str(json.loads(told.read_text("utf-8"))["address"])
    except (FileNotFoundError, json.JSONDecodeError):
        return ""


def _start(folder: Path, module: str, *words: str) -> subprocess.Popen[bytes]:
    """Start one of dask's commands; what it prints is kept in the folder."""
    # Warnings of other packages are not what the tests are about.
    env = {**os.environ, "PYTHONPATH": str(PROJECT), "PYTHONWARNINGS": "ignore",
           "DASK_TEMPORARY_DIRECTORY": str(folder), "LAYERPIPE_CACHE": str(folder / "cache")}
    if module.endswith("worker"):
        words = (*words, "--no-dashboard")
    with (folder / f"{module}.log").open("ab") as log:
        return subprocess.Popen([sys.executable, "-m", module, *words], env=env, stdout=log, stderr=log, cwd=folder)

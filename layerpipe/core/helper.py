"""A process that works for this one: the interpreter lets only one thread of a process calculate at a time.

It is an interpreter of its own, not a copy of this process, so threads and libraries here do not matter; the script
that runs here is not run there. Ctrl-C does not reach it. It ends with its `with` block, and with this process.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Any, Self, TypeVar

T = TypeVar("T")
# Nothing is read ahead: the calls that follow are read by `serve`.
_SERVE = """\
import os, pickle, sys
sys.path[:] = pickle.load(os.fdopen(0, "rb", buffering=0, closefd=False))
from layerpipe.core.helper import serve
serve()
"""
# Up to 16 MiB are not returned to the system and mapped again each time: see `layerpipe.__main__`.
_SETTINGS = {"MALLOC_TRIM_THRESHOLD_": str(16 << 20), "MALLOC_MMAP_THRESHOLD_": str(16 << 20),
             "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class HelperLostError(Exception):
    """The process could not start or ended, or the work failed there: do it here, which shows why."""


class Helper:
    """A process that is called by one thread at a time.

    Raises
    ------
    HelperLostError
        If it cannot be started.
    """

    def __init__(self) -> None:
        try:
            # -P: modules are not looked for in the current folder.
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _SERVE], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL, process_group=0, env={**_SETTINGS, **os.environ})
        except (OSError, MemoryError) as refusal:
            raise HelperLostError from refusal
        self._is_new = True

    def call(self, function: Callable[..., Any], *asked: Any, on_progress: Callable[[Any], None]) -> Any:
        """What a function of a module answers there.

        Parameters
        ----------
        function : callable
            Called with what is asked and with an `on_progress`; never answers None.
        asked
            What can be pickled.
        on_progress : function
            Receives what the other one is called with, as soon as it is.

        Raises
        ------
        HelperLostError
        """
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            call = pickle.dumps((function, asked))
            if self._is_new:
                pickle.dump(sys.path, self._process.stdin)
                self._is_new = False
            pickle.dump(call, self._process.stdin)
            self._process.stdin.flush()
        except (OSError, pickle.PicklingError, AttributeError, TypeError) as refusal:
            raise HelperLostError from refusal
        while True:
            try:
                done, answer = pickle.load(self._process.stdout)
            except (OSError, EOFError, pickle.UnpicklingError, MemoryError) as lost:
                raise HelperLostError from lost
            if answer is not None:
                return answer
            on_progress(done)

    def end(self) -> None:
        """End it, whatever it does; a call in another thread then raises."""
        self._process.kill()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._process.kill()
        # Pipes are closed and the process is waited for; calls that it has not read have no reader.
        with contextlib.suppress(OSError):
            self._process.__exit__(kind, error, trace)


def do_side_by_side(jobs: Iterable[T], do: Callable[[T, Helper | None], None], *, threads: int, helpers: int) -> None:
    """Do each job once, in the given order, in this thread and in others.

    Parameters
    ----------
    jobs : iterable
    do : function of a job and a Helper
        May leave the work to the helper; without one, or if it is lost, it is called to do it here.
    threads : int
        This one included.
    helpers : int
        How many of the others have a helper; started when they begin.
    """
    left, running = iter(list(jobs)), list[Helper]()
    is_over = False

    def work(helper: Helper | None = None) -> None:
        nonlocal is_over
        try:
            for job in left:
                if is_over:
                    return
                try:
                    do(job, helper)
                except HelperLostError:
                    helper = None
                    if not is_over:
                        do(job, None)
        except BaseException:
            is_over = True
            raise

    def work_with_helper() -> None:
        try:
            helper = Helper()
        except HelperLostError:
            work()
            return
        with helper:
            running.append(helper)
            work(helper)

    with ThreadPoolExecutor(max(1, threads - 1)) as pool:
        try:
            others = [pool.submit(work_with_helper if n < helpers else work) for n in range(threads - 1)]
            work()
            for one in others:
                one.result()
        except BaseException:
            is_over = True
            for helper in running:
                helper.end()
            raise


def serve() -> None:
    """What the process does: answer calls one by one until nobody can make one."""
    calls: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    callers, answers = os.fdopen(0, "rb", closefd=False), os.fdopen(os.dup(1), "wb")
    # What a library prints is no answer.
    os.dup2(2, 1)

    def receive() -> None:
        with _ending():
            while True:
                calls.put(pickle.load(callers))

    def send(done: Any, answer: Any = None) -> None:
        pickle.dump((done, answer), answers)
        answers.flush()

    threading.Thread(target=receive, daemon=True).start()
    with _ending():
        while True:
            # Imports the function: in the main thread, as imports expect.
            function, asked = pickle.loads(calls.get())
            send(0.0, function(*asked, on_progress=send))


@contextlib.contextmanager
def _ending() -> Iterator[None]:
    """End the process at once when something fails: a thread that reads would keep it."""
    try:
        yield
    finally:
        os._exit(1)

"""Work side by side that keeps its order where order counts: what belongs to one file is done in the order it came."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


class Turns:
    """Work in a pool that begins tasks in the order they came: those of one owner wait for each other."""

    def __init__(self, pool: ThreadPoolExecutor) -> None:
        self._pool = pool
        self._last: dict[int, Future[Any]] = {}

    def submit(self, owner: object, work: Callable[..., T], *args: Any) -> Future[T]:
        """Do it when the owner's last task is done."""
        last = self._last.get(id(owner))
        future = self._pool.submit(_after, [] if last is None else [last], work, *args)
        self._last[id(owner)] = future
        return future


def _after(others: Sequence[Future[Any]], work: Callable[..., T], *args: Any) -> T:
    """Wait for others, all of which have begun, then work."""
    wait_for(others)
    return work(*args)


def wait_for(futures: Sequence[Future[Any]]) -> None:
    """Until they are done; raises what they raise."""
    for future in futures:
        future.result()

"""How much the server takes from anybody, and counters that hold callers to it."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class ServerLimits:
    """Limits of one run; all are own choices."""

    most_post_bytes: int = 8192
    """An answer for a dozen sections with comments."""
    requests_burst: float = 400.0
    """Requests at once from one address: some tabs that load a page and all its sound."""
    requests_per_s: float = 20.0
    answers_burst: float = 6.0
    """Answers at once from one address."""
    answers_per_s: float = 0.1
    most_answers: int = 500
    """Answers kept in a comments file."""
    connections: int = 400
    connections_per_address: int = 64
    """A browser opens six."""
    idle_s: float = 10.0
    """A connection that has not finished asking for something in this time is closed."""
    body_s: float = 10.0
    """Time for an answer to arrive."""
    response_s: float = 300.0
    """Time for a response to be taken: 5 MB over 140 kbit/s."""
    lifetime_s: float = 12 * 3600.0
    """The server stops after one long day in the studio."""


class Buckets:
    """Counts what each address does: `burst` at once, then so many each second (token bucket, RFC 2697 in spirit).

    Parameters
    ----------
    burst, per_s : float
    clock : function
        Seconds; never goes back.
    most : int
        Addresses remembered; the one not seen for longest is forgotten first.
    """

    def __init__(self, burst: float, per_s: float, *, clock: Callable[[], float] = time.monotonic,
                 most: int = 1024) -> None:
        self._burst, self._per_s, self._clock, self._most = burst, per_s, clock, most
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, address: str) -> bool:
        """Count one; whether it is allowed."""
        now = self._clock()
        left, since = self._left.pop(address, (self._burst, now))
        left = min(self._burst, left + (now - since) * self._per_s)
        allowed = left >= 1
        self._left[address] = (left - 1 if allowed else left, now)
        if len(self._left) > self._most:
            self._left.popitem(last=False)
        return allowed

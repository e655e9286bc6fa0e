"""Wait for what another process or thread does, however slow the machine is."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 300.0
"""Longer than anything a test waits for takes on a loaded machine; our own choice."""


def wait_until(is_so: Callable[[], object], *, seconds: float = PATIENCE_S) -> None:
    """Look again and again until something is true.

    Raises
    ------
    AssertionError
        If it does not become true in time.
    """
    end = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.01)

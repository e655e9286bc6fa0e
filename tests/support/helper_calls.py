"""What helpers are asked to do in tests; imports little, because each helper imports it."""

from __future__ import annotations

import os
import time
from collections.abc import Callable


def counted(count: int, on_progress: Callable[[float], None]) -> tuple[int, int]:
    """The process it runs in and the count; progress is reported one by one."""
    for n in range(count):
        on_progress(float(n))
    return os.getpid(), count


def refused(on_progress: Callable[[float], None]) -> int:
    """Fails."""
    raise OSError("refused")


def endless(on_progress: Callable[[float], None]) -> int:
    """Reports where it runs, and never ends."""
    on_progress(float(os.getpid()))
    while True:
        time.sleep(1)

"""The running process: its threads, memory given back to the system, notices to the person who waits."""

from __future__ import annotations

import ctypes
import os
import sys

_notices_shown = False


def worker_threads() -> int:
    """Threads for one song: LAYERPIPE_THREADS if it is a number above 0, else one per core."""
    asked = os.environ.get("LAYERPIPE_THREADS", "")
    return int(asked) if asked.isdecimal() and int(asked) else os.cpu_count() or 1


def bound_threads(count: int) -> None:
    """Bound the threads of a song in this process, before numpy is imported; what the user has set stays."""
    os.environ.setdefault("LAYERPIPE_THREADS", str(count))
    # Songs run side by side already; threads inside matrix products would only take cores from other songs.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def release_memory() -> None:
    """Return memory of finished threads to the system; the GNU C library would keep it for later threads."""
    if sys.platform.startswith("linux"):
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)


def show_notices(shown: bool) -> None:
    """Whether `notify` prints; a command that talks to a person turns it on."""
    global _notices_shown
    _notices_shown = shown


def notify(text: str) -> None:
    """Print one line on stderr for a person at a terminal who would wonder what takes so long."""
    if _notices_shown and sys.stderr.isatty():
        print(text, file=sys.stderr, flush=True)

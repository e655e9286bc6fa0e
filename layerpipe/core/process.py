"""The running process: memory given back to the system, notices to the person who waits."""

from __future__ import annotations

import ctypes
import sys

_notices_shown = False


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

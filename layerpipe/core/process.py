"""Memory that is free again, handed back to the system."""

from __future__ import annotations

import ctypes
import sys


def release_memory() -> None:
    """Hand back what the threads of a finished stage had used: the GNU C library keeps it for threads to come."""
    if sys.platform.startswith("linux"):
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)

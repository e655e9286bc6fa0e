"""The running process: its threads, memory given back to the system, notices to the person who waits."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import math
import mmap
import os
import sys
from collections.abc import Callable
from pathlib import Path

_COMPILER_BYTES = 256 << 20
"""Address space that loading the compiler and compiling a loop takes, rounded up; measured on x86-64."""
_LOADED_BYTES = 16 << 20
"""More than the machine code of a loop takes."""
_show: Callable[[str], None] | None = None


def worker_threads() -> int:
    """Threads for one song: LAYERPIPE_THREADS if it is a number above 0, else one per core that may be used."""
    asked = os.environ.get("LAYERPIPE_THREADS", "")
    if asked.isdecimal() and int(asked):
        return int(asked)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def free_memory_bytes() -> float:
    """Memory that other processes leave; infinite where the system does not say so."""
    found = [math.inf]
    with contextlib.suppress(OSError, ValueError, StopIteration):
        lines = Path("/proc/meminfo").read_text().splitlines()
        found.append(1024.0 * int(next(line for line in lines if line.startswith("MemAvailable:")).split()[1]))
    with contextlib.suppress(OSError, ValueError):
        # A container's limit (Linux cgroups, version 2); without one there is "max", which is no number.
        group = Path("/sys/fs/cgroup")
        limit, used = (int((group / name).read_text()) for name in ("memory.max", "memory.current"))
        found.append(float(limit - used))
    return min(found)


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


def show_notices(show: Callable[[str], None] | None) -> None:
    """Let `notify` hand its lines to a function; None keeps it silent."""
    global _show
    _show = show


def notify(text: str) -> None:
    """One line for a person at a terminal who would wonder what takes so long."""
    if _show is not None:
        _show(text)


def is_short_of_memory(mistake: BaseException) -> bool:
    """Whether an error comes from too little memory: libraries then fail to load, and threads to start.

    Parameters
    ----------
    mistake : BaseException

    Examples
    --------
    >>> is_short_of_memory(RuntimeError("can't start new thread"))
    True
    """
    text = str(mistake)
    # Where memory ends, some libraries fail without saying how.
    return (isinstance(mistake, MemoryError) or getattr(mistake, "errno", None) == errno.ENOMEM
            or (isinstance(mistake, SystemError) and not has_room_for_compiler())
            or any(words in text for words in ("failed to map segment", "cannot allocate memory", "start new thread",
                                               "Cannot allocate memory", "Unable to allocate")))


def has_room_for_compiler() -> bool:
    """Whether enough address space is left to load a compiler; its own errors do not say that it is that."""
    return _has_room(_COMPILER_BYTES)


def has_room_for_code() -> bool:
    """Whether enough address space is left to load machine code; without it, the library ends the process."""
    return _has_room(_LOADED_BYTES)


def _has_room(size: int) -> bool:
    """Whether so many bytes of address space are left."""
    try:
        mmap.mmap(-1, size).close()
    except (OSError, ValueError):
        return False
    return True

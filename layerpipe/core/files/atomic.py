"""Files that are whole or absent: written beside their place under a name of this process and thread, then renamed."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import threading
from pathlib import Path

_OF_PROCESS = re.compile(r".+\.([0-9]{1,10})(?:-[0-9]+)?(?:\.partial)+")


def partial_of(path: Path) -> Path:
    """A name of this process and thread beside the final one."""
    return path.with_name(f"{path.name}.{os.getpid()}-{threading.get_ident()}.partial")


def put_whole(path: Path, content: bytes) -> None:
    """Write a small file, whole or absent."""
    partial = partial_of(path)
    try:
        partial.write_bytes(content)
        partial.replace(path)
    finally:
        with contextlib.suppress(OSError):
            partial.unlink()


def tidy_files(folder: Path) -> None:
    """Remove the half-written files of runs that were killed: `name.PID.partial` whose process is gone."""
    try:
        entries = list(os.scandir(folder))
    except OSError:
        return
    for entry in entries:
        found = _OF_PROCESS.fullmatch(entry.name)
        if found and entry.is_file(follow_symlinks=False) and not _lives(int(found[1])):
            with contextlib.suppress(OSError):
                Path(entry.path).unlink()


def _lives(pid: int) -> bool:
    """Whether there is a process of this number; one that may not be asked lives."""
    if sys.platform == "win32":
        return True
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True

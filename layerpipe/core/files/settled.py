"""Files that lie on the disk, not only in memory: what a power cut leaves of a finished bounce is all of it."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterable
from pathlib import Path

_NEVER = frozenset((errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOTSUP))


def settle(files: Iterable[Path]) -> None:
    """Wait until files lie on the disk and not only in memory, so that a power cut takes nothing of them.

    Raises
    ------
    OSError
        If the disk refuses what it seemed to have taken.
    """
    for path in files:
        fd = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def settle_folder(folder: Path) -> None:
    """`settle` for all that is in a folder, and the names of it."""
    for place, _, files in os.walk(folder):
        settle(Path(place, name) for name in sorted(files))
        settle_names(Path(place))


def settle_names(folder: Path) -> None:
    """`settle` for the names in a folder, where the system has that."""
    if sys.platform == "win32":
        return
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    except OSError as refusal:
        if refusal.errno not in _NEVER:
            raise
    finally:
        os.close(fd)

"""Reading files that anybody may have put there: only regular ones, and only up to a size."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path


def is_regular(path: Path) -> bool:
    """Whether a path is a regular file itself: no link, folder, device or pipe."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except (OSError, ValueError):
        return False


def read_regular(path: Path, most_bytes: int) -> bytes:
    """The content of a regular file, to which links may lead. A pipe without a writer is not waited for.

    Raises
    ------
    OSError
        If it cannot be read, is not a regular file, or has more than `most_bytes`.

    Examples
    --------
    >>> read_regular(Path(os.devnull), 100)
    Traceback (most recent call last):
    OSError: [Errno 22] is a device or a pipe; only regular files are read: '/dev/null'
    """
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    with os.fdopen(os.open(path, flags), "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise OSError(errno.EINVAL, "is a device or a pipe; only regular files are read", os.fspath(path))
        content = file.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise OSError(errno.EFBIG, f"has more than {most_bytes} bytes", os.fspath(path))
    return content

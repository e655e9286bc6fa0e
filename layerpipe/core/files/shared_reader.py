"""A file held open for reading at any position by several threads at once; the one place for positional reads."""

from __future__ import annotations

import os
import threading
from pathlib import Path


class SharedFile:
    """A file that stays open as long as this object lives: one that is removed meanwhile can be read to its end.

    Reads use `os.pread` and `os.preadv`. Systems that lack them (Windows) seek and read under a lock.

    Parameters
    ----------
    file : Path or int
        A file, or an open descriptor, which this object then owns and closes.

    Raises
    ------
    OSError
        If it cannot be opened.
    """

    # Kept here: when a process ends, `os` may be emptied before the last file is closed.
    _close = staticmethod(os.close)

    def __init__(self, file: Path | int) -> None:
        flags = os.O_RDONLY | getattr(os, "O_BINARY", 0)
        self._fd = file if isinstance(file, int) else os.open(file, flags)
        self._lock = threading.Lock()
        self.size_bytes = os.fstat(self._fd).st_size

    def read(self, start: int, count: int) -> bytes:
        """Bytes from offset `start`; fewer than `count` at the end of the file. Safe from several threads."""
        if hasattr(os, "pread"):
            return os.pread(self._fd, count, start)
        with self._lock:
            os.lseek(self._fd, start, os.SEEK_SET)
            return os.read(self._fd, count)

    def read_into(self, start: int, buffer: memoryview) -> int:
        """Fill `buffer` with the bytes from offset `start` on; the number of bytes read."""
        if hasattr(os, "preadv"):
            return os.preadv(self._fd, [buffer], start)
        found = self.read(start, len(buffer))
        buffer[: len(found)] = found
        return len(found)

    def __del__(self) -> None:
        if hasattr(self, "_fd"):
            self._close(self._fd)

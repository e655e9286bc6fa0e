"""A file held open for reading from any place, by several threads at once."""

from __future__ import annotations

import os
from pathlib import Path


class SharedFile:
    """A file held open for as long as somebody holds this: an entry removed meanwhile can be read to its end."""

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDONLY)
        self.size_bytes = os.fstat(self._fd).st_size

    def read(self, start: int, count: int) -> bytes:
        """Bytes from `start`; fewer than `count` where the file ends. Safe from several threads."""
        return os.pread(self._fd, count, start)

    def read_into(self, start: int, room: memoryview) -> int:
        """Fill `room` with the bytes from `start` on; how many there were."""
        return os.preadv(self._fd, [room], start)

    def __del__(self) -> None:
        if hasattr(self, "_fd"):
            os.close(self._fd)

"""Locks between processes on a file or folder; a lock ends with its process, however that ends.

Linux, macOS and other Unix systems lock the file or folder itself (`flock`). Windows cannot lock a folder, nor replace
a locked file: there a file `.name.lock` beside it is locked (`msvcrt.locking`). Without either nothing is locked.
"""

from __future__ import annotations

import contextlib
import importlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal


def _module(name: str) -> Any:
    """A module of some systems only; None elsewhere."""
    try:
        return importlib.import_module(name)
    except ImportError:
        return None


fcntl, msvcrt = _module("fcntl"), _module("msvcrt")
KIND: Literal["flock", "locking", "none"] = "flock" if fcntl else "locking" if msvcrt else "none"
"""What this system locks with."""


class PathLock:
    """An exclusive lock on a file or folder.

    Parameters
    ----------
    path : Path
        Must exist; a link is refused where the system can tell.
    wait : bool
        Wait until the other holder lets go (on Windows for 10 s at most).

    Raises
    ------
    OSError
        If somebody else holds it and `wait` is False, or it cannot be opened.
    """

    def __init__(self, path: Path, *, wait: bool = False) -> None:
        self._path = path
        self._fd = -1
        self._beside: Path | None = None
        no_link = getattr(os, "O_NOFOLLOW", 0)
        try:
            if KIND == "flock":
                self._fd = os.open(path, os.O_RDONLY | no_link)
                fcntl.flock(self._fd, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
            elif KIND == "locking":
                beside = path.with_name(f".{path.name}.lock")
                self._fd = os.open(beside, os.O_RDWR | os.O_CREAT | no_link, 0o600)
                msvcrt.locking(self._fd, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
                self._beside = beside
        except BaseException:
            self.release()
            raise

    def is_of(self, path: Path) -> bool:
        """Whether the path still leads to what was locked, and not to a successor of that name."""
        try:
            return os.path.samestat(os.fstat(self._fd), path.lstat()) if KIND == "flock" else path.exists()
        except FileNotFoundError:
            return False

    def release(self) -> None:
        """Let go."""
        if self._fd < 0:
            return
        os.close(self._fd)
        self._fd = -1
        if self._beside is not None:
            # Fails on Windows where the next holder has it open already, which then removes it.
            with contextlib.suppress(OSError):
                self._beside.unlink()


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold a lock on a file while it is read, changed and replaced; others who do the same wait.

    Raises
    ------
    OSError
        If the file cannot be opened.
    """
    while True:
        lock = PathLock(path, wait=True)
        if lock.is_of(path):
            break
        # The holder before us replaced the file: the lock is on what is gone.
        lock.release()
    try:
        yield
    finally:
        lock.release()

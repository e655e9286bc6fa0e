"""Temporary folders that go with their process; what a killed process left is removed by the next that needs one."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
import time
import weakref
from pathlib import Path

from layerpipe.core.files import locks
from layerpipe.core.files.locks import PathLock

_PREFIX = "layerpipe-kept-"
_NEW_S = 60.0
"""A folder younger than this may be about to be locked."""


class TemporaryFolder:
    """A new folder for this user only, removed when nobody holds this object any more or the process ends.

    Raises
    ------
    OSError
        If it cannot be created.
    """

    def __init__(self) -> None:
        _remove_abandoned()
        self.name = tempfile.mkdtemp(prefix=_PREFIX)
        weakref.finalize(self, shutil.rmtree, self.name, ignore_errors=True)
        with contextlib.suppress(OSError):
            # Where nothing can be locked nothing is removed either, but by hand.
            weakref.finalize(self, PathLock(Path(self.name)).release)


def _remove_abandoned() -> None:
    """Remove this user's folders whose process has ended without doing so: their locks have ended with it."""
    if locks.KIND == "none":
        return
    for path in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        with contextlib.suppress(OSError):
            status = path.lstat()
            ours = not hasattr(os, "getuid") or status.st_uid == os.getuid()
            if stat.S_ISDIR(status.st_mode) and ours and time.time() - status.st_mtime > _NEW_S:
                lock = PathLock(path)
                shutil.rmtree(path, ignore_errors=True)
                lock.release()

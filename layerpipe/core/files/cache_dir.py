"""Where layerpipe keeps what it can make again: data that may be shared, and machine code that never is.

Data (processed takes, energies) go into LAYERPIPE_CACHE or this user's cache folder. They are checked as they are read
and can do no harm. Machine code runs as this user, so it is kept only where nobody else can write: in this user's own
cache folder, whatever LAYERPIPE_CACHE says.
"""

from __future__ import annotations

import functools
import os
import stat
import sys
from pathlib import Path

from layerpipe.core.files.temporary import TemporaryFolder

_OTHERS_MAY_WRITE = stat.S_IWGRP | stat.S_IWOTH


def cache_folder() -> Path:
    """The folder of processed takes, absolute; created by whoever writes into it, with `make_private`.

    LAYERPIPE_CACHE names another one; a relative path counts from the current folder. Without a home folder (some
    containers) it is a new private folder that is removed when the process ends.
    """
    asked = os.environ.get("LAYERPIPE_CACHE")
    if asked:
        return Path(asked).absolute()
    own = _user_folder()
    return Path(_temporary().name) if own is None else own


def code_folder() -> Path | None:
    """The folder of machine code, created if need be; None where there is no place that only this user can write to.

    It belongs to this user with mode 0700, neither it nor the folder around it is a link, and nobody else but root can
    rename or replace anything on the way to it.
    """
    own = _user_folder()
    if own is None:
        return None
    try:
        # Links above, such as /home on another disk, are followed here once and their target is checked.
        top = Path(os.path.realpath(own.parent))
        folder = top / own.name / "machine-code"
        make_private(folder)
        if sys.platform == "win32":
            # A user's own AppData folder is closed to others by its access list.
            return folder
        private = folder.lstat()
        fit = stat.S_ISDIR(private.st_mode) and private.st_uid == os.getuid() and not private.st_mode & 0o077
        return folder if fit and all(_is_safe(one) for one in folder.parents) else None
    except OSError:
        return None


def make_private(folder: Path) -> None:
    """Create a folder, and those around it that are missing, for this user only; one that is there stays as it is.

    Raises
    ------
    OSError
        If it cannot be created.
    """
    for one in (*reversed(folder.parents), folder):
        if not one.is_dir():
            one.mkdir(mode=0o700, exist_ok=True)


def _user_folder() -> Path | None:
    """This user's cache folder; None without a home, or where it is not absolute and so anybody's."""
    from platformdirs import user_cache_path

    try:
        found = user_cache_path("layerpipe", appauthor=False)
    except (OSError, RuntimeError):
        return None
    return found if found.is_absolute() else None


def _is_safe(folder: Path) -> bool:
    """Whether only this user and root can rename what is in a folder; in a sticky one everybody has their own."""
    status = folder.lstat()
    if not stat.S_ISDIR(status.st_mode) or status.st_uid not in (0, os.getuid()):
        return False
    return not status.st_mode & _OTHERS_MAY_WRITE or bool(status.st_mode & stat.S_ISVTX)


@functools.cache
def _temporary() -> TemporaryFolder:
    """A new private folder for this process."""
    return TemporaryFolder()

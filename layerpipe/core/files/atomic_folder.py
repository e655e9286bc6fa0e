"""Folders that are complete or absent: written under a temporary name, then renamed, cleaned up after a kill.

While it is written, the folder is called `.name.XXXXXXXX.partial`, beside its target, and is locked; the lock ends with
the process. The next run removes unlocked ones. The folder is renamed when the disk holds all of it. Where the system
can exchange two folders in one step (Linux, renameat2) there is always a bounce of that name; elsewhere the old folder
is called `.retired` between two renames, and the next run restores it after an interruption. Files that the bounce does
not list as its own are never removed.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import secrets
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from layerpipe.core.errors import OutputError
from layerpipe.core.files import locks
from layerpipe.core.files.atomic import sync_folder, sync_names
from layerpipe.core.files.locks import PathLock

Owns = Callable[[Path], Sequence[str] | None]
"""Lists the files that belong to a folder, relative and with slashes; None if it is not a folder of ours."""

LITTER = frozenset((".DS_Store", "Thumbs.db", "desktop.ini"))
"""Files that file managers leave in folders they have shown; they may be removed with the folder."""
_PARTIAL, _RETIRED = ".partial", ".retired"
_EXCHANGE, _HERE = 2, -100
_TRIES = 20
_ABANDONED_S = 24 * 3600.0
_CANNOT = frozenset((errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOTSUP))


@contextmanager
def atomic_folder(target: Path, owns: Owns) -> Iterator[Path]:
    """A folder to write into; it takes the name `target` when the block ends well and is removed otherwise.

    Parameters
    ----------
    target : Path
        Absent, empty, or a folder of ours that holds no other files; anything else is not replaced.
    owns : function of a folder

    Raises
    ------
    OutputError
        If the target may not be replaced, or its parent cannot be written.
    """
    made = [parent for parent in target.absolute().parents if not parent.exists()]
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _tidy(target, owns)
        _refuse_foreign(target, owns)
        partial, lock = _new_partial(target)
    except OSError as refusal:
        _unmake(made)
        raise OutputError(f"{target}: cannot be written: {_reason(refusal)}") from refusal
    try:
        yield partial
        sync_folder(partial)
        _take_place(partial, target, owns)
        for folder in {target.parent, *(parent.parent for parent in made)}:
            sync_names(folder)
    except OutputError as refusal:
        # The reader knows the target, not the temporary name.
        raise OutputError(*str(refusal).replace(os.fspath(partial), os.fspath(target)).split("\n")) from refusal
    except OSError as refusal:
        raise OutputError(f"{target}: cannot be written: {_reason(refusal)}") from refusal
    finally:
        # After an exchange this is the earlier bounce.
        shutil.rmtree(partial, ignore_errors=True)
        lock.release()
        _unmake(made)


def _unmake(folders: Sequence[Path]) -> None:
    """Remove empty folders that were created for a bounce that failed, the innermost first."""
    for folder in folders:
        try:
            folder.rmdir()
        except OSError:
            return


def _new_partial(target: Path) -> tuple[Path, PathLock]:
    """A new folder beside the target, locked."""
    for _ in range(_TRIES):
        partial = target.with_name(f".{target.name}.{secrets.token_hex(4)}{_PARTIAL}")
        try:
            partial.mkdir()
            lock = PathLock(partial)
        except (FileExistsError, FileNotFoundError, BlockingIOError) as refusal:
            if not target.parent.is_dir():
                raise refusal
            continue
        # Another run may have removed it between creation and locking.
        if lock.is_of(partial):
            return partial, lock
        lock.release()
    raise OSError(errno.EBUSY, "other runs keep clearing the folder it is written to")


def _tidy(target: Path, owns: Owns) -> None:
    """Remove what killed runs left beside the target; restore an earlier bounce if they were killed in a rename."""
    own = re.compile(rf"\.{re.escape(target.name)}\.[0-9a-f]{{8}}")
    for kind in (_RETIRED, _PARTIAL):
        for left in sorted(target.parent.iterdir()):
            named = left.suffix == kind and own.fullmatch(left.stem)
            if not named or left.is_symlink() or not left.is_dir():
                continue
            try:
                lock = PathLock(left)
            except OSError:
                continue
            try:
                if kind == _RETIRED and not target.exists() and owns(left) is not None:
                    left.rename(target)
                elif _abandoned(left) and not (owns(left) is not None and _foreign_in(left, owns)):
                    shutil.rmtree(left, ignore_errors=True)
            except OSError:
                continue
            finally:
                lock.release()


def _abandoned(left: Path) -> bool:
    """Whether no run is writing a folder that was not locked; without locks its age decides."""
    return locks.KIND != "none" or time.time() - left.stat().st_mtime > _ABANDONED_S


def _take_place(partial: Path, target: Path, owns: Owns) -> None:
    """Give the finished folder its name. An earlier bounce has the temporary name afterwards."""
    last: OSError = OSError(errno.EBUSY, "another run keeps replacing it")
    for _ in range(_TRIES):
        _refuse_foreign(target, owns)
        try:
            if not target.exists():
                partial.rename(target)
                return
            if _exchange(partial, target):
                # Somebody may have put a file there since it was checked.
                if not _foreign_in(partial, owns):
                    return
                _exchange(partial, target)
                continue
            retired = partial.with_suffix(_RETIRED)
            target.rename(retired)
            try:
                partial.rename(target)
            except OSError:
                retired.rename(target)
                raise
            if not _foreign_in(retired, owns):
                shutil.rmtree(retired, ignore_errors=True)
            return
        except (FileNotFoundError, FileExistsError) as refusal:
            last = refusal
        except OSError as refusal:
            if refusal.errno not in (errno.ENOTEMPTY, errno.EEXIST):
                raise
            last = refusal
        if not partial.exists():
            break
    raise last


def _exchange(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False if the system or the disk cannot."""
    if not sys.platform.startswith("linux"):
        return False
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return False
    if call(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in _CANNOT:
        return False
    raise OSError(code, os.strerror(code), os.fspath(other))


def _refuse_foreign(target: Path, owns: Owns) -> None:
    """Refuse to replace files that are not ours."""
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise OutputError(f"{target}: already exists and is not a folder; move it away or choose another with --out")
    if not target.exists():
        return
    foreign = _foreign_in(target, owns)
    if foreign and owns(target) is None:
        raise OutputError(f"{target}: holds something that is not a bounce and is left alone; "
                          "move it away or choose another with --out")
    if foreign:
        named = ", ".join(foreign[:3]) + (" and more" if len(foreign) > 3 else "")
        raise OutputError(f"{target}: holds {named}, which the bounce there did not write, and is left alone; "
                          "move it away or choose another with --out")


def _foreign_in(folder: Path, owns: Owns) -> list[str]:
    """Files, links and empty folders of a folder that are not its own."""
    own = set(owns(folder) or ())
    with_own = {parent for name in own for parent in PurePosixPath(name).parents}
    foreign = []
    for place, folders, files in os.walk(folder):
        here = Path(place)
        for name in (*files, *(name for name in folders if (here / name).is_symlink())):
            relative = (here / name).relative_to(folder).as_posix()
            # A bounce writes no links, so a link of that name is foreign.
            if (relative not in own or (here / name).is_symlink()) and name not in LITTER:
                foreign.append(relative)
        empty = not folders and not files
        below = PurePosixPath(here.relative_to(folder).as_posix())
        if empty and here != folder and below not in with_own:
            foreign.append(str(below))
    return sorted(foreign)


def _reason(refusal: OSError) -> str:
    """The reason as text."""
    return refusal.strerror or str(refusal)

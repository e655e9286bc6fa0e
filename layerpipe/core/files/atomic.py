"""Files that are complete or absent: written under a temporary name in the target's folder, then renamed into place.

The temporary file is always a new one (created exclusively, links are not followed) with an unpredictable name, so
nothing planted in the folder can redirect a write, and two writers of one target never share a file. The name holds
the machine and the process: the next run removes what a killed run left. After a rename, `sync_files` and
`sync_folder` wait until the disk holds what was written, so that a power cut loses nothing.
"""

from __future__ import annotations

import contextlib
import errno
import functools
import hashlib
import os
import platform
import re
import secrets
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

_NAME_LETTERS = 32
"""Letters of the target's name that the temporary name repeats: a long name must not become too long for the disk."""
_LEFTOVER = re.compile(r".+\.([0-9a-f]{8})-([0-9]{1,10})-[0-9a-f]{16}\.partial", re.DOTALL)
_CANNOT_SYNC = frozenset((errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOTSUP))
_tidied: set[tuple[int, Path]] = set()


class NewFile:
    """A new file beside its target, open for writing and reading; `finish` gives it the target's name.

    Parameters
    ----------
    target : Path
        A link of that name is replaced, never followed.
    mode : int, optional
        Permissions, exactly as given; default: those of any new file of this user.

    Raises
    ------
    OSError
        If the file cannot be created; it names the target.
    """

    def __init__(self, target: Path, *, mode: int | None = None) -> None:
        self.target = target
        _tidy_once(target.parent)
        name = f"{target.name[:_NAME_LETTERS]}.{_machine()}-{os.getpid()}-{secrets.token_hex(8)}.partial"
        self.path = target.with_name(name)
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        with self._naming_target():
            descriptor = os.open(self.path, flags, 0o666 if mode is None else mode)
            self.file: BinaryIO = os.fdopen(descriptor, "w+b")
            if mode is not None:
                try:
                    self.path.chmod(mode)
                except OSError:
                    self.discard()
                    raise

    def finish(self, *, synced: bool = False, only_new: bool = False) -> None:
        """Close the file and give it its name; `synced` first waits until the disk holds its content.

        Raises
        ------
        OSError
            If the disk refuses, or with `only_new` if the name is taken; it names the target. The temporary file is
            gone then.
        """
        try:
            with self._naming_target(None):
                self.file.flush()
                if synced:
                    os.fsync(self.file.fileno())
                self.file.close()
                if only_new:
                    _name_new(self.path, self.target)
                else:
                    self.path.replace(self.target)
                if synced:
                    sync_names(self.target.parent)
        finally:
            self.discard()

    def discard(self) -> None:
        """Close the file and remove it, unless it has its name already."""
        with contextlib.suppress(OSError):
            # What was still to be written cannot be, on a full disk; the file goes anyway.
            self.file.close()
        with contextlib.suppress(OSError):
            self.path.unlink()

    @contextmanager
    def _naming_target(self, *unnamed: None) -> Iterator[None]:
        """Let a refusal name the target, as the reader does not know the temporary name.

        `None` as `unnamed` includes refusals that name no file at all, such as that of a full disk.
        """
        try:
            yield
        except OSError as refusal:
            if refusal.errno is None or refusal.filename not in (self.path, os.fspath(self.path), *unnamed):
                raise
            raise OSError(refusal.errno, refusal.strerror, os.fspath(self.target)) from refusal


@contextmanager
def whole_file(target: Path, *, mode: int | None = None, synced: bool = False,
               only_new: bool = False) -> Iterator[NewFile]:
    """A new file (`.file`, at `.path`) that takes the name `target` when the block ends well and is removed otherwise.

    Parameters
    ----------
    target : Path
        Its folder must exist. A file or link of that name is replaced.
    mode : int, optional
        Permissions, exactly as given; default: those of any new file of this user.
    synced : bool
        Wait until the disk holds the content and the name.
    only_new : bool
        Refuse (FileExistsError) a name that is taken by then, even if another program took it a moment ago.

    Yields
    ------
    NewFile

    Raises
    ------
    OSError
        If it cannot be written; it names the target, never the temporary file.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with whole_file(folder / "note.txt") as new:
    ...     _ = new.file.write(b"take 3")
    >>> [path.name for path in folder.iterdir()], (folder / "note.txt").read_bytes()
    (['note.txt'], b'take 3')
    """
    new = NewFile(target, mode=mode)
    try:
        with new._naming_target():
            yield new
    except BaseException:
        new.discard()
        raise
    new.finish(synced=synced, only_new=only_new)


def write_whole(target: Path, content: bytes, *, mode: int | None = None, synced: bool = False,
                only_new: bool = False) -> None:
    """Write a file completely or not at all; see `whole_file`."""
    with whole_file(target, mode=mode, synced=synced, only_new=only_new) as new:
        new.file.write(content)


def tidy_files(folder: Path) -> None:
    """Remove temporary files of this machine whose process is gone; those of other machines on a shared disk stay."""
    try:
        entries = list(os.scandir(folder))
    except OSError:
        return
    for entry in entries:
        found = _LEFTOVER.fullmatch(entry.name)
        if not found or found[1] != _machine() or _is_alive(int(found[2])):
            continue
        with contextlib.suppress(OSError):
            if entry.is_file(follow_symlinks=False):
                Path(entry.path).unlink()


def sync_files(files: Iterable[Path]) -> None:
    """Wait until the disk holds these files' content, so that a power cut loses none of it.

    Raises
    ------
    OSError
        If the disk refuses what it seemed to have taken.
    """
    for path in files:
        # Windows syncs only what is open for writing.
        access = os.O_RDWR if sys.platform == "win32" else os.O_RDONLY
        descriptor = os.open(path, access | getattr(os, "O_NOFOLLOW", 0))
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Wait until the disk holds everything in a folder: content and names."""
    for place, _, files in os.walk(folder):
        sync_files(Path(place, name) for name in sorted(files))
        sync_names(Path(place))


def sync_names(folder: Path) -> None:
    """Wait until the disk holds the names in a folder; nothing where the system cannot sync a folder (Windows)."""
    if sys.platform == "win32":
        return
    descriptor = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    try:
        os.fsync(descriptor)
    except OSError as refusal:
        if refusal.errno not in _CANNOT_SYNC:
            raise
    finally:
        os.close(descriptor)


def _name_new(path: Path, target: Path) -> None:
    """Give a file a name that must be free: a second name of a file, unlike a rename, never replaces one."""
    try:
        os.link(path, target)
    except FileExistsError:
        raise
    except OSError as refusal:
        # Some disks (FAT, network shares) have no second names.
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), os.fspath(target)) from refusal
        path.replace(target)


def _tidy_once(folder: Path) -> None:
    """Remove what killed runs left, the first time this process writes into a folder."""
    # With the process number, because a forked process inherits this set.
    once = (os.getpid(), folder)
    if once not in _tidied:
        _tidied.add(once)
        tidy_files(folder)


@functools.cache
def _machine() -> str:
    """Eight letters that tell this machine from others on a shared disk, where process numbers mean nothing."""
    return hashlib.sha256(platform.node().encode()).hexdigest()[:8]


def _is_alive(pid: int) -> bool:
    """Whether there is a process of this number; where that cannot be asked, there is."""
    if sys.platform == "win32":
        return True
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True

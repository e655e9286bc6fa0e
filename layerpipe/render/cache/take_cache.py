"""The cache: what has been processed once, found again under a key made of everything that shaped it.

An entry is a regular file, written completely or not at all (beside its place, then renamed; a description last),
checked as it is read, and rebuilt when it is damaged or cannot be read. Two processes that make the same entry both
write it and one wins: they wrote the same bytes. Where the folder cannot be written (disk full, read-only) a temporary
folder replaces it for this run and a warning is logged. Only files named like entries are removed.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import re
import stat
import threading
import zlib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import DamagedFile, OutputError, ParameterError
from layerpipe.core.files.atomic import whole_file, write_whole
from layerpipe.core.files.cache_dir import cache_folder, make_private
from layerpipe.core.files.regular import is_regular
from layerpipe.core.files.temporary import TemporaryFolder
from layerpipe.core.sound import FloatArray
from layerpipe.render.cache.cached_take import CachedTake, DamagedEntry, by_the_second, seal_of
from layerpipe.render.cache.digests import SourceNotes, cache_key

__all__ = ["CacheMoved", "TakeCache", "cache_key"]

DEFAULT_LIMIT_BYTES = 8 << 30
_TRIES = 3
_OURS = re.compile(r"[0-9a-f]{64}\.[a-z0-9]+(\..*)?")


class Savable(Protocol):
    """An object that writes itself into a file."""

    def save(self, path: Path, /) -> None:
        """Write to this file."""
        ...


S = TypeVar("S", bound=Savable)
T = TypeVar("T")


class CacheMoved(DamagedEntry):
    """The cache could not be written and has moved to a temporary folder; the entry has to be made there."""


class TakeCache:
    """A folder of entries with a limit on its size.

    Parameters
    ----------
    folder : Path, optional
        Default: "takes" in the cache folder (LAYERPIPE_CACHE moves it).
    limit_bytes : int, optional
        Size down to which `prune` removes; default 8192 MiB, or LAYERPIPE_CACHE_LIMIT_MB.
    """

    def __init__(self, folder: Path | None = None, *, limit_bytes: int | None = None) -> None:
        self.folder = cache_folder() / "takes" if folder is None else folder
        self.limit_bytes = _limit() if limit_bytes is None else limit_bytes
        self._moved: TemporaryFolder | None = None
        self._moving = threading.Lock()
        self._ready: set[Path] = set()
        self.notes = SourceNotes(self.folder)

    def find_take(self, key: str) -> CachedTake | None:
        """The processed take under this key, or None; a description that cannot be right is removed."""
        found = (CachedTake.find(folder, key) for folder in self._folders())
        return next((take for take in found if take is not None), None)

    def make_take(self, key: str, rate_hz: int, blocks: Iterable[FloatArray], *,
                  facts: Mapping[str, Any], table: Callable[[], npt.NDArray[np.float32]]) -> CachedTake:
        """Store a stream of blocks as the processed take of this key; `table` is called when the stream has ended."""
        folder, room = self._writable()
        path = folder / f"{key}.f32"
        checks: list[int] = []
        frames, reading = 0, False
        stream = by_the_second(blocks, rate_hz)
        try:
            with whole_file(path) as new:
                while True:
                    reading = True
                    block = next(stream, None)
                    reading = False
                    if block is None:
                        break
                    samples = np.ascontiguousarray(block, dtype="<f4")
                    checks.append(zlib.crc32(samples.data))
                    new.file.write(samples.data)
                    frames += len(samples)
                words: dict[str, Any] = {"rate_hz": rate_hz, "frames": frames, "checks": checks, "facts": dict(facts)}
                rows = table().astype("<f4").tobytes()
                words["seal"] = seal_of(words, rows)
            write_whole(path.with_suffix(".json"), json.dumps(words).encode() + b"\n" + rows)
        except OSError as refusal:
            if reading:
                # The source's disk failed, not the cache's.
                raise
            self._move(refusal, room)
            raise CacheMoved(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal
        found = CachedTake.find(folder, key)
        if found is None:
            raise DamagedEntry(f"{path}: was changed while it was written; is another program writing there?")
        return found

    def find_file(self, key: str, kind: str) -> Path | None:
        """The file stored under this key, or None; the caller checks its content."""
        for folder in self._folders():
            path = folder / f"{key}.{kind}"
            if is_regular(path):
                with contextlib.suppress(OSError):
                    os.utime(path)
                return path
        return None

    def make_file(self, key: str, kind: str, write: Callable[[Path], None]) -> Path:
        """Store a file under this key; `write` writes it at the path it is given, completely or not at all."""
        while True:
            folder, room = self._writable()
            path = folder / f"{key}.{kind}"
            try:
                write(path)
                return path
            except OSError as refusal:
                self._move(refusal, room)

    def find_or_make(self, key: str, kind: str, load: Callable[[Path], S], make: Callable[[], S]) -> S:
        """Load what is stored under this key; make and store it where it is missing, damaged or unreadable."""
        found = self.find_file(key, kind)
        if found is not None:
            try:
                return load(found)
            except (DamagedFile, OSError):
                with contextlib.suppress(OSError):
                    found.unlink()
        made = make()
        self.make_file(key, kind, made.save)
        return made

    def retried(self, work: Callable[[], T]) -> T:
        """Do work that reads entries; once more when one turned out damaged, which has removed it."""
        for _ in range(_TRIES - 1):
            try:
                return work()
            except CacheMoved:
                continue
            except DamagedEntry:
                # Damage seldom comes alone.
                self._remove_damaged()
        return work()

    def _remove_damaged(self) -> None:
        """Read every processed take and remove the damaged ones."""
        for described in (path for folder in self._folders() for path in folder.glob("*.json")):
            take = self.find_take(described.stem)
            if take is None:
                continue
            minute = 60 * take.rate_hz
            with contextlib.suppress(DamagedEntry):
                for start in range(0, take.frames, minute):
                    take.read_float32(start, min(start + minute, take.frames))

    def size_bytes(self) -> int:
        """Bytes in the cache."""
        return sum(size for _, size, _ in self._files())

    def empty(self) -> int:
        """Remove every entry; returns the bytes freed."""
        freed = 0
        for path, size, _ in self._files():
            with contextlib.suppress(FileNotFoundError):
                path.unlink()
                freed += size
        return freed

    def prune(self) -> None:
        """Remove the entries unused for longest until the cache is within its limit, if this run has added any."""
        if not self._ready:
            # Looking through ten thousand entries takes as long as a tenth of a short command.
            return
        files = self._files()
        total = sum(size for _, size, _ in files)
        if total <= self.limit_bytes:
            return
        used = {path.stem.split(".")[0]: 0.0 for path, _, _ in files}
        for path, _, at in files:
            used[path.stem.split(".")[0]] = max(used[path.stem.split(".")[0]], at)
        for path, size, _ in sorted(files, key=lambda file: (used[file[0].stem.split(".")[0]], file[0].name)):
            if total <= self.limit_bytes:
                return
            with contextlib.suppress(OSError):
                path.unlink()
            total -= size

    def _files(self) -> list[tuple[Path, int, float]]:
        """Path, size and last use of every file of the cache."""
        found = []
        for path in self.folder.glob("*") if self.folder.is_dir() else ():
            try:
                seen = path.lstat()
            except OSError:
                continue
            if stat.S_ISREG(seen.st_mode) and _OURS.fullmatch(path.name):
                found.append((path, seen.st_size, seen.st_mtime))
        return found

    def _folders(self) -> tuple[Path, ...]:
        """Where entries may be found."""
        return (self.folder,) if self._moved is None else (Path(self._moved.name), self.folder)

    def _writable(self) -> tuple[Path, TemporaryFolder | None]:
        """Where entries are written (created if needed), and the temporary folder if it is one."""
        while True:
            room = self._moved
            folder = self.folder if room is None else Path(room.name)
            if folder in self._ready:
                return folder, room
            try:
                make_private(folder)
            except OSError as refusal:
                self._move(refusal, room)
            else:
                self._ready.add(folder)
                return folder, room

    def _move(self, refusal: OSError, room: TemporaryFolder | None) -> None:
        """Move to a temporary folder because a write failed; `room` is the temporary folder it was tried in, if any."""
        reason = refusal.strerror or str(refusal)
        with self._moving:
            if self._moved is not None and self._moved is not room:
                return
            if room is not None:
                raise OutputError(f"{self.folder} and {room.name}: processed takes cannot be kept: "
                                  f"{reason}") from refusal
            try:
                self._moved = TemporaryFolder()
            except OSError as again:
                raise OutputError(f"{self.folder}: processed takes cannot be kept: {reason}; nor in a temporary "
                                  f"folder: {again.strerror or again}") from again
            logging.getLogger("layerpipe").warning(
                "%s: cannot be written (%s); processed takes are kept in a temporary folder for this run only. "
                "LAYERPIPE_CACHE moves the cache", self.folder, reason)


def _limit() -> int:
    """The limit set in the environment, else the default."""
    asked = os.environ.get("LAYERPIPE_CACHE_LIMIT_MB")
    if not asked:
        return DEFAULT_LIMIT_BYTES
    if not re.fullmatch(r"[0-9]{1,12}", asked):
        raise ParameterError(f'LAYERPIPE_CACHE_LIMIT_MB: "{asked}" must be a whole number of MiB from 0 on')
    return int(asked) << 20

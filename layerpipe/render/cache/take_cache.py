"""The store: what has been processed once, found again under a key made of everything that shaped it.

An entry is whole or absent (written beside, renamed into place, its description last), checked as it is read (CRC-32
per second), and made again when it is damaged. It knows nothing of sound but its length. Two processes filling the same
entry both write it, and one wins: they wrote the same bytes. Where it cannot be written (disk full, read-only) a
temporary folder takes its place for this run and a warning is logged. Only files under names of its own are removed.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import os
import re
import tempfile
import threading
import zlib
from array import array
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import DamagedFile, OutputError
from layerpipe.core.files.atomic import whole_file, write_whole
from layerpipe.core.files.cache_dir import cache_folder, make_private
from layerpipe.core.files.shared_reader import SharedFile
from layerpipe.core.sound import FloatArray
from layerpipe.render.cache.cached_take import CachedTake, DamagedEntry, by_the_second
from layerpipe.render.cache.digests import SourceNotes

DEFAULT_LIMIT_BYTES = 8 << 30
_OURS = re.compile(r"[0-9a-f]{64}\.[a-z0-9]+(\..*)?")


class Saved(Protocol):
    """What writes itself into a file."""

    def save(self, path: Path, /) -> None:
        """Write to this file."""
        ...


Kept = TypeVar("Kept", bound=Saved)


class CacheMoved(DamagedEntry):
    """The store could not be written and has moved to a temporary folder; what was being made is made there."""


class TakeCache:
    """A folder of entries with a limit to its size.

    Parameters
    ----------
    folder : Path, optional
        Default: the store's place in the cache folder (LAYERPIPE_CACHE moves it).
    limit_bytes : int, optional
        What `prune` leaves; default 8 GiB, or LAYERPIPE_CACHE_LIMIT_MB.
    """

    def __init__(self, folder: Path | None = None, *, limit_bytes: int | None = None) -> None:
        self.folder = cache_folder() / "takes" if folder is None else folder
        self.limit_bytes = _limit() if limit_bytes is None else limit_bytes
        self._moved: tempfile.TemporaryDirectory[str] | None = None
        self._moving = threading.Lock()
        self._ready: set[Path] = set()
        self.notes = SourceNotes(self.folder)

    def find_take(self, key: str) -> CachedTake | None:
        """The processed take under this key, or None; a description that cannot be right is removed."""
        found = (self._find_take(folder, key) for folder in self._folders())
        return next((take for take in found if take is not None), None)

    def _find_take(self, folder: Path, key: str) -> CachedTake | None:
        """The processed take under this key in one folder."""
        described = folder / f"{key}.json"
        try:
            text, _, rows = described.read_bytes().partition(b"\n")
            words = json.loads(text)
            path = folder / f"{key}.f32"
            take = CachedTake(key, path, SharedFile(path), words["rate_hz"], words["frames"],
                              array("I", words["checks"]), words["facts"], zlib.crc32(rows))
            whole = take.file.size_bytes == 4 * take.frames and words["seal"] == _seal(words, rows)
        except OSError:
            return None
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            with contextlib.suppress(OSError):
                described.unlink()
            return None
        if not whole:
            take.remove()
            return None
        with contextlib.suppress(OSError):
            os.utime(described)
        return take

    def make_take(self, key: str, rate_hz: int, blocks: Iterable[FloatArray], *,
                  facts: Mapping[str, Any], table: Callable[[], npt.NDArray[np.float32]]) -> CachedTake:
        """Keep a stream of blocks as the processed take of this key; `table` is asked when the stream has ended."""
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
                    kept = np.ascontiguousarray(block, dtype="<f4")
                    checks.append(zlib.crc32(kept.data))
                    new.file.write(kept.data)
                    frames += len(kept)
                words: dict[str, Any] = {"rate_hz": rate_hz, "frames": frames, "checks": checks, "facts": dict(facts)}
                rows = table().astype("<f4").tobytes()
                words["seal"] = _seal(words, rows)
            write_whole(path.with_suffix(".json"), json.dumps(words).encode() + b"\n" + rows)
        except OSError as refusal:
            if reading:
                # The source's disk refused, not the store's.
                raise
            self._move(refusal, room)
            raise CacheMoved(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal
        found = self._find_take(folder, key)
        if found is None:
            raise DamagedEntry(f"{path}: could not be kept; is something else writing there?")
        return found

    def find_file(self, key: str, kind: str) -> Path | None:
        """A file kept under this key; whoever kept it checks what is inside."""
        for folder in self._folders():
            path = folder / f"{key}.{kind}"
            if path.is_file():
                with contextlib.suppress(OSError):
                    os.utime(path)
                return path
        return None

    def make_file(self, key: str, kind: str, write: Callable[[Path], None]) -> Path:
        """Keep a file under this key; `write` writes it at the path it is given, completely or not at all."""
        while True:
            folder, room = self._writable()
            path = folder / f"{key}.{kind}"
            try:
                write(path)
                return path
            except OSError as refusal:
                self._move(refusal, room)

    def find_or_make(self, key: str, kind: str, load: Callable[[Path], Kept], make: Callable[[], Kept]) -> Kept:
        """What is kept under this key; made now and kept where it is not there or is damaged."""
        found = self.find_file(key, kind)
        if found is not None:
            try:
                return load(found)
            except DamagedFile:
                found.unlink(missing_ok=True)
        made = make()
        self.make_file(key, kind, made.save)
        return made

    def remove_damaged(self) -> None:
        """Read every processed take and remove those that are not what was written."""
        for described in (path for folder in self._folders() for path in folder.glob("*.json")):
            take = self.find_take(described.stem)
            if take is None:
                continue
            minute = 60 * take.rate_hz
            with contextlib.suppress(DamagedEntry):
                for start in range(0, take.frames, minute):
                    take.read_float32(start, min(start + minute, take.frames))

    def size_bytes(self) -> int:
        """Bytes in the store."""
        return sum(size for _, size, _ in self._files())

    def empty(self) -> int:
        """Remove every entry; how many bytes that freed."""
        freed = 0
        for path, size, _ in self._files():
            with contextlib.suppress(FileNotFoundError):
                path.unlink()
                freed += size
        return freed

    def prune(self) -> None:
        """Remove the entries unused for longest until the store is within its limit."""
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
        """Path, size and last use of every file of the store."""
        found = []
        for path in self.folder.glob("*") if self.folder.is_dir() else ():
            try:
                seen = path.stat()
            except FileNotFoundError:
                continue
            if path.is_file() and not path.is_symlink() and _OURS.fullmatch(path.name):
                found.append((path, seen.st_size, seen.st_mtime))
        return found

    def _folders(self) -> tuple[Path, ...]:
        """Where entries may lie."""
        return (self.folder,) if self._moved is None else (Path(self._moved.name), self.folder)

    def _writable(self) -> tuple[Path, tempfile.TemporaryDirectory[str] | None]:
        """Where entries are written, made if need be, and the temporary folder if it is one."""
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

    def _move(self, refusal: OSError, room: tempfile.TemporaryDirectory[str] | None) -> None:
        """Go to a temporary folder because a write was refused; `room` is where that write was tried."""
        reason = refusal.strerror or str(refusal)
        with self._moving:
            if self._moved is not None and self._moved is not room:
                return
            if room is not None:
                raise OutputError(f"{self.folder} and {room.name}: processed takes cannot be kept: "
                                  f"{reason}") from refusal
            try:
                self._moved = tempfile.TemporaryDirectory(prefix="layerpipe-", ignore_cleanup_errors=True)
            except OSError as again:
                raise OutputError(f"{self.folder}: processed takes cannot be kept: {reason}; nor in a temporary "
                                  f"folder: {again.strerror or again}") from again
            logging.getLogger("layerpipe").warning(
                "%s: cannot be written (%s); processed takes are kept in a temporary folder for this run only. "
                "LAYERPIPE_CACHE moves the store", self.folder, reason)


def cache_key(shaped_by: Mapping[str, Any]) -> str:
    """Key of an entry: SHA-256 over everything that shaped it, in a canonical form."""
    canonical = json.dumps(shaped_by, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(canonical.encode()).hexdigest()


def _seal(words: Mapping[str, Any], rows: bytes) -> str:
    """Check over a description, without its seal, and the table that follows it."""
    return cache_key({**{name: value for name, value in words.items() if name != "seal"}, "rows": zlib.crc32(rows)})


def _limit() -> int:
    """The limit asked for in the environment, else the default."""
    asked = os.environ.get("LAYERPIPE_CACHE_LIMIT_MB", "")
    return int(asked) << 20 if asked.isdigit() else DEFAULT_LIMIT_BYTES

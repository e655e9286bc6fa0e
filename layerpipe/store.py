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
import time
import zlib
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from layerpipe.errors import LayerpipeError, OutputError
from layerpipe.held import HeldFile
from layerpipe.places import cache_folder
from layerpipe.sound import FloatArray
from layerpipe.whole import tidy_files

DEFAULT_LIMIT_BYTES = 8 << 30
_OURS = re.compile(r"[0-9a-f]{64}\.[a-z0-9]+(\..*)?")
_SETTLED_S = 2.0
Float32Array = npt.NDArray[np.float32]


class DamagedEntry(LayerpipeError):  # noqa: N818 - it is not the reader's error: the store makes the entry again
    """An entry does not hold what was written; it has been removed."""

    exit_code = 1


class StoreMoved(DamagedEntry):
    """The store could not be written and has moved to a temporary folder; what was being made is made there."""


@dataclass(frozen=True)
class StoredTake:
    """A processed take on disk, a `Sound` of float32 frames."""

    key: str
    path: Path
    file: HeldFile
    rate_hz: int
    frames: int
    checks: array[int]
    facts: Mapping[str, Any]
    rows_check: int

    def table(self) -> Float32Array:
        """Per step of 10 ms (see chain.Reduction): shape (3, steps); read when asked for, many takes would add up.

        Raises
        ------
        DamagedEntry
            If it is not what was written; the entry is removed.
        """
        try:
            rows = self.path.with_suffix(".json").read_bytes().partition(b"\n")[2]
        except OSError:
            rows = b""
        if zlib.crc32(rows) != self.rows_check:
            self.remove()
            raise DamagedEntry(f"{self.path}: damaged entry of the store; it will be made again")
        return np.frombuffer(rows, dtype="<f4").reshape(3, -1)

    def read_float32(self, start: int, stop: int) -> Float32Array:
        """Frames start to stop as float32, every block that is touched checked.

        Raises
        ------
        DamagedEntry
            If the file is shorter than described or a block does not match its check; the entry is removed.
        """
        first = start // self.rate_hz * self.rate_hz
        last = min(-(-stop // self.rate_hz) * self.rate_hz, self.frames)
        kept = self.file.read(4 * first, 4 * max(last - first, 0))
        if len(kept) != 4 * max(last - first, 0) or not self._as_checked(kept, first):
            self.remove()
            raise DamagedEntry(f"{self.path}: damaged entry of the store; it will be made again")
        return np.frombuffer(kept, dtype="<f4")[start - first : stop - first]

    def read_into(self, start: int, room: Float32Array) -> None:
        """Fill an array with the frames from `start` on; both its ends lie on whole seconds or at the take's end.

        Raises
        ------
        DamagedEntry
            As `read_float32`.
        """
        view = room.data.cast("B")
        if self.file.read_into(4 * start, view) != len(view) or not self._as_checked(view, start):
            self.remove()
            raise DamagedEntry(f"{self.path}: damaged entry of the store; it will be made again")

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64."""
        return self.read_float32(start, stop).astype(np.float64)

    def remove(self) -> None:
        """Take the entry out of the store, its description first."""
        for path in (self.path.with_suffix(".json"), self.path):
            with contextlib.suppress(OSError):
                path.unlink()

    def _as_checked(self, kept: bytes | memoryview, first: int) -> bool:
        """Whether every block has the check that was written down."""
        view, size = memoryview(kept), 4 * self.rate_hz
        found = array("I", (zlib.crc32(view[at : at + size]) for at in range(0, len(kept), size)))
        return found == self.checks[first // self.rate_hz :][: len(found)]


class Store:
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

    def find_take(self, key: str) -> StoredTake | None:
        """The processed take under this key, or None; a description that cannot be right is removed."""
        found = (self._find_take(folder, key) for folder in self._folders())
        return next((take for take in found if take is not None), None)

    def _find_take(self, folder: Path, key: str) -> StoredTake | None:
        """The processed take under this key in one folder."""
        described = folder / f"{key}.json"
        try:
            text, _, rows = described.read_bytes().partition(b"\n")
            words = json.loads(text)
            path = folder / f"{key}.f32"
            take = StoredTake(key, path, HeldFile(path), words["rate_hz"], words["frames"],
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
                  facts: Mapping[str, Any], table: Callable[[], npt.NDArray[np.float32]]) -> StoredTake:
        """Keep a stream of blocks as the processed take of this key; `table` is asked when the stream has ended."""
        folder, room = self._writable()
        path = folder / f"{key}.f32"
        partial = _partial(path)
        checks: list[int] = []
        frames, reading = 0, False
        stream = _by_the_second(blocks, rate_hz)
        try:
            try:
                with partial.open("wb", buffering=0) as file:
                    while True:
                        reading = True
                        block = next(stream, None)
                        reading = False
                        if block is None:
                            break
                        kept = np.ascontiguousarray(block, dtype="<f4")
                        checks.append(zlib.crc32(kept.data))
                        _write_all(file.fileno(), kept)
                        frames += len(kept)
                words: dict[str, Any] = {"rate_hz": rate_hz, "frames": frames, "checks": checks, "facts": dict(facts)}
                rows = table().astype("<f4").tobytes()
                words["seal"] = _seal(words, rows)
                partial.replace(path)
                _put(path.with_suffix(".json"), json.dumps(words).encode() + b"\n" + rows)
            finally:
                with contextlib.suppress(OSError):
                    partial.unlink()
        except OSError as refusal:
            if reading:
                # The source's disk refused, not the store's.
                raise
            self._move(refusal, room)
            raise StoreMoved(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal
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
        """Keep a file under this key; `write` writes it at the path it is handed."""
        while True:
            folder, room = self._writable()
            path = folder / f"{key}.{kind}"
            partial = _partial(path)
            try:
                write(partial)
                partial.replace(path)
                return path
            except OSError as refusal:
                self._move(refusal, room)
            finally:
                with contextlib.suppress(OSError):
                    partial.unlink()

    def digest_of(self, path: Path, digest: Callable[[Path], str]) -> str:
        """The digest of a source's content, read again only when its size, times or inode have changed."""
        seen = path.stat()
        identity = f"{path.resolve()}|{seen.st_size}|{seen.st_mtime_ns}|{seen.st_ctime_ns}|{seen.st_ino}"
        memo = self.folder / f"{hashlib.sha256(identity.encode('utf-8', 'surrogateescape')).hexdigest()}.digest"
        with contextlib.suppress(OSError, UnicodeDecodeError):
            known, _, seal = memo.read_text("ascii").partition(" ")
            if len(known) == 64 and seal == _seal_of_memo(identity, known):
                return known
        found = digest(path)
        # A file written a moment ago may be written again without its times showing it: only settled ones are noted.
        # The clock decides nothing else here; set back, it only lets files be read once more.
        if time.time() - max(seen.st_mtime, seen.st_ctime) > _SETTLED_S:
            self._note(memo, f"{found} {_seal_of_memo(identity, found)}".encode("ascii"))
        return found

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

    def note_place_of_recipe(self, sha256: str, folder: Path) -> None:
        """Remember in which folder a recipe lay, so that the takes of its bounce are found again."""
        self._note(self.folder / f"{sha256}.place", os.fsencode(folder))

    def place_of_recipe(self, sha256: str) -> Path | None:
        """The folder in which a recipe of this digest lay last, if it is remembered and still there."""
        if not (len(sha256) == 64 and sha256.isalnum()):
            return None
        try:
            folder = Path(os.fsdecode((self.folder / f"{sha256}.place").read_bytes()))
            return folder if folder.is_absolute() and folder.is_dir() else None
        except (OSError, ValueError):
            return None

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
                folder.mkdir(parents=True, exist_ok=True)
                tidy_files(folder)
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

    def _note(self, path: Path, content: bytes) -> None:
        """Write down what can be found out again; where that cannot be, it will be found out again."""
        with contextlib.suppress(OSError):
            path.parent.mkdir(parents=True, exist_ok=True)
            _put(path, content)


def key_of(shaped_by: Mapping[str, Any]) -> str:
    """Key of an entry: SHA-256 over everything that shaped it, in a canonical form."""
    canonical = json.dumps(shaped_by, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(canonical.encode()).hexdigest()


def _seal(words: Mapping[str, Any], rows: bytes) -> str:
    """Check over a description, without its seal, and the table that follows it."""
    return key_of({**{name: value for name, value in words.items() if name != "seal"}, "rows": zlib.crc32(rows)})


def _seal_of_memo(identity: str, digest: str) -> str:
    """Check over a noted digest and what it belongs to."""
    return hashlib.sha256(f"{identity}|{digest}".encode("utf-8", "surrogateescape")).hexdigest()[:16]


def _partial(path: Path) -> Path:
    """A name of this process and thread beside the final one."""
    return path.with_name(f"{path.name}.{os.getpid()}-{threading.get_ident()}.partial")


def _put(path: Path, content: bytes) -> None:
    """Write a small file, whole or absent."""
    partial = _partial(path)
    try:
        partial.write_bytes(content)
        partial.replace(path)
    finally:
        with contextlib.suppress(OSError):
            partial.unlink()


def _limit() -> int:
    """The limit asked for in the environment, else the default."""
    asked = os.environ.get("LAYERPIPE_CACHE_LIMIT_MB", "")
    return int(asked) << 20 if asked.isdigit() else DEFAULT_LIMIT_BYTES


def _by_the_second(blocks: Iterable[FloatArray], rate_hz: int) -> Iterator[FloatArray]:
    """The same sound in blocks of one second: what is checked as one. Blocks that come so are handed on as they are."""
    left = np.zeros(0)
    for block in blocks:
        joined = np.concatenate([left, block]) if len(left) else block
        whole = len(joined) // rate_hz * rate_hz
        for at in range(0, whole, rate_hz):
            yield joined[at : at + rate_hz]
        left = joined[whole:]
    if len(left):
        yield left


def _write_all(fd: int, kept: npt.NDArray[Any]) -> None:
    """Write an array to a file descriptor; a disk that is full raises."""
    view = kept.data.cast("B")
    while len(view):
        view = view[os.write(fd, view) :]

"""The store: what has been processed once, found again under a key made of everything that shaped it.

An entry is whole or absent (written beside, renamed into place, its description last), checked as it is read (CRC-32
per second), and made again when it is damaged. It knows nothing of sound but its length. Two processes filling the same
entry both write it, and one wins: they wrote the same bytes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import threading
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from layerpipe.errors import LayerpipeError
from layerpipe.held import HeldFile
from layerpipe.places import cache_folder
from layerpipe.sound import FloatArray

DEFAULT_LIMIT_BYTES = 8 << 30
Float32Array = npt.NDArray[np.float32]


class DamagedEntry(LayerpipeError):  # noqa: N818 - it is not the reader's error: the store makes the entry again
    """An entry does not hold what was written; it has been removed."""

    exit_code = 1


@dataclass(frozen=True)
class StoredTake:
    """A processed take on disk, a `Sound` of float32 frames."""

    key: str
    path: Path
    file: HeldFile
    rate_hz: int
    frames: int
    checks: tuple[int, ...]
    facts: Mapping[str, Any]
    table: npt.NDArray[np.float32]
    """Per step of 10 ms (see chain.Reduction): shape (3, steps)."""

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

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64."""
        return self.read_float32(start, stop).astype(np.float64)

    def remove(self) -> None:
        """Take the entry out of the store, its description first."""
        self.path.with_suffix(".json").unlink(missing_ok=True)
        self.path.unlink(missing_ok=True)

    def _as_checked(self, kept: bytes, first: int) -> bool:
        """Whether every block has the check that was written down."""
        view, size = memoryview(kept), 4 * self.rate_hz
        found = [zlib.crc32(view[at : at + size]) for at in range(0, len(kept), size)]
        return found == list(self.checks[first // self.rate_hz :][: len(found)])


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

    def find_take(self, key: str) -> StoredTake | None:
        """The processed take under this key, or None; a description that cannot be right is removed."""
        described = self.folder / f"{key}.json"
        try:
            text, _, rows = described.read_bytes().partition(b"\n")
            words = json.loads(text)
            table = np.frombuffer(rows, dtype="<f4").reshape(3, -1)
            path = self.folder / f"{key}.f32"
            take = StoredTake(key, path, HeldFile(path), words["rate_hz"], words["frames"],
                              tuple(words["checks"]), words["facts"], table)
            whole = take.file.size_bytes == 4 * take.frames and words["seal"] == _seal(words, rows)
        except FileNotFoundError:
            return None
        except (ValueError, KeyError, TypeError):
            described.unlink(missing_ok=True)
            return None
        if not whole:
            take.remove()
            return None
        os.utime(described)
        return take

    def make_take(self, key: str, rate_hz: int, blocks: Iterable[FloatArray], *,
                  facts: Mapping[str, Any], table: Callable[[], npt.NDArray[np.float32]]) -> StoredTake:
        """Keep a stream of blocks as the processed take of this key; `table` is asked when the stream has ended."""
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / f"{key}.f32"
        partial = self._partial(path)
        checks: list[int] = []
        frames = 0
        try:
            with partial.open("wb", buffering=0) as file:
                for block in _by_the_second(blocks, rate_hz):
                    kept = np.ascontiguousarray(block, dtype="<f4")
                    checks.append(zlib.crc32(kept.data))
                    _write_all(file.fileno(), kept)
                    frames += len(kept)
            words: dict[str, Any] = {"rate_hz": rate_hz, "frames": frames, "checks": checks, "facts": dict(facts)}
            rows = table().astype("<f4").tobytes()
            words["seal"] = _seal(words, rows)
            partial.replace(path)
            self._put(path.with_suffix(".json"), json.dumps(words).encode() + b"\n" + rows)
        finally:
            partial.unlink(missing_ok=True)
        found = self.find_take(key)
        if found is None:
            raise DamagedEntry(f"{path}: could not be kept; is something else writing there?")
        return found

    def find_file(self, key: str, kind: str) -> Path | None:
        """A file kept under this key; whoever kept it checks what is inside."""
        path = self.folder / f"{key}.{kind}"
        try:
            os.utime(path)
        except FileNotFoundError:
            return None
        return path

    def make_file(self, key: str, kind: str, write: Callable[[Path], None]) -> Path:
        """Keep a file under this key; `write` writes it at the path it is handed."""
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / f"{key}.{kind}"
        partial = self._partial(path)
        try:
            write(partial)
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)
        return path

    def digest_of(self, path: Path, digest: Callable[[Path], str]) -> str:
        """The digest of a source's content, read again only when its size, times or inode have changed."""
        seen = path.stat()
        identity = f"{path.resolve()}|{seen.st_size}|{seen.st_mtime_ns}|{seen.st_ctime_ns}|{seen.st_ino}"
        memo = self.folder / f"{hashlib.sha256(identity.encode('utf-8', 'surrogateescape')).hexdigest()}.digest"
        try:
            known = memo.read_text("ascii")
            if len(known) == 64:
                return known
        except (FileNotFoundError, UnicodeDecodeError):
            pass
        found = digest(path)
        self.folder.mkdir(parents=True, exist_ok=True)
        self._put(memo, found.encode())
        return found

    def remove_damaged(self) -> None:
        """Read every processed take and remove those that are not what was written."""
        for described in self.folder.glob("*.json"):
            take = self.find_take(described.stem)
            if take is None:
                continue
            minute = 60 * take.rate_hz
            with contextlib.suppress(DamagedEntry):
                for start in range(0, take.frames, minute):
                    take.read_float32(start, min(start + minute, take.frames))

    def note_place_of_recipe(self, sha256: str, folder: Path) -> None:
        """Remember in which folder a recipe lay, so that the takes of its bounce are found again."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self._put(self.folder / f"{sha256}.place", os.fsencode(folder))

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
            path.unlink(missing_ok=True)
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
            path.unlink(missing_ok=True)
            total -= size

    def _files(self) -> list[tuple[Path, int, float]]:
        """Path, size and last use of every file of the store."""
        found = []
        for path in self.folder.glob("*") if self.folder.is_dir() else ():
            try:
                seen = path.stat()
            except FileNotFoundError:
                continue
            if path.is_file():
                found.append((path, seen.st_size, seen.st_mtime))
        return found

    def _partial(self, path: Path) -> Path:
        """A name of this process and thread beside the final one."""
        return path.with_name(f"{path.name}.{os.getpid()}-{threading.get_ident()}.partial")

    def _put(self, path: Path, content: bytes) -> None:
        """Write a small file, whole or absent."""
        partial = self._partial(path)
        try:
            partial.write_bytes(content)
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)


def key_of(shaped_by: Mapping[str, Any]) -> str:
    """Key of an entry: SHA-256 over everything that shaped it, in a canonical form."""
    canonical = json.dumps(shaped_by, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(canonical.encode()).hexdigest()


def _seal(words: Mapping[str, Any], rows: bytes) -> str:
    """Check over a description, without its seal, and the table that follows it."""
    return key_of({**{name: value for name, value in words.items() if name != "seal"}, "rows": zlib.crc32(rows)})


def _limit() -> int:
    """The limit asked for in the environment, else the default."""
    asked = os.environ.get("LAYERPIPE_CACHE_LIMIT_MB", "")
    return int(asked) << 20 if asked.isdigit() else DEFAULT_LIMIT_BYTES


def _by_the_second(blocks: Iterable[FloatArray], rate_hz: int) -> Iterable[FloatArray]:
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

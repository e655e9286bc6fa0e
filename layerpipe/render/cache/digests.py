"""Small notes beside processed takes: checksums of sources, and in which folder recipes were.

They can be made again, and are where they cannot be read or are not what was written.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from layerpipe.core.files.atomic import write_whole
from layerpipe.core.files.cache_dir import make_private
from layerpipe.core.files.regular import read_regular

_MOST_BYTES = 1 << 16
_SETTLED_S = 2.0
"""Age from which a file's times show that it was written again: FAT stores them in steps of 2 s."""


class SourceNotes:
    """Notes in a folder, which is created with the first note."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def digest_of(self, path: Path, digest: Callable[[Path], str]) -> str:
        """The checksum of a source's content, read again only when its size, times or inode have changed."""
        seen = path.stat()
        identity = f"{path.resolve()}|{seen.st_size}|{seen.st_mtime_ns}|{seen.st_ctime_ns}|{seen.st_ino}"
        memo = self._folder / f"{hashlib.sha256(identity.encode('utf-8', 'surrogateescape')).hexdigest()}.digest"
        with contextlib.suppress(OSError, ValueError):
            known, _, seal = read_regular(memo, _MOST_BYTES).decode("ascii").partition(" ")
            if len(known) == 64 and seal == _seal_of_memo(identity, known):
                return known
        found = digest(path)
        # A file written a moment ago may be written again without its times showing it. The clock decides nothing
        # else: set back, it only makes files be read once more.
        if time.time() - max(seen.st_mtime, seen.st_ctime) > _SETTLED_S:
            self._note(memo, f"{found} {_seal_of_memo(identity, found)}".encode("ascii"))
        return found

    def note_place_of_recipe(self, sha256: str, folder: Path) -> None:
        """Remember in which folder a recipe was, so that the takes of its bounce are found again."""
        self._note(self._folder / f"{sha256}.place", os.fsencode(folder))

    def place_of_recipe(self, sha256: str) -> Path | None:
        """The folder in which a recipe of this checksum was last, if it is known and still there."""
        if not (len(sha256) == 64 and sha256.isalnum()):
            return None
        try:
            folder = Path(os.fsdecode(read_regular(self._folder / f"{sha256}.place", _MOST_BYTES)))
            return folder if folder.is_absolute() and folder.is_dir() else None
        except (OSError, ValueError):
            return None

    def _note(self, path: Path, content: bytes) -> None:
        """Write a note; without it the work is done again."""
        with contextlib.suppress(OSError):
            make_private(path.parent)
            write_whole(path, content)


def _seal_of_memo(identity: str, digest: str) -> str:
    """Checksum over a noted digest and what it belongs to."""
    return hashlib.sha256(f"{identity}|{digest}".encode("utf-8", "surrogateescape")).hexdigest()[:16]


def cache_key(shaped_by: Mapping[str, Any]) -> str:
    """Key of an entry: SHA-256 over everything that shaped it, in a canonical form."""
    canonical = json.dumps(shaped_by, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(canonical.encode()).hexdigest()

"""Small notes beside processed takes: facts and checksums of sources, and in which folder recipes were.

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

from msgspec.structs import asdict

from layerpipe.audio_files.info import FileFacts, stamp_of
from layerpipe.audio_files.reader import inspect, warn_of_extra
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
        return self._remembered(path, "digest", digest)

    def facts_of(self, path: Path) -> FileFacts:
        """The facts of a source (`inspect`), which is opened again only when its size, times or inode have changed.

        Raises
        ------
        AudioError
            As `inspect`.
        """
        # Refused before anything else where it is no regular file.
        stamp = stamp_of(path)
        noted = self._remembered(path, "facts", _written_facts)
        facts = FileFacts(path=path, stamp=stamp, **json.loads(noted))
        warn_of_extra(facts)
        return facts

    def _remembered(self, path: Path, kind: str, find: Callable[[Path], str]) -> str:
        """What `find` said of a file as it is now; one line of text."""
        seen = path.stat()
        identity = f"{path.resolve()}|{seen.st_size}|{seen.st_mtime_ns}|{seen.st_ctime_ns}|{seen.st_ino}"
        memo = self._folder / f"{hashlib.sha256(identity.encode('utf-8', 'surrogateescape')).hexdigest()}.{kind}"
        with contextlib.suppress(OSError, ValueError):
            known, _, seal = read_regular(memo, _MOST_BYTES).decode("ascii").rpartition(" ")
            if seal == _seal_of_memo(identity, known):
                return known
        found = find(path)
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


def _written_facts(path: Path) -> str:
    """What `inspect` finds, but for the path and the stamp."""
    facts = inspect(path)
    return json.dumps({name: value for name, value in asdict(facts).items() if name not in ("path", "stamp")})


def _seal_of_memo(identity: str, noted: str) -> str:
    """Checksum over what is noted, what it belongs to, and which facts there are: another version may note others."""
    sealed = f"{FileFacts.__struct_fields__}|{identity}|{noted}"
    return hashlib.sha256(sealed.encode("utf-8", "surrogateescape")).hexdigest()[:16]


def cache_key(shaped_by: Mapping[str, Any]) -> str:
    """Key of an entry: SHA-256 over everything that shaped it, in a canonical form."""
    canonical = json.dumps(shaped_by, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(canonical.encode()).hexdigest()

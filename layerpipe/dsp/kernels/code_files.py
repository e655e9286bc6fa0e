"""Machine code kept on disk, accepted only if this installation wrote it.

Each file begins with an HMAC-SHA-256 of its name and content under a random key, which is kept with mode 0600 in the
same private folder (see `core.files.cache_dir`). What another installation wrote, what was changed and what is damaged
is not loaded but built again.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
from pathlib import Path

from layerpipe.core.files.atomic import write_whole
from layerpipe.core.files.cache_dir import code_folder

_KEY_BYTES = 32
_MAC_BYTES = 32
_MOST_BYTES = 4 << 20
"""No loop here comes to a hundredth of this."""


def read_code(name: str) -> bytes | None:
    """The content that `keep_code` kept under this name; None if there is none that this installation wrote."""
    folder = code_folder()
    key = None if folder is None else _read_own(folder / "key")
    kept = None if folder is None or key is None else _read_own(folder / name)
    if key is None or kept is None or len(key) != _KEY_BYTES:
        return None
    body = kept[_MAC_BYTES:]
    return body if hmac.compare_digest(kept[:_MAC_BYTES], _mac(key, name, body)) else None


def keep_code(name: str, body: bytes) -> None:
    """Keep content under a name; nothing is kept where there is no private folder or no room."""
    folder = code_folder()
    if folder is None:
        return
    try:
        key = _read_own(folder / "key")
        if key is None or len(key) != _KEY_BYTES:
            key = secrets.token_bytes(_KEY_BYTES)
            write_whole(folder / "key", key, mode=0o600)
        write_whole(folder / name, _mac(key, name, body) + body, mode=0o600)
    except OSError:
        # The code runs from memory now and is built again next time.
        return


def _mac(key: bytes, name: str, body: bytes) -> bytes:
    """What proves that this installation wrote this content under this name."""
    return hmac.digest(key, name.encode() + b"\0" + body, hashlib.sha256)


def _read_own(path: Path) -> bytes | None:
    """A small regular file of this user that nobody else can change; None if it is not there or not that."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        descriptor = os.open(path, flags)
    except OSError:
        return None
    with os.fdopen(descriptor, "rb") as file:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or status.st_size > _MOST_BYTES:
            return None
        if hasattr(os, "getuid") and (status.st_uid != os.getuid() or status.st_mode & 0o022):
            return None
        try:
            return file.read()
        except OSError:
            return None

"""What was heard of sounds, kept: a listener's answer is found again under the digests of the files it listened to.

The key holds what the sound is made of (files by their content, places, gains, moves), the listener and what it was
asked, and the version of the code that listens, which is the digest of its text: nobody has to remember to count it up.
An entry is sealed with its key. One that cannot be read or was changed is removed and made again; where none can be
written, the work is done again next time. Two processes that make the same entry write the same bytes.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import hashlib
import json
import typing
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from layerpipe.audio_files.info import FileFacts, is_unchanged
from layerpipe.audio_files.scan import digest_of_usable
from layerpipe.core.errors import DamagedFile
from layerpipe.core.files.atomic import write_whole
from layerpipe.core.files.cache_dir import make_private
from layerpipe.core.sound import made_of
from layerpipe.render.cache.packed import pack, unpack
from layerpipe.render.cache.take_cache import TakeCache

T = TypeVar("T")

KIND = "heard"
"""Ending of the entries."""
_LISTENING = ("core", "dsp", "audio_files", "recipe", "render", "analysis", "jobs")
"""Folders of the package whose code shapes what is heard."""
_SEAL_BYTES = 32


class _NoDescriptionError(Exception):
    """An answer depends on something that has no description."""


class Heard:
    """Listens, or remembers; a `listening.Ask` for one command, safe from several threads.

    Parameters
    ----------
    cache : TakeCache
        Its folder holds the entries.
    """

    def __init__(self, cache: TakeCache) -> None:
        self._cache = cache
        self._digests: dict[FileFacts, str] = {}
        self._answers: dict[str, Any] = {}
        self._has_grown = False

    def __call__(self, listener: Callable[..., T], sound: Any, /, *asked: Any, **aside: Any) -> T:
        """The answer of a listener, as `listening.Ask` describes; it is asked anew about a sound that is only here."""
        files: list[FileFacts] = []
        try:
            key = self._key([listener.__module__, listener.__qualname__, sound, *asked], files)
        except _NoDescriptionError:
            return listener(sound, *asked, **aside)
        if key not in self._answers:
            kind = _answer_of(listener)
            known = self._known(key, kind)
            # As it will be read: the first answer and the next ones are the same to the last bit.
            self._answers[key] = known[0] if known else unpack(
                kind, self._keep(key, pack(kind, listener(sound, *asked, **aside)), files))
        answer: T = self._answers[key]
        return answer

    def tidy(self) -> None:
        """Bring the cache within its limit, if something was added to it."""
        if self._has_grown:
            self._cache.prune()

    def _known(self, key: str, kind: Any) -> tuple[Any] | None:
        """The answer in the cache; a damaged entry is removed."""
        path = self._cache.find_file(key, KIND)
        if path is None:
            return None
        try:
            return (unpack(kind, _opened(path.read_bytes(), key)),)
        except (OSError, DamagedFile):
            with contextlib.suppress(OSError):
                path.unlink()
            return None

    def _keep(self, key: str, data: bytes, files: Sequence[FileFacts]) -> bytes:
        """Write an entry, unless a file has changed meanwhile."""
        if all(is_unchanged(facts) for facts in files):
            with contextlib.suppress(OSError):
                make_private(self._cache.folder)
                write_whole(self._cache.folder / f"{key}.{KIND}", _seal(data, key) + data)
                self._has_grown = True
        return data

    def _key(self, shaped_by: Any, files: list[FileFacts]) -> str:
        """Key of an entry; the files in it are collected."""

        def described(one: Any) -> Any:
            if isinstance(one, FileFacts):
                files.append(one)
                return self.digest_of(one)
            if isinstance(one, np.ndarray):
                return [one.dtype.str, one.shape, hashlib.sha256(np.ascontiguousarray(one).data).hexdigest()]
            if isinstance(one, np.generic):
                return one.item()
            made = made_of(one)
            if made is not None:
                return made
            if dataclasses.is_dataclass(one):
                return [type(one).__qualname__, [getattr(one, field.name) for field in dataclasses.fields(one)]]
            raise _NoDescriptionError

        text = json.dumps([version(), shaped_by], default=described, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()

    def digest_of(self, facts: FileFacts) -> str:
        """Digest of a file, which is read to its end unless that is remembered.

        Raises
        ------
        AudioError
            If it cannot be read, or holds samples that are no numbers.
        """
        if facts not in self._digests:
            self._digests[facts] = self._cache.notes.digest_of(facts.path, lambda path: digest_of_usable(facts))
        return self._digests[facts]


@functools.cache
def version() -> str:
    """Version of everything that listens: a digest of the code's text and of the libraries that calculate."""
    from layerpipe import __version__

    package = Path(__file__).resolve().parents[2]
    digest = hashlib.sha256(f"{__version__} {np.__version__}".encode())
    for folder in _LISTENING:
        for path in sorted((package / folder).rglob("*.py")):
            digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


@functools.cache
def _answer_of(listener: Callable[..., Any]) -> Any:
    """The declared type of a listener's answer."""
    return typing.get_type_hints(listener)["return"]


def _seal(data: bytes, key: str) -> bytes:
    """Checksum over an entry and the key it belongs to."""
    return hashlib.sha256(key.encode() + data).digest()


def _opened(stored: bytes, key: str) -> bytes:
    """The content of an entry that is what was written under this key."""
    data = stored[_SEAL_BYTES:]
    if stored[:_SEAL_BYTES] != _seal(data, key):
        raise DamagedFile("what was heard is not what was written")
    return data

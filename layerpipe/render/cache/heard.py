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
import inspect
import json
import typing
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import numpy as np

from layerpipe.audio_files.info import FileFacts, is_unchanged
from layerpipe.audio_files.scan import digest_of_usable
from layerpipe.core.errors import DamagedFile
from layerpipe.core.files.atomic import whole_file
from layerpipe.core.files.cache_dir import make_private
from layerpipe.core.helper import Helper, do_side_by_side
from layerpipe.core.listening import ListenAnew, Question
from layerpipe.core.process import free_memory_bytes, release_memory, worker_threads
from layerpipe.core.sound import Made, OnProgress, made_of
from layerpipe.render.cache.packed import Piece, pack, pack_pieces, read_sealed, seal_of, unpack
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.takes.made import sound_of

T = TypeVar("T")

KIND = "heard"
"""Ending of the entries."""
_LISTENING = ("core", "dsp", "audio_files", "recipe", "render", "analysis", "jobs")
"""Folders of the package whose code shapes what is heard."""
_WORTH_A_HELPER_S = 120.0
"""Of sound to listen to: one listener takes two seconds for it, another process starts in a third of one."""
_HELD_BYTES = 1 << 18  # of an answer that is held until the command ends; larger ones are read again when needed
_BYTES_OF_A_HELPER, _SHARE_OF_MEMORY = 200 << 20, 0.5
"""One that listens to takes of 201 s has 179 MB, and what is free may be needed for other things."""


class _NoDescriptionError(Exception):
    """An answer depends on something that has no description."""


class _Entry(NamedTuple):
    """Where an answer is kept, its type, and the files it depends on."""

    key: str
    kind: Any
    files: list[FileFacts]


class _Described(NamedTuple):
    """A sound on its way to another process."""

    made: Made


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
        self._not_kept: dict[str, bytes] = {}
        """Answers that have no place in the cache."""
        self._has_grown = False

    def __call__(self, listener: Callable[..., T], sound: Any, /, *asked: Any, **aside: Any) -> T:
        """The answer of a listener, as `listening.Ask` describes; it is asked anew about a sound that is only here."""
        entry = self._entry(listener, sound, asked)
        question = Question(listener, sound, asked, aside)
        return typing.cast(T, _listen(question, _Parts(self)) if entry is None else
                           self._answer(entry, question))

    def together(self, questions: Sequence[Question], on_progress: OnProgress = lambda share: None) -> list[Any]:
        """Answers to several questions, as `listening.Ask` describes. Much work is shared with other processes."""
        threads = min(worker_threads(), len(questions))
        answers: list[Any] = [None] * len(questions)
        entries: list[_Entry | None] = [None] * len(questions)

        def identify(n: int, helper: Helper | None) -> None:
            entries[n] = self._entry(*questions[n][:3])

        # Files are read for it.
        do_side_by_side(range(len(questions)), identify, threads=threads, helpers=0)
        seconds = [one.sound.frames / one.sound.rate_hz for one in questions]
        total_s = sum(seconds) or 1.0
        # Sounds may be equal; each is listened to once.
        anew = list({n if entry is None else entry.key: n for n, entry in enumerate(entries)
                     if entry is None or self._find(entry) is None}.values())
        left_s = [seconds[n] if n in anew else 0.0 for n in range(len(questions))]
        on_progress(1 - sum(left_s) / total_s)

        def answer(n: int, helper: Helper | None) -> None:
            question, entry = questions[n], entries[n]

            def heard(seconds: float) -> None:
                # What is heard once more, because a helper was lost, does not count again.
                seconds = min(seconds, left_s[n])
                left_s[n] -= seconds
                on_progress(seconds / total_s)

            if entry is None:
                answers[n] = _listen(question, _Parts(self), heard)
            elif helper is None:
                self._keep(entry, self._packed(question, heard))
            else:
                def learn(told: float | tuple[str, bytes]) -> None:
                    if isinstance(told, tuple):
                        self._keep(_Entry(told[0], None, entry.files), [told[1]])
                    else:
                        heard(told)

                sound, *asked = [one if (made := made_of(one)) is None else _Described(made)
                                 for one in (question.sound, *question.asked)]
                described = question._replace(sound=sound, asked=tuple(asked))
                known = {facts: self._digests[facts] for facts in entry.files}
                self._keep(entry, [helper.call(_listen_there, described, self._cache.folder, known,
                                               on_progress=learn)])
            release_memory()
            heard(left_s[n])

        # The longest first: then the others wait less for the last one.
        do_side_by_side(sorted(anew, key=lambda n: -seconds[n]), answer, threads=threads,
                        helpers=_most_helpers(sum(left_s)))
        # Read only now: while others listened, no answer was in memory.
        return [answers[n] if entry is None else self._answer(entry, questions[n])
                for n, entry in enumerate(entries)]

    def _answer(self, entry: _Entry, question: Question, *, hold: bool = True) -> Any:
        """The answer to a question, as it is kept: the first one and the next ones are the same to the last bit."""
        if found := self._find(entry, hold=hold):
            return found[0]
        self._keep(entry, self._packed(question))
        # Another program may have removed it at once.
        return (self._find(entry, hold=hold) or (unpack(entry.kind, b"".join(self._packed(question))),))[0]

    def _packed(self, question: Question, on_progress: OnProgress | None = None) -> list[Piece]:
        """The answer to a question, heard now."""
        return pack_pieces(_answer_of(question.listener), _listen(question, _Parts(self), on_progress))

    def tidy(self) -> None:
        """Bring the cache within its limit, if something was added to it."""
        if self._has_grown:
            self._cache.prune()

    def _entry(self, listener: Callable[..., Any], sound: Any, asked: tuple[Any, ...]) -> _Entry | None:
        """Where an answer is kept; None if it depends on something that has no description."""
        files: list[FileFacts] = []
        try:
            key = self._key([listener.__module__, listener.__qualname__, sound, *asked], files)
        except _NoDescriptionError:
            return None
        return _Entry(key, _answer_of(listener), files)

    def _find(self, entry: _Entry, *, hold: bool = True) -> tuple[Any] | None:
        """An answer that is here or in the cache; a damaged one is removed. Small ones are held, if asked for."""
        if entry.key in self._answers:
            return (self._answers[entry.key],)
        if entry.key in self._not_kept:
            return (unpack(entry.kind, self._not_kept[entry.key]),)
        if (path := self._cache.find_file(entry.key, KIND)) is None:
            return None
        try:
            found, size = read_sealed(entry.kind, path, entry.key)
        except (OSError, DamagedFile):
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        if hold and size <= _HELD_BYTES:
            self._answers[entry.key] = found
        return (found,)

    def _keep(self, entry: _Entry, packed: Sequence[Piece]) -> None:
        """Keep an answer in the cache, or here where that has no place or a file has changed meanwhile."""
        if all(is_unchanged(facts) for facts in entry.files):
            with contextlib.suppress(OSError):
                make_private(self._cache.folder)
                with whole_file(self._cache.folder / f"{entry.key}.{KIND}") as new:
                    new.file.write(seal_of(packed, entry.key))
                    new.file.writelines(packed)
                self._has_grown = True
                return
        self._not_kept[entry.key] = b"".join(packed)

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


class _Parts(ListenAnew):
    """An `Ask` for parts of one answer, which are found in the cache, or heard and kept: none stays in memory."""

    def __init__(self, heard: Heard, send: Callable[[Any], None] | None = None) -> None:
        self._heard, self._send = heard, send
        """Where there is one, parts are sent there to be kept."""

    def __call__(self, listener: Callable[..., T], sound: Any, /, *asked: Any, **aside: Any) -> T:
        question, entry = Question(listener, sound, asked, aside), self._heard._entry(listener, sound, asked)
        if entry is None:
            return typing.cast(T, _listen(question, self))
        if self._send is None:
            return typing.cast(T, self._heard._answer(entry, question, hold=False))
        if (found := self._heard._find(entry, hold=False)) is None:
            packed = pack(entry.kind, _listen(question, self))
            self._send((entry.key, packed))
            found = (unpack(entry.kind, packed),)
        return typing.cast(T, found[0])


def _listen(question: Question, parts: _Parts, on_progress: OnProgress | None = None) -> Any:
    """A listener's answer; one that reports its progress in seconds does."""
    aside, taken = dict(question.aside), inspect.signature(question.listener).parameters
    if "on_progress" in taken and on_progress is not None:
        aside["on_progress"] = on_progress
    if "ask" in taken:
        aside["ask"] = parts
    return question.listener(question.sound, *question.asked, **aside)


def _listen_there(question: Question, folder: Path, digests: dict[FileFacts, str],
                  on_progress: Callable[[Any], None]) -> bytes:
    """In another process, which writes nothing: the answer about sounds that are described; parts are sent at once."""
    sound, *asked = [sound_of(one.made) if isinstance(one, _Described) else one
                     for one in (question.sound, *question.asked)]
    release_memory()
    heard = Heard(TakeCache(folder))
    heard._digests |= digests
    return pack(_answer_of(question.listener), _listen(question._replace(sound=sound, asked=tuple(asked)),
                                                       _Parts(heard, on_progress), on_progress))


def _most_helpers(seconds: float) -> int:
    """How many other processes are worth starting to listen for so many seconds, and have memory."""
    return int(min(seconds / _WORTH_A_HELPER_S, free_memory_bytes() * _SHARE_OF_MEMORY / _BYTES_OF_A_HELPER))


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

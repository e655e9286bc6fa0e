"""Shares a recipe's artist page: prepares it, serves it, prepares it anew on a save; the base of every shared page."""

from __future__ import annotations

import math
import queue
import secrets
import tempfile
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Required, Self, TypedDict, Unpack

from layerpipe.core.sound import OnProgress
from layerpipe.jobs.output_places import sources_of
from layerpipe.jobs.page import keeping_in, page_id_of
from layerpipe.jobs.watch import each_save, refuse_without
from layerpipe.outputs.artist_page.build import make_page_song
from layerpipe.outputs.artist_page.loops import parts_of
from layerpipe.outputs.artist_page.model import PageSong
from layerpipe.recipe.reader import RecipeFile, read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import WORKERS, measure_song, process_takes
from layerpipe.server.accepted import AcceptedLine
from layerpipe.server.app import AnswerTaker, make_app
from layerpipe.server.choices import Choice, Inbox
from layerpipe.server.comments import CommentsFile, comments_path
from layerpipe.server.limits import ServerLimits
from layerpipe.server.network import THIS_MACHINE, listen, netloc
from layerpipe.server.pages import SharedPages, StoredSounds, Version
from layerpipe.server.running import RunningServer
from layerpipe.server.watch import SavedFiles

_SECRET_BYTES = 16
_LOOK_S = 0.25


@dataclass(frozen=True)
class NewVersion:
    """A version is shown. `cut` are sections that are longer than was asked for."""

    number: int
    cut: tuple[str, ...]


@dataclass(frozen=True)
class Problem:
    """Something the person at the terminal should know; sharing goes on."""

    words: str


def refuse_without_share() -> None:
    """Say which package of the extra "share" is missing, if any."""
    refuse_without(("starlette", "uvicorn", "segno", "watchfiles"))


class ShareSettings(TypedDict, total=False):
    """Settings of every shared page, see `SharedRun`."""

    host: Required[str]
    port: int | None
    limits: ServerLimits | None
    cache: TakeCache | None
    on_progress: OnProgress


class SharedRun(ABC):
    """A page while it is shared; use as a context manager. A subclass prepares its versions and takes its answers.

    Parameters
    ----------
    file : RecipeFile
    host : str
        The one address to bind to.
    port : int, optional
        Default: the usual one, or any free one.
    limits : ServerLimits, optional
    cache : TakeCache, optional
    on_progress : function of a share
        Of preparing the first version.

    Raises
    ------
    RecipeError, AudioError, OutputError
        If the recipe or its files are wrong, or the address cannot be used.
    """

    def __init__(self, file: RecipeFile, *, host: str, port: int | None = None, limits: ServerLimits | None = None,
                 cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> None:
        refuse_without_share()
        self._path, self._limits, self._cache = file.path, limits or ServerLimits(), cache or TakeCache()
        self._events: queue.SimpleQueue[object] = queue.SimpleQueue()
        self._stop = threading.Event()
        inbox = self._make_inbox()
        self._saved = SavedFiles(sources_of(file))
        listener = listen(host, port)
        self._folder = tempfile.TemporaryDirectory(prefix="layerpipe-share-", ignore_cleanup_errors=True)
        try:
            self._pages = SharedPages(Path(self._folder.name), self._limits)
            self._prepare(file, on_progress)
        except BaseException:
            listener.close()
            self._folder.cleanup()
            raise
        bound_port: int = listener.getsockname()[1]
        secret = secrets.token_urlsafe(_SECRET_BYTES)
        hosts = [netloc(host, bound_port), *([netloc("localhost", bound_port)] if host == THIS_MACHINE else [])]
        self.url = f"http://{hosts[0]}/{secret}/"
        app = make_app(self._pages, inbox, secret=secret, hosts=hosts, limits=self._limits, on_problem=self._tell)
        self._server = RunningServer(app, listener, self._limits, self._tell)
        self._watcher = threading.Thread(target=self._watch, name="watcher", daemon=True)

    @abstractmethod
    def _make_inbox(self) -> AnswerTaker:
        """What takes the page's answers and puts them among the events."""

    @abstractmethod
    def _prepare(self, file: RecipeFile, on_progress: OnProgress = lambda share: None) -> None:
        """Show the recipe as it is now."""

    def __enter__(self) -> Self:
        self._server.__enter__()
        self._watcher.start()
        return self

    def __exit__(self, *failure: object) -> None:
        self._stop.set()
        self._server.close()
        self._watcher.join(5)
        self._folder.cleanup()

    def end(self) -> None:
        """Let `events` end; may be called in a signal handler."""
        self._stop.set()

    @property
    def is_ending(self) -> bool:
        """Whether `end` was called."""
        return self._stop.is_set()

    def events(self) -> Iterator[Choice | AcceptedLine | NewVersion | Problem]:
        """What happens, as it happens, until it is ended or the server's time is over."""
        while self._server.is_running and not self._stop.is_set():
            try:
                event = self._events.get(timeout=_LOOK_S)
            except queue.Empty:
                continue
            assert isinstance(event, Choice | AcceptedLine | NewVersion | Problem)
            yield event

    def _tell(self, words: str) -> None:
        self._events.put(Problem(words))

    def _watch(self) -> None:
        """Prepare anew whenever the recipe or one of its files is saved."""
        each_save(self._path, lambda: self._prepare(read_recipe(self._path)),
                  lambda words: self._tell(f"{words}\nthe page stays as it was"), self._stop, self._saved)


class Sharing(SharedRun):
    """A recipe's artist page while it is shared.

    Parameters
    ----------
    file : RecipeFile
    sections : sequence of str
        Names; all sections if empty.
    seconds : float
        Longer sections are cut at the last downbeat inside it; default: none is.
    settings
        Those of `SharedRun`.

    Raises
    ------
    RecipeError, AudioError, OutputError
        Also if a section's name is wrong, or there is another file where comments are kept.
    """

    def __init__(self, file: RecipeFile, *, sections: Sequence[str] = (), seconds: float = math.inf,
                 **settings: Unpack[ShareSettings]) -> None:
        self._sections, self._seconds = sections, seconds
        super().__init__(file, **settings)

    def _make_inbox(self) -> Inbox:
        self.comments = CommentsFile(comments_path(self._path), most=self._limits.most_answers)
        return Inbox(self.comments, self._events)

    def _prepare(self, file: RecipeFile, on_progress: OnProgress = lambda share: None) -> None:
        """Show the recipe as it is now."""
        stored = StoredSounds()
        cut: list[str] = []

        def work() -> PageSong:
            song = process_takes(file, self._cache, on_progress=lambda share: on_progress(share / 2))
            energies = measure_song(song, self._cache)
            parts = parts_of(song, self._sections, self._seconds)
            cut[:] = [part.name for part in parts if part.stop < part.part.stop]
            return make_page_song(song, energies, parts, page_id_of(file.recipe, self._cache), workers=WORKERS,
                                  keep=keeping_in(self._cache), on_progress=lambda share: on_progress(share / 2),
                                  on_section=lambda section: self._pages.store(section, stored))

        version: Version = self._pages.publish(self._cache.retried(work), stored)
        self._cache.prune()
        self._events.put(NewVersion(version.number, tuple(cut)))

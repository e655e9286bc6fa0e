"""A real server on the loopback with the page of a small invented song."""

from __future__ import annotations

import dataclasses
import queue
import weakref
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from layerpipe.outputs.artist_page import PageSong
from layerpipe.server.app import make_app
from layerpipe.server.choices import Inbox
from layerpipe.server.comments import CommentsFile
from layerpipe.server.limits import ServerLimits
from layerpipe.server.network import listen, netloc
from layerpipe.server.pages import SharedPages, StoredSounds
from layerpipe.server.running import RunningServer
from tests.support.pages.browser import Watched
from tests.support.pages.songs import demo_song

SECRET = "q7Jc0Xn1vYp2Zs3Rk4Tm5w"
GENEROUS = ServerLimits(requests_burst=1e9, answers_burst=1e9, connections_per_address=1000, connections=1000)
"""For tests that ask for more than a person would."""


class Served:
    """A running server and everything behind it."""

    def __init__(self, folder: Path, song: PageSong, limits: ServerLimits) -> None:
        self.folder = folder / "served"
        self.folder.mkdir(parents=True)
        self.pages = SharedPages(self.folder, limits)
        self.show(song)
        self.events: queue.SimpleQueue[object] = queue.SimpleQueue()
        self.problems: list[str] = []
        self.comments = CommentsFile(folder / "song.comments.toml", most=limits.most_answers)
        listener = listen("127.0.0.1", 0)
        self.port: int = listener.getsockname()[1]
        host = netloc("127.0.0.1", self.port)
        self.base, self.url = f"http://{host}", f"http://{host}/{SECRET}/"
        app = make_app(self.pages, Inbox(self.comments, self.events), secret=SECRET, hosts=[host], limits=limits,
                       on_problem=self.problems.append)
        self.server = RunningServer(app, listener, limits, self.problems.append)

    def show(self, song: PageSong) -> None:
        """Show a new version."""
        stored = StoredSounds()
        sections = tuple(self.pages.store(section, stored) for section in song.sections)
        self.pages.publish(dataclasses.replace(song, sections=sections), stored)


@pytest.fixture(scope="session")
def demo_page() -> PageSong:
    """A song of two sections, three layers and a bed."""
    return demo_song()[0]


@pytest.fixture
def serve(tmp_path, demo_page):
    """Start a server with limits of the test's own; it must not have made a mistake."""
    with ExitStack() as servers:
        made: list[Served] = []

        def start(limits: ServerLimits = GENEROUS, song: PageSong = demo_page) -> Served:
            served = Served(tmp_path / f"server-{len(made)}", song, limits)
            made.append(served)
            servers.enter_context(served.server)
            return served

        yield start
    assert [words for served in made for words in served.problems if "mistake" in words] == []


_phones: weakref.WeakKeyDictionary[Browser, Watched] = weakref.WeakKeyDictionary()
"""The phone of each browser that no test holds."""


@contextmanager
def on_phone(browser: Browser, url: str) -> Iterator[Page]:
    """Open a served page on a small screen; insist that it asks nobody else and that nothing goes wrong in it."""
    phone = _phones.pop(browser, None) or Watched(browser, has_touch=True, is_mobile=True)
    phone.troubles.clear()
    phone.requests.clear()
    phone.page.goto(url)
    yield phone.page
    phone.page.evaluate("() => { localStorage.clear(); sessionStorage.clear(); }")
    troubles, asked = phone.troubles.copy(), {*phone.requests}
    phone.page.goto("about:blank")
    _phones[browser] = phone
    assert troubles == []
    assert all(one.startswith((url, "blob:")) for one in asked)


def load_newer(page: Page) -> None:
    """Wait for a newer version to be offered, and take it."""
    with page.expect_navigation():
        page.get_by_role("button", name="Load it").tap()

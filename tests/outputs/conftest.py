"""A studio of takes, and the artist's page of a small invented song in a real Chromium."""

from __future__ import annotations

from contextlib import ExitStack

import pytest

from layerpipe.outputs.artist_page import build_page
from tests.support.pages.songs import demo_song
from tests.support.studio import Studio


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    """Four takes in two layers, and what is made of them."""
    return Studio.of(tmp_path_factory.mktemp("studio"))


@pytest.fixture(scope="session")
def demo():
    """The song, and the sounds of each section."""
    return demo_song()


@pytest.fixture(scope="session")
def demo_path(demo, tmp_path_factory):
    """Its page as a file."""
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_bytes(build_page(demo[0]))
    return path


@pytest.fixture(scope="session")
def watched(browser):
    """The page that tests use one after the other."""
    from tests.support.pages.browser import Watched

    return Watched(browser)


@pytest.fixture
def open_page(browser, watched, demo_path):
    """Open a page for a test: with settings in a context of its own, without any where another test's was."""
    from tests.support.pages.browser import opened, opened_again

    with ExitStack() as pages:
        yield lambda path=demo_path, **settings: pages.enter_context(
            opened(browser, path, **settings) if settings else opened_again(watched, path))


@pytest.fixture(scope="module")
def plain_page(browser, demo_path):
    """One page for all tests that set nothing in it."""
    from tests.support.pages.browser import opened

    with opened(browser, demo_path) as page:
        yield page

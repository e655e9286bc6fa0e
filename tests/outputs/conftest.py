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


@pytest.fixture
def open_page(browser, demo_path):
    """Open a page of its own for a test."""
    from tests.support.pages.browser import opened

    with ExitStack() as pages:
        yield lambda path=demo_path, **settings: pages.enter_context(opened(browser, path, **settings))


@pytest.fixture(scope="module")
def plain_page(browser, demo_path):
    """One page for all tests that set nothing in it."""
    from tests.support.pages.browser import opened

    with opened(browser, demo_path) as page:
        yield page

"""A real Chromium for the pages: found on the machine, started once, with an empty profile."""

from __future__ import annotations

import base64
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import Browser, Page, Playwright, sync_playwright

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"]
PATIENCE_MS = 120_000
"""Nothing in a page takes so long on a loaded machine; our own choice."""
PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 800}


def chromium_path() -> str:
    """The program: LAYERPIPE_CHROMIUM, or the first on the path. Tests of pages are never skipped."""
    names = ("chromium-headless-shell", "chromium", "chromium-browser")
    found = os.environ.get("LAYERPIPE_CHROMIUM") or next(filter(None, map(shutil.which, names)), None)
    if not found:
        raise RuntimeError("no Chromium: the tests of pages need one (Debian: apt-get install chromium), or its path "
                           "in LAYERPIPE_CHROMIUM")
    return found


_DRIVERS: list[Playwright] = []


@contextmanager
def _driver() -> Iterator[Playwright]:
    """A process can have one of them: who comes second uses that of the first, who goes last."""
    if _DRIVERS:
        yield _DRIVERS[0]
        return
    with sync_playwright() as driver:
        _DRIVERS.append(driver)
        yield driver
        _DRIVERS.clear()


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser with a new, empty profile that is removed afterwards."""
    with _driver() as driver:
        browser = driver.chromium.launch(executable_path=chromium_path(), headless=True, args=FLAGS,
                                         timeout=PATIENCE_MS)
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """A page in a context of its own that notes what goes wrong in it and what it asks for."""

    def __init__(self, browser: Browser, **settings: Any) -> None:
        self.context = browser.new_context(**{"viewport": PHONE, "locale": "en-GB"} | settings)
        self.context.set_default_timeout(PATIENCE_MS)
        self.page = self.context.new_page()
        self.troubles: list[str] = []
        self.requests: list[str] = []
        self.page.on("pageerror", lambda error: self.troubles.append(str(error)))
        self.page.on("console", lambda said: self.troubles.append(said.text) if said.type in ("error", "warning")
                     else None)
        self.page.on("request", lambda request: self.requests.append(request.url))

    @contextmanager
    def opened(self, path: Path) -> Iterator[Page]:
        """Open a file; at the end, insist that it asked for nothing and that nothing went wrong in it."""
        self.troubles.clear()
        self.requests.clear()
        self.page.goto(path.as_uri())
        yield self.page
        assert self.troubles == []
        # Nothing but the file itself, and what it saved.
        assert {url for url in self.requests if not url.startswith("blob:")} == {path.as_uri()}


@contextmanager
def opened(browser: Browser, path: Path, **settings: Any) -> Iterator[Page]:
    """Open a page with settings of its own."""
    watched = Watched(browser, **settings)
    with watched.opened(path) as page:
        yield page
        watched.context.close()


@contextmanager
def opened_again(watched: Watched, path: Path) -> Iterator[Page]:
    """Open a page where another was before, as if it were the first; it takes a third of the time of a new one."""
    watched.page.set_viewport_size(PHONE)
    with watched.opened(path) as page:
        yield page
        for other in watched.context.pages:
            if other is not page:
                other.close()
        page.evaluate("localStorage.clear()")


def until(page: Page, expression: str, *, seconds: float = PATIENCE_MS / 1000) -> None:
    """Wait for something to be true in the page; the driver's own way needs `eval`, which the page forbids."""
    for _ in range(round(seconds / 0.02)):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(20)
    raise AssertionError(f"never came true: {expression}")


def rendered(page: Page, number: int, **wanted: Any) -> np.ndarray:
    """A section as the page's own graph renders it, (frames, 2)."""
    script = """async ([number, wanted]) => {
      const sides = await layerpipePage.render(number, wanted);
      return sides.map((side) => {
        const bytes = new Uint8Array(side.buffer);
        let text = "";
        for (let at = 0; at < bytes.length; at += 32768) text += String.fromCharCode(...bytes.subarray(at, at + 32768));
        return btoa(text);
      });
    }"""
    sides = page.evaluate(script, [number, wanted])
    return np.stack([np.frombuffer(base64.b64decode(side), "<f4") for side in sides], axis=1).astype(np.float64)

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
from playwright.sync_api import Browser, Page, sync_playwright

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"]
PATIENCE_MS = 120_000
"""Nothing in a page takes so long on a loaded machine; our own choice."""
PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 800}


def chromium_path() -> str:
    """The program: LAYERPIPE_CHROMIUM, or `chromium` on the path. Tests of pages are never skipped."""
    found = os.environ.get("LAYERPIPE_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if not found:
        raise RuntimeError("no Chromium: the tests of pages need one (Debian: apt-get install chromium), or its path "
                           "in LAYERPIPE_CHROMIUM")
    return found


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser with a new, empty profile that is removed afterwards."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium_path(), headless=True, args=FLAGS,
                                         timeout=PATIENCE_MS)
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(browser: Browser, path: Path, **settings: Any) -> Iterator[Page]:
    """Open a page; at the end, insist that it asked for nothing and that nothing went wrong in it."""
    context = browser.new_context(**{"viewport": PHONE, "locale": "en-GB"} | settings)
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    troubles: list[str] = []
    requests: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda said: troubles.append(said.text) if said.type in ("error", "warning") else None)
    page.on("request", lambda request: requests.append(request.url))
    page.goto(path.as_uri())
    yield page
    context.close()
    assert troubles == []
    # Nothing but the file itself, and what it saved.
    assert {url for url in requests if not url.startswith("blob:")} == {path.as_uri()}


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

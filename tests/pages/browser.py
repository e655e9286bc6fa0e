"""A real Chromium for the pages: found on the machine, started once, with nothing in it and no way out."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]


def chromium_path() -> str:
    """The program: LAYERPIPE_CHROMIUM, or `chromium` on the path. The tests of pages are not to be skipped."""
    found = os.environ.get("LAYERPIPE_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if not found:
        raise RuntimeError("no Chromium: the tests of pages need one (Debian: apt-get install chromium), or its path "
                           "in LAYERPIPE_CHROMIUM")
    return found


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser with a new, empty profile that is removed afterwards."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium_path(), headless=True, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()

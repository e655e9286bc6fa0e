"""An HTML file printed to PDF by a Chromium browser, if one is installed.

LAYERPIPE_CHROMIUM names the program; otherwise its usual names are tried. The PDF's dates are set to one fixed day, so
that the same page printed by the same program gives the same bytes.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from layerpipe.core.errors import OutputError

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "microsoft-edge", "msedge")
_TIMEOUT_S = 120
_DATES = re.compile(rb"(/(?:CreationDate|ModDate) ?\(D:)[0-9]{14}[^)]*\)")


def find_chromium() -> str | None:
    """The browser that prints, or None."""
    asked = os.environ.get("LAYERPIPE_CHROMIUM")
    return shutil.which(asked) if asked else next((found for name in _NAMES if (found := shutil.which(name))), None)


def print_pdf(page: Path, target: Path, program: str) -> None:
    """Print an HTML file.

    Raises
    ------
    OutputError
        If the program fails or returns no PDF.
    """
    with tempfile.TemporaryDirectory(prefix="layerpipe-", ignore_cleanup_errors=True) as room:
        printed = Path(room) / "page.pdf"
        # Chromium has no sandbox for the superuser; this page is ours and loads nothing.
        sandbox = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        command = [program, "--headless", *sandbox, "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
                   "--no-pdf-header-footer", f"--user-data-dir={room}/profile", f"--print-to-pdf={printed}",
                   page.resolve().as_uri()]
        try:
            done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_TIMEOUT_S,
                                  check=False)
        except (OSError, subprocess.TimeoutExpired) as refusal:
            raise OutputError(f"{target}: could not be printed with {program}: {refusal}") from refusal
        try:
            content = printed.read_bytes()
        except OSError as refusal:
            raise OutputError(f"{target}: {program} printed nothing (exit code {done.returncode})") from refusal
    if not content.startswith(b"%PDF"):
        raise OutputError(f"{target}: {program} printed something that is not a PDF")
    target.write_bytes(_DATES.sub(_undated, content))


def _undated(found: re.Match[bytes]) -> bytes:
    """One date everywhere, of the same length: a PDF counts its bytes."""
    room = len(found[0]) - len(found[1]) - 1
    return found[1] + b"20000101000000+00'00'".ljust(room, b"0")[:room] + b")"

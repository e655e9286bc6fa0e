"""Pages on paper: an HTML file printed to PDF by a Chromium, where one is found.

LAYERPIPE_CHROMIUM names the program; otherwise its usual names are looked for. The PDF's dates are set to one fixed
day, so that the same page printed by the same program gives the same bytes.
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
_LONGEST_S = 120
_DATES = re.compile(rb"(/(?:CreationDate|ModDate) ?\(D:)[0-9]{14}[^)]*\)")


def find_chromium() -> str | None:
    """The program that prints, or None."""
    asked = os.environ.get("LAYERPIPE_CHROMIUM")
    return shutil.which(asked) if asked else next((found for name in _NAMES if (found := shutil.which(name))), None)


def print_pdf(page: Path, target: Path, program: str) -> None:
    """Print a page that stands in a file.

    Raises
    ------
    OutputError
        If the program fails, or hands back no PDF.
    """
    with tempfile.TemporaryDirectory(prefix="layerpipe-", ignore_cleanup_errors=True) as room:
        printed = Path(room) / "sheet.pdf"
        # Chromium refuses to fence pages in for the superuser; this page is ours, and asks for nothing from outside.
        fence = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        command = [program, "--headless", *fence, "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
                   "--no-pdf-header-footer", f"--user-data-dir={room}/profile", f"--print-to-pdf={printed}",
                   page.resolve().as_uri()]
        try:
            done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_LONGEST_S,
                                  check=False)
        except (OSError, subprocess.TimeoutExpired) as refusal:
            raise OutputError(f"{target}: could not be printed with {program}: {refusal}") from refusal
        try:
            content = printed.read_bytes()
        except OSError as refusal:
            raise OutputError(f"{target}: {program} printed nothing (exit code {done.returncode})") from refusal
    if not content.startswith(b"%PDF"):
        raise OutputError(f"{target}: {program} printed something that is no PDF")
    target.write_bytes(_DATES.sub(_undated, content))


def _undated(found: re.Match[bytes]) -> bytes:
    """The same date everywhere, of the same length, for the PDF counts its bytes."""
    room = len(found[0]) - len(found[1]) - 1
    return found[1] + b"20000101000000+00'00'".ljust(room, b"0")[:room] + b")"

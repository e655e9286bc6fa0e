"""`layerpipe share` and `preview --watch` as real commands: terminal, phone-sized browser, changing recipe."""

from __future__ import annotations

import binascii
import contextlib
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
import tomllib
import types
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest

from layerpipe.cli.share import _say_address
from layerpipe.cli.terminal import Terminal
from layerpipe.core.errors import OutputError
from layerpipe.jobs.share import Sharing
from layerpipe.jobs.watch import refuse_without
from tests.server.conftest import load_newer, on_phone
from tests.support.command import run_command
from tests.support.pages.browser import until
from tests.support.waiting import PATIENCE_S, wait_until

PROJECT = Path(__file__).resolve().parents[2]
LANTERN = PROJECT / "recipes" / "lantern.toml"


@pytest.fixture
def recipe(tmp_path):
    path = tmp_path / "lantern.toml"
    path.write_text(LANTERN.read_text("utf-8").replace("../demo_stems", str(PROJECT / "demo_stems")), "utf-8")
    return path


class Screen:
    """A command in a terminal of its own."""

    def __init__(self, words, folder):
        self.keyboard, theirs = pty.openpty()
        temporary = folder / "temporary"
        temporary.mkdir()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "layerpipe", *map(str, words)], stdin=theirs, stdout=theirs, stderr=theirs,
            cwd=PROJECT, start_new_session=True,
            env=os.environ | {"TMPDIR": str(temporary), "TERM": "dumb", "COLUMNS": "200"})
        os.close(theirs)
        self.temporary = temporary
        self.shown = ""
        self._at = 0

    def wait_for(self, pattern, seconds=PATIENCE_S):
        """Read until a pattern is shown after what was waited for before."""
        end = time.monotonic() + seconds
        while not (found := re.compile(pattern).search(self.shown, self._at)):
            ready, _, _ = select.select([self.keyboard], [], [], 0.2)
            if ready:
                with contextlib.suppress(OSError):
                    self.shown += os.read(self.keyboard, 65536).decode("utf-8", "replace").replace("\r\n", "\n")
            assert time.monotonic() < end, f"not shown: {pattern}\n{self.shown}"
        self._at = found.end()
        return found

    def type(self, text):
        os.write(self.keyboard, text.encode())

    def end(self, number=signal.SIGINT):
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)


@contextmanager
def screen(words, folder):
    shown = Screen(words, folder)
    try:
        yield shown
        assert "Traceback" not in shown.shown
    finally:
        if shown.process.poll() is None:
            shown.process.kill()
            shown.process.wait()
        os.close(shown.keyboard)


def kept(recipe):
    return tomllib.loads(recipe.with_name("lantern.comments.toml").read_text("utf-8"))["answer"]


def test_from_the_phone_into_the_recipe(recipe, browser, tmp_path):
    before = recipe.read_text("utf-8")
    with screen(["share", recipe, "--host", "127.0.0.1", "--seconds", "2"], tmp_path) as terminal:
        url = terminal.wait_for(r"http://127\.0\.0\.1:\d+/([\w-]{22})/")[0]
        terminal.wait_for("Ctrl-C ends it")
        with on_phone(browser, url) as page:
            page.get_by_role("radio", name="last chorus").check()
            page.locator("#play").tap()
            until(page, "layerpipePage.player.playing")
            assert page.evaluate("layerpipePage.song.sections.length") == 4
            page.get_by_label("octave", exact=True).fill("-11.5")
            page.get_by_label("Comment").fill("a little less")
            page.locator("#save").tap()
            page.get_by_label("Your name").fill("Marisol")
            page.get_by_role("button", name="Send", exact=True).tap()
            page.locator("#delivered", has_text="Sent").wait_for()
            terminal.wait_for(r"Answer 1 from Marisol at 127\.0\.0\.1:\n")
            terminal.wait_for(r"last chorus: octave -11\.5 dB \(was -8 dB\)")
            terminal.wait_for("last chorus, comment: a little less")
            terminal.wait_for(r"\+levels_db = \{ octave = -11\.5 \}")
            terminal.wait_for(r"Write this\?")
            assert recipe.read_text("utf-8") == before
            assert kept(recipe)[0]["state"] == "waiting"
            # While the question is open the page is served and another answer is kept.
            page.get_by_label("octave", exact=True).fill("-2")
            page.locator("#save").tap()
            page.get_by_role("button", name="Send", exact=True).tap()
            until(page, "document.getElementById('delivered').textContent.startsWith('Sent')")
            wait_until(lambda: len(kept(recipe)) == 2)
            terminal.type("y\n")
            terminal.wait_for("wrote ")
            assert recipe.read_text("utf-8") == before.replace("octave = -8.0", "octave = -11.5")
            terminal.wait_for("Answer 2 from Marisol")
            # It was made on the page before: there the level was another one.
            terminal.wait_for("was at -8 dB in the page and is at -11.5 dB now")
            terminal.wait_for("version 2 of the page is shown")
            load_newer(page)
            assert page.evaluate("layerpipePage.song.served.version") == 2
            assert page.get_by_label("octave", exact=True).input_value() == "-2"
            page.get_by_role("button", name="Send", exact=True).tap()
            terminal.wait_for(r"Answer 3 from Marisol")
            terminal.wait_for(r"Write this\?")
            terminal.type("n\n")
            terminal.wait_for("unchanged")
        assert recipe.read_text("utf-8") == before.replace("octave = -8.0", "octave = -11.5")
        wait_until(lambda: kept(recipe)[2]["state"] == "declined")
        assert [one["state"] for one in kept(recipe)] == ["written", "refused", "declined"]
        # A recipe with a fault leaves the page as it was.
        good = recipe.read_text("utf-8")
        recipe.write_text(good.replace("tempo = 58.0", "tempo = -1"), "utf-8")
        terminal.wait_for("tempo")
        terminal.wait_for("the page stays as it was")
        assert json.load(urllib.request.urlopen(url + "version")) == {"version": 2}
        recipe.write_text(good, "utf-8")
        terminal.wait_for("version 3 of the page is shown")
        assert list(terminal.temporary.iterdir())
        assert terminal.end() == 0
        assert list(terminal.temporary.iterdir()) == []


@pytest.mark.slow
def test_ctrl_c_and_a_shutdown_end_it_while_it_asks(recipe, tmp_path):
    words = ["share", recipe, "--host", "127.0.0.1", "--section", "chorus", "--seconds", "2"]
    with screen(words, tmp_path) as terminal:
        url = terminal.wait_for(r"http://\S+")[0]
        send(url, "-3.5", "A")
        terminal.wait_for(r"Write this\?")
        assert terminal.end(signal.SIGTERM) == 0
        assert list(terminal.temporary.iterdir()) == []
    assert kept(recipe)[0]["state"] == "waiting"


def send(url, level, name):
    """Post an answer as the page writes it."""
    page = urllib.request.urlopen(url).read().decode()
    page_id = re.search(r'"page":"([0-9a-f]{16})"', page)[1]
    line = (f'layerpipe levels 2: page {page_id}; "Lantern on the Pier"; "chorus" "octave" {level} dB was -9 dB, '
            'comment "hi"')
    line += f" (check {binascii.crc_hqx(line.encode(), 0xFFFF):04x})"
    request = urllib.request.Request(url + "answer", json.dumps({"name": name, "answer": line}).encode(),
                                     {"Content-Type": "application/json"})
    assert json.load(urllib.request.urlopen(request)) == {"kept": True}


@pytest.mark.slow
def test_no_ask_collects_and_never_writes_the_recipe(recipe, tmp_path):
    before = recipe.read_bytes()
    words = ["share", recipe, "--host", "127.0.0.1", "--no-ask", "--section", "chorus", "--seconds", "2"]
    with screen(words, tmp_path) as terminal:
        url = terminal.wait_for(r"http://\S+")[0]
        for name in ("A", "B"):
            send(url, "-3.5", name)
            terminal.wait_for(f"from {name} at")
            terminal.wait_for("kept in")
        assert terminal.end() == 0
        assert "Write this" not in terminal.shown
    assert recipe.read_bytes() == before
    assert [(one["from"], one["state"], one["comments"]) for one in kept(recipe)] == [
        ("A", "waiting", {"chorus": "hi"}), ("B", "waiting", {"chorus": "hi"})]
    # What was kept can be accepted later.
    told = run_command("levels", recipe, "--yes", "--accept", kept(recipe)[0]["answer"])
    assert told.exit_code == 0, told.output
    assert recipe.read_bytes() == before.replace(b"levels_db = { octave = -9.0 }", b"levels_db = { octave = -3.5 }")


def test_the_code_on_the_screen_has_the_marks_of_a_qr_code(capsys):
    url = "http://192.168.178.45:8737/q7Jc0Xn1vYp2Zs3Rk4Tm5w/"
    sharing = Sharing.__new__(Sharing)
    comments = types.SimpleNamespace(path=Path("song.comments.toml"), waiting=lambda: [1, 2])
    vars(sharing).update(url=url, comments=comments)
    _say_address(Terminal(), sharing, is_local=False)
    shown = capsys.readouterr()
    assert url in shown.out
    assert "2 earlier answers" in shown.out
    assert "plain HTTP" in shown.err
    lines = [re.sub(r"\x1b\[[\d;]*m", "", line) for line in shown.out.splitlines()]
    lines = [line for line in lines if re.search("[\u2580\u2584\u2588]", line)]
    rows = []
    for line in lines:
        rows += [[sign in "\u2580\u2588" for sign in line], [sign in "\u2584\u2588" for sign in line]]
    # Blocks are light here: dark modules are spaces on a terminal, or the reverse where it inverts.
    dark = [[not light for light in row] for row in rows]
    width = len(dark[0])
    # ISO/IEC 18004: a finder pattern of 7 x 7 in three corners, inside a quiet zone.
    ring = [[1] * 7, [1, 0, 0, 0, 0, 0, 1], *[[1, 0, 1, 1, 1, 0, 1]] * 3, [1, 0, 0, 0, 0, 0, 1], [1] * 7]
    found = [(y, x) for y in range(len(dark) - 6) for x in range(width - 6)
             if all(dark[y + j][x + i] == ring[j][i] for j in range(7) for i in range(7))]
    assert len(found) == 3
    (top, left), (_, right), (bottom, _) = found
    assert right - left == bottom - top
    size = right - left + 7
    assert (size - 17) % 4 == 0  # ISO/IEC 18004: version v has 17 + 4 v modules


def test_what_cannot_be_is_refused(recipe):
    for words, reason in ((["--host", "0.0.0.0"], "not the address of one network"),
                          (["--host", "nowhere"], "no address"),
                          (["--open", "--host", "127.0.0.1"], "give one of the two"), (["--section", "x"], "x")):
        told = run_command("share", recipe, "--seconds", "2", *words)
        assert told.exit_code != 0
        assert reason in told.output.replace("\n", " ")
    with pytest.raises(OutputError, match=r"no_such_package.*layerpipe\[share\]"):
        refuse_without(("json", "no_such_package"))


def test_preview_watch_renders_again_after_a_save(recipe, tmp_path):
    out = tmp_path / "out"
    words = ["preview", recipe, "--watch", "--section", "chorus", "--version", "blend", "--out", out]
    with screen(words, tmp_path) as terminal:
        terminal.wait_for("waiting for")
        (made,) = (path for path in out.rglob("*") if path.suffix == ".mp3")
        first = made.read_bytes()
        recipe.write_text(recipe.read_text("utf-8").replace("octave = -9.0", "octave = -1.0"), "utf-8")
        terminal.wait_for("waiting for")
        assert made.read_bytes() != first
        recipe.write_text("nonsense", "utf-8")
        terminal.wait_for("lantern.toml: 1 fault")
        assert terminal.end() == 0
    told = run_command("preview", recipe, "--watch", "--json")
    assert told.exit_code == 2

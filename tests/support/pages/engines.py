"""Pages in three browser engines behind one small interface: Chromium, Firefox and WebKit, each a real one.

Chromium is driven by playwright, Firefox by the remote protocol that is built into it (Marionette: JSON with its length
before it, over TCP), WebKit by its WebDriver (W3C WebDriver, HTTP). Firefox and WebKit need a sound device: a null sink
of PulseAudio. Whatever is missing on the machine is named by `missing`.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Protocol

from playwright.sync_api import Error

from tests.support.pages.browser import PHONE, chromium

_START_S = 60.0
_ELEMENT = "element-6066-11e4-a52e-4f735466cecf"
"""How W3C WebDriver names an element."""
_PREFERENCES = {"browser.shell.checkDefaultBrowser": False, "datareporting.policy.dataSubmissionEnabled": False,
                "app.update.enabled": False, "browser.startup.page": 0, "network.captive-portal-service.enabled": False,
                "network.connectivity-service.enabled": False}
_ROUND_S = 0.05


class Engine(Protocol):
    """One window of a browser."""

    def open(self, url: str) -> None:
        """Load a page."""

    def run(self, script: str, *args: Any) -> Any:
        """The result of a function body, which may return a promise; None if the page is left meanwhile."""

    def click(self, selector: str) -> None:
        """Click an element as a person does."""

    def narrow(self) -> None:
        """Make the window as narrow as the browser allows."""


def until(engine: Engine, expression: str, *, seconds: float = 30.0) -> None:
    """Wait for something to be true in the page."""
    end = time.monotonic() + seconds
    while not engine.run(f"return Boolean({expression});"):
        if time.monotonic() > end:
            raise AssertionError(f"never came true: {expression}")
        time.sleep(_ROUND_S)


def missing(name: str) -> str:
    """What the machine lacks for an engine; empty if nothing."""
    needed = {"chromium": [], "firefox": [("firefox-esr", _firefox()), ("pulseaudio", shutil.which("pulseaudio"))],
              "webkit": [("webkit2gtk-driver", shutil.which("WebKitWebDriver") and _mini_browser()),
                         ("xvfb", shutil.which("Xvfb")), ("pulseaudio", shutil.which("pulseaudio"))]}[name]
    absent = [package for package, found in needed if not found]
    return f"{name} needs {', '.join(absent)} (Debian: apt-get install {' '.join(absent)})" if absent else ""


@contextmanager
def engine(name: str, folder: Path) -> Iterator[Engine]:
    """Start a browser with a new profile in a folder, and a sound device where it needs one; end both afterwards."""
    with ExitStack() as running:
        if name == "chromium":
            browser = running.enter_context(chromium())
            yield _Chromium(browser.new_context(viewport=PHONE).new_page())
            return
        settings = {**os.environ, "PULSE_SERVER": running.enter_context(_null_sink(folder)), "HOME": str(folder),
                    "XDG_RUNTIME_DIR": str(folder), "LC_ALL": "C.UTF-8"}
        start = _firefox_window if name == "firefox" else _webkit_window
        yield running.enter_context(start(folder, settings))


class _Chromium:
    def __init__(self, page: Any) -> None:
        self._page = page

    def open(self, url: str) -> None:
        self._page.goto(url)

    def run(self, script: str, *args: Any) -> Any:
        try:
            return self._page.evaluate(f"(args) => (function () {{ {script} }}).apply(null, args)", list(args))
        except Error as refusal:
            if "context was destroyed" in refusal.message:
                return None  # the page went away meanwhile
            raise

    def click(self, selector: str) -> None:
        self._page.locator(selector).click()

    def narrow(self) -> None:
        self._page.set_viewport_size({"width": 320, "height": 700})


class _Driven:
    """A window behind W3C WebDriver commands, however they are sent."""

    def __init__(self, send: Callable[[str, Any], Any]) -> None:
        self._send = send

    def open(self, url: str) -> None:
        self._send("open", url)

    def run(self, script: str, *args: Any) -> Any:
        body = (f"const done = arguments[arguments.length - 1]; const args = [...arguments].slice(0, -1);"
                f"Promise.resolve((function () {{ {script} }}).apply(null, args)).then("
                "(value) => done({ value }), (refusal) => done({ refusal: String(refusal) }));")
        told = self._send("run", {"script": body, "args": list(args)})
        if told is None:
            return None  # the page went away meanwhile
        if "refusal" in told:
            raise AssertionError(told["refusal"])
        return told.get("value")

    def click(self, selector: str) -> None:
        self._send("click", self._send("find", {"using": "css selector", "value": selector})[_ELEMENT])

    def narrow(self) -> None:
        self._send("narrow", {"width": 320, "height": 700})


@contextmanager
def _firefox_window(folder: Path, settings: dict[str, str]) -> Iterator[_Driven]:
    """Firefox without a screen."""
    port = _free_port()
    words = [f"user_pref({json.dumps(key)}, {json.dumps(value)});"
             for key, value in {**_PREFERENCES, "marionette.port": port}.items()]
    (folder / "profile").mkdir()
    (folder / "profile" / "user.js").write_text("\n".join(words))
    program = _firefox()
    assert program
    with _process([program, "--headless", "--marionette", "--no-remote", "--profile", str(folder / "profile")],
                  settings, folder / "firefox.log"):
        connection = _connected(port)
        incoming = connection.makefile("rb")
        number = 0

        def receive() -> Any:
            length = b""
            while (sign := incoming.read(1)) != b":":
                assert sign, "Firefox closed the connection"
                length += sign
            return json.loads(incoming.read(int(length)))

        def command(name: str, given: dict[str, Any]) -> Any:
            nonlocal number
            number += 1
            message = json.dumps([0, number, name, given]).encode()
            connection.sendall(b"%d:%b" % (len(message), message))
            _, _, refusal, value = receive()
            assert refusal is None, refusal
            return value["value"] if isinstance(value, dict) and "value" in value else value

        def send(what: str, given: Any) -> Any:
            if what == "open":
                return command("WebDriver:Navigate", {"url": given})
            if what == "run":
                return command("WebDriver:ExecuteAsyncScript", {**given, "sandbox": None})
            if what == "find":
                return command("WebDriver:FindElement", given)
            if what == "narrow":
                return command("WebDriver:SetWindowRect", given)
            return command("WebDriver:ElementClick", {"id": given})

        receive()
        command("WebDriver:NewSession", {"capabilities": {"alwaysMatch": {}}})
        command("WebDriver:SetTimeouts", {"script": 120_000})
        try:
            yield _Driven(send)
        finally:
            incoming.close()
            connection.close()


@contextmanager
def _webkit_window(folder: Path, settings: dict[str, str]) -> Iterator[_Driven]:
    """WebKitGTK's own small browser, on a screen that nobody sees."""
    read, write = os.pipe()
    with contextlib.closing(os.fdopen(read)) as told, _process(
            ["Xvfb", "-displayfd", str(write), "-screen", "0", "800x1000x24", "-nolisten", "tcp"], settings,
            folder / "xvfb.log", keep=[write]):
        os.close(write)
        shown = {**settings, "DISPLAY": f":{told.readline().strip()}", "LIBGL_ALWAYS_SOFTWARE": "1",
                 "WEBKIT_DISABLE_COMPOSITING_MODE": "1", "GTK_A11Y": "none", "NO_AT_BRIDGE": "1"}
        if os.geteuid() == 0:
            # Its sandbox cannot be set up by root.
            shown["WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS"] = "1"
        port = _free_port()
        with _process(["WebKitWebDriver", f"--port={port}"], shown, folder / "webkit.log"):
            _connected(port).close()

            def command(method: str, path: str, given: Any) -> Any:
                request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", method=method, headers={
                    "Content-Type": "application/json"}, data=json.dumps(given).encode() if method == "POST" else None)
                with urllib.request.urlopen(request, timeout=180) as response:
                    return json.load(response)["value"]

            asked = {"alwaysMatch": {"webkitgtk:browserOptions": {"binary": _mini_browser(), "args": ["--automation"]}}}
            base = "/session/" + command("POST", "/session", {"capabilities": asked})["sessionId"]
            command("POST", f"{base}/timeouts", {"script": 120_000})

            def send(what: str, given: Any) -> Any:
                if what == "open":
                    return command("POST", f"{base}/url", {"url": given})
                if what == "run":
                    return command("POST", f"{base}/execute/async", given)
                if what == "find":
                    return command("POST", f"{base}/element", given)
                if what == "narrow":
                    return command("POST", f"{base}/window/rect", given)
                return command("POST", f"{base}/element/{given}/click", {})

            try:
                yield _Driven(send)
            finally:
                command("DELETE", base, None)


@contextmanager
def _null_sink(folder: Path) -> Iterator[str]:
    """A sound device that nobody hears; its address."""
    place = folder / "pulse"
    place.mkdir()
    address = place / "native"
    command = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm=yes",
               "-L", "module-null-sink", "-L", f"module-native-protocol-unix socket={address} auth-anonymous=1"]
    with _process(command, {**os.environ, "PULSE_RUNTIME_PATH": str(place), "HOME": str(folder)}, folder / "pulse.log"):
        _wait_for(address.exists, "PulseAudio")
        yield f"unix:{address}"


@contextmanager
def _process(command: Sequence[str], settings: dict[str, str], log: Path, keep: Sequence[int] = ()) -> Iterator[None]:
    """A program that runs meanwhile."""
    with log.open("wb") as said, subprocess.Popen(command, env=settings, stdout=said, stderr=said,
                                                  stdin=subprocess.DEVNULL, pass_fds=keep) as running:
        try:
            yield
        finally:
            running.terminate()
            try:
                running.wait(20)
            except subprocess.TimeoutExpired:
                running.kill()


def _connected(port: int) -> socket.socket:
    """A connection to a program that is starting."""
    found: list[socket.socket] = []

    def connects() -> bool:
        with contextlib.suppress(OSError):
            found.append(socket.create_connection(("127.0.0.1", port), timeout=180))
        return bool(found)

    _wait_for(connects, f"port {port}")
    return found[0]


def _wait_for(is_ready: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + _START_S
    while not is_ready():
        if time.monotonic() > end:
            raise RuntimeError(f"{what} did not start in {_START_S:g} s")
        time.sleep(_ROUND_S)


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
        return port


def _firefox() -> str | None:
    return shutil.which("firefox-esr") or shutil.which("firefox")


def _mini_browser() -> str | None:
    """WebKitGTK's own browser, beside its libraries."""
    places = ("lib/webkit*/MiniBrowser", "lib/*/webkit*/MiniBrowser", "libexec/webkit*/MiniBrowser")
    found = sorted(path for place in places for path in Path("/usr").glob(place))
    return str(found[-1]) if found else None

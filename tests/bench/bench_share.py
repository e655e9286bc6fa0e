"""How soon a shared page sounds, for one phone and for 50 listeners at once, and what memory the server needs.

Usage: python -m tests.bench.bench_share [FOLDER]

The demo song is shared once as it is and once repeated four times over; everything runs on this machine over the
loopback. A listener asks for the page, then for all sounds of the first section side by side, as a browser does; its
first sound is when the last of them has arrived. Then it takes the rest of the song. The phone is Chromium with its
processor slowed down four times (the factor that its developer tools call a mid-tier phone; common practice, no
source): from opening the page until it can be used, and from a tap on Play until the first section plays.
"""

from __future__ import annotations

import http.client
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import psutil
import soundfile
import tomlkit

from tests.bench.timing_of import PYTHON
from tests.support.pages.browser import PHONE, chromium, until

PROJECT = Path(__file__).resolve().parents[2]
RECIPE = PROJECT / "recipes" / "lantern.toml"
LISTENERS = 50
TIMES = (1, 4)
SLOWER = 4
BARS = 16


@dataclass(frozen=True)
class Listened:
    """One listener: seconds until the page and until the first section were there, megabytes of the whole song."""

    page_s: float
    first_sound_s: float
    song_mb: float


def repeated(folder: Path, times: int) -> Path:
    """The demo song, played several times in a row."""
    recipe = tomlkit.parse(RECIPE.read_text("utf-8"))
    folder.mkdir(parents=True)
    bar_s = 2 * 60 / float(recipe["song"]["tempo"])

    def repeat(name: str) -> str:
        source = (RECIPE.parent / name).resolve()
        sound, rate_hz = soundfile.read(source, dtype="int32")
        once = sound[: round(BARS * bar_s * rate_hz)]
        target = folder / f"{source.stem}.wav"
        soundfile.write(target, np.concatenate([*[once] * (times - 1), sound]), rate_hz, subtype="PCM_24")
        return target.name

    for layer in recipe["layer"]:
        for take in layer["take"]:
            take["file"] = repeat(take["file"])
    recipe["bed"]["file"] = repeat(recipe["bed"]["file"])
    once = [section.unwrap() for section in recipe["section"]]
    recipe["section"] = [
        section | {"name": f"{section['name']} {n + 1}", "bars": [bar + BARS * n for bar in section["bars"]]}
        for n in range(times) for section in once]
    path = folder / "song.toml"
    path.write_text(tomlkit.dumps(recipe), "utf-8")
    return path


@contextmanager
def shared(recipe: Path, cache: Path) -> Iterator[tuple[str, psutil.Process, float]]:
    """The page while the command shares it: its address, the process, the seconds until it was there."""
    begin = time.perf_counter()
    process = subprocess.Popen([PYTHON, "-m", "layerpipe", "share", recipe, "--host", "127.0.0.1", "--no-ask"],
                               stdout=subprocess.PIPE, text=True, env=os.environ | {"LAYERPIPE_CACHE": str(cache)})
    assert process.stdout is not None
    url = next(found[0] for line in process.stdout if (found := re.search(r"http://\S+", line)))
    ready_s = time.perf_counter() - begin
    try:
        yield url, psutil.Process(process.pid), ready_s
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(20)


def listen(url: str, number: int, start: threading.Barrier) -> Listened:
    """Be one listener, with an address of its own (all of 127.0.0.0/8 is this machine, RFC 1122)."""
    place = urlsplit(url)

    def get(name: str) -> bytes:
        connection = http.client.HTTPConnection(place.netloc, timeout=60, source_address=(f"127.0.1.{number + 1}", 0))
        connection.request("GET", place.path + name)
        response = connection.getresponse()
        content = response.read()
        connection.close()
        if response.status != 200:
            raise SystemExit(f"{response.status} for {name}")
        return content

    start.wait()
    begin = time.perf_counter()
    page = get("").decode()
    page_s = time.perf_counter() - begin
    sections = [re.findall(r"sound/\w+\.flac", found) for found in re.findall(r'"urls":\[\[(.*?)\]\]', page)]
    with ThreadPoolExecutor(len(sections[0])) as pool:
        total = sum(map(len, pool.map(get, sections[0])))
        first_s = time.perf_counter() - begin
        for urls in sections[1:]:
            total += sum(map(len, pool.map(get, urls)))
    return Listened(page_s, first_s, total / 1e6)


def on_a_phone(url: str) -> tuple[float, float]:
    """Seconds until the page can be used, and from the tap until it plays."""
    with chromium() as browser:
        page = browser.new_page(viewport=PHONE)
        page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
        begin = time.perf_counter()
        page.goto(url)
        page.locator("#play").wait_for()
        ready_s = time.perf_counter() - begin
        page.wait_for_timeout(1500)
        begin = time.perf_counter()
        page.locator("#play").click()
        until(page, "layerpipePage.player.playing")
        return ready_s, time.perf_counter() - begin


def main(folder: Path) -> None:
    """Measure and print."""
    for times in TIMES:
        recipe = repeated(folder / f"{times}", times)
        with shared(recipe, folder / "cache") as (_, server, first_ready_s):
            preparing_mb = int(re.findall(r"VmHWM:\s+(\d+)", Path(f"/proc/{server.pid}/status").read_text())[0]) / 1e3
        with shared(recipe, folder / "cache") as (url, server, ready_s):
            before = server.memory_info().rss
            phone = statistics.median(on_a_phone(url)[1] for _ in range(3))
            open_s = on_a_phone(url)[0]
            start = threading.Barrier(LISTENERS)
            highest = [0]
            done = threading.Event()

            def look(highest: list[int] = highest, done: threading.Event = done,
                     server: psutil.Process = server) -> None:
                while not done.wait(0.02):
                    highest[0] = max(highest[0], server.memory_info().rss)

            watcher = threading.Thread(target=look)
            watcher.start()
            with ThreadPoolExecutor(LISTENERS) as pool:
                heard = list(pool.map(listen, [url] * LISTENERS, range(LISTENERS), [start] * LISTENERS))
            done.set()
            watcher.join()
            seconds = sum(soundfile.info(path).duration for path in recipe.parent.glob("regular-left.wav"))
            first = sorted(one.first_sound_s for one in heard)
            print(f"{times} x the demo, {seconds:.0f} s, {heard[0].song_mb:.1f} MB of FLAC")
            print(f"  address shown after             {first_ready_s:.1f} s; from the cache {ready_s:.1f} s")
            print(f"  phone ({SLOWER} x slower): usable after {open_s:.2f} s; plays {phone:.2f} s after the tap")
            print(f"  {LISTENERS} listeners at once: first sound {statistics.median(first):.2f} s (median), "
                  f"{first[-1]:.2f} s (last)")
            print(f"  memory of the server: at most {preparing_mb:.0f} MB while it prepares, "
                  f"{before / 1e6:.0f} MB then, at most {highest[0] / 1e6:.0f} MB with the listeners")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made:
            main(Path(made))

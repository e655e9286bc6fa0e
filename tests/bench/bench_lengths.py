"""Time and memory over the length of a song: `python -m tests.bench.bench_lengths [--seconds 180 3600] [--takes 2]`.

Strummed takes of one song, 16 bit, every bar of which is played anew: no part is a copy. Each command runs with an
empty cache of its own length, and then again. Two takes of 3 h (10800) take 2 GB.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.bench_session import LAYERS
from tests.bench.timing_of import PYTHON, run
from tests.support.sounds.song_player import RATE_HZ, Playing, Song, make_song, play_pass

BARS_AT_ONCE = 64
OUTPUTS = ("bounce", "preview")
COMMANDS = ("bounce", "verify", "levels", "preview", "check", "timing", "choose", "tempo")


def write_take(path: Path, song: Song, seed: int, frames: int, playing: Playing) -> None:
    """A take, some bars at a time; what rings over their ends is added to the next ones."""
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_16") as file:
        left = np.zeros(0)
        for first in range(1, song.bars + 1, BARS_AT_ONCE):
            last = min(first + BARS_AT_ONCE - 1, song.bars)
            part = play_pass(song, 1000 * seed + first, playing=playing, first_bar=first, last_bar=last)
            start = round(part.start_s * RATE_HZ)
            sound = np.zeros(start + len(part.samples) - file.tell())
            sound[: len(left)] = left
            sound[start - file.tell() :] += part.samples
            # The next bars begin half a second before their first downbeat.
            done = frames if last == song.bars else round(round(song.downbeat_s(last + 1) - 0.5, 3) * RATE_HZ)
            sound = np.pad(sound, (0, max(done - file.tell() - len(sound), 0)))
            sound, left = np.split(sound, [done - file.tell()])
            file.write(sound)


def write_song(folder: Path, seconds: int, takes: int) -> Path:
    """The takes and a recipe."""
    folder.mkdir(parents=True)
    song = replace(make_song(7, sections=9, bars=8, meter="4/4"), tempo=87.0, bar_one_s=0.5)
    bars = int((seconds - song.bar_one_s - song.tail_s) / song.bar_s)
    song = replace(song, chords=(song.chords * bars)[:bars])
    lines = ["[song]", 'title = "Long"', "tempo = 87.0", 'meter = "4/4"', "bar_one_s = 0.5"]
    for number, layer in enumerate(LAYERS[: takes // 2]):
        lines += ["[[layer]]", f'name = "{layer}"', 'kind = "plucked"', f"level_db = {-3.0 - 6 * number}"]
        for side, pan in (("L", -100), ("R", 100)):
            playing = Playing(scatter_ms=7.0, cents=float(number), high_strung=number > 0, peak=0.3)
            write_take(folder / f"{layer} {side}.wav", song, 2 * number + (pan > 0), seconds * RATE_HZ, playing)
            lines += ["[[layer.take]]", f'name = "{side}"', f'file = "{layer} {side}.wav"', f"pan = {pan}"]
    recipe = folder / "song.toml"
    recipe.write_text("\n".join(lines))
    return recipe


def measure(folder: Path, seconds: int, takes: int, commands: Sequence[str]) -> None:
    """Print a row for each command."""
    recipe = folder / str(seconds) / "song.toml"
    if not recipe.exists():
        # In a process of its own: a command's peak memory is at least that of the process that starts it.
        with ProcessPoolExecutor(1, get_context("spawn")) as pool:
            pool.submit(write_song, recipe.parent, seconds, takes).result()
    for command in commands:
        out = ["--out", str(recipe.parent / command)] if command in OUTPUTS else []
        asked = next((recipe.parent / "bounce").iterdir()) if command == "verify" else recipe
        for times in ("first", "again"):
            done = run([PYTHON, "-m", "layerpipe", command, asked, *out, "--quiet"],
                       cache=folder / f"cache {seconds}" / command.replace("verify", "bounce"), fine=(0, 1))
            print(f"{seconds:7} s {command:8} {times} {done.wall_s:9.1f} s wall {done.cpu_s:9.1f} s CPU "
                  f"{done.peak_mb:6.0f} MB", flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=int, nargs="+", default=[180, 3600])
    parser.add_argument("--takes", type=int, default=2, choices=(2, 4))
    parser.add_argument("--command", nargs="+", default=COMMANDS, choices=COMMANDS)
    parser.add_argument("--folder", type=Path, help="for the takes and caches, kept and used again")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        for seconds in asked.seconds:
            measure(asked.folder or Path(place), seconds, asked.takes, asked.command)


if __name__ == "__main__":
    main()

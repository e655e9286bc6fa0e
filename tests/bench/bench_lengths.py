"""Time and memory over the length of a song: `python -m tests.bench.bench_lengths [--seconds 180 3600]`.

Four takes, 24 bit: a strummed song of 180 s again and again, each time with another gain and another noise floor, so
that no part is a copy. Each command runs with an empty cache of its own length; 3 h (10800) take 6 GB and some hours.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.bench_session import LAYERS, write_takes
from tests.bench.timing_of import PYTHON, run

ONCE_S = 180
COMMANDS = ("bounce", "levels", "preview", "check", "timing")
NOISE = 2e-5
"""-94 dBFS: a quiet preamplifier."""


def write_long(short: Path, long: Path, seconds: int) -> None:
    """A file's sound again and again, block by block."""
    samples, rate_hz = soundfile.read(short, dtype="float32")
    picked = np.random.default_rng(len(short.name) + seconds)
    with soundfile.SoundFile(long, "w", rate_hz, 1, "PCM_24") as file:
        for left_s in range(seconds, 0, -ONCE_S):
            part = samples[: min(ONCE_S, left_s) * rate_hz]
            file.write(picked.uniform(0.7, 1.0) * part + NOISE * picked.standard_normal(len(part)))


def write_song(folder: Path, seconds: int) -> Path:
    """The takes and a recipe."""
    folder.mkdir()
    once = write_takes(folder / "once", 4, float(ONCE_S))
    lines = ["[song]", 'title = "Long"', "tempo = 87.0", 'meter = "4/4"', "bar_one_s = 0.5"]
    for number, layer in enumerate(LAYERS):
        lines += ["[[layer]]", f'name = "{layer}"', 'kind = "plucked"', f"level_db = {-3.0 - 6 * number}"]
        for side, pan in (("L", -100), ("R", 100)):
            write_long(once / f"{layer} {side} 1.wav", folder / f"{layer} {side}.wav", seconds)
            lines += ["[[layer.take]]", f'name = "{side}"', f'file = "{layer} {side}.wav"', f"pan = {pan}"]
    recipe = folder / "song.toml"
    recipe.write_text("\n".join(lines))
    return recipe


def measure(folder: Path, seconds: int, commands: Sequence[str]) -> None:
    """Print a row for each command."""
    # In a process of its own: a command's peak memory is at least that of the process that starts it.
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        recipe = pool.submit(write_song, folder / str(seconds), seconds).result()
    for command in commands:
        out = ["--out", str(recipe.parent / "out")] if command in ("bounce", "preview") else []
        done = run([PYTHON, "-m", "layerpipe", command, recipe, *out, "--quiet"], cache=folder / f"cache {seconds}",
                   fine=(0, 1))
        print(f"{seconds:7} s {command:8} {done.wall_s:9.1f} s wall {done.cpu_s:9.1f} s CPU {done.peak_mb:6.0f} MB",
              flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=int, nargs="+", default=[ONCE_S, 3600])
    parser.add_argument("--command", nargs="+", default=COMMANDS, choices=COMMANDS)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        for seconds in asked.seconds:
            measure(Path(place), seconds, asked.command)


if __name__ == "__main__":
    main()

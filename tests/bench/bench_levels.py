"""How long levels take: the command after one render, its first run, and 1000 levels against as many measurements.

Usage: python -m tests.bench.bench_levels [FOLDER] [SECONDS]

FOLDER keeps the takes (default: a temporary one), SECONDS is the length of the song (default 240). Times are the best
of several runs; ratios are what carries over to another machine. Measuring a blend 1000 times is not waited for: five
levels are measured, and their mean counts a thousand times.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm

from layerpipe.jobs.levels import bands_of, peaks_of
from layerpipe.recipe.reader import read_recipe
from layerpipe.render import pipeline
from layerpipe.render.cache.take_cache import TakeCache
from tests.bench.material.material import write_recipe, write_takes

RUNS = 5
LEVELS = 1000
MEASURED = 5


def best(work: Callable[[], Any], runs: int = RUNS) -> tuple[float, Any]:
    """Shortest of several runs in seconds, and the last result."""
    times, result = [], None
    for _ in range(runs):
        start = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - start)
    return min(times), result


def command(*words: str) -> None:
    """Run a whole process, its output thrown away."""
    subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)


def main(folder: Path, seconds: float) -> None:
    """Measure and print."""
    os.environ["LAYERPIPE_CACHE"] = str(folder / "levels-cache")
    recipe = write_recipe(folder / "levels.toml", write_takes(folder, seconds), seconds)
    file, cache = read_recipe(recipe), TakeCache()
    song = pipeline.process_takes(file, cache)
    energies = pipeline.measure_song(song, cache)
    for kind in ("bands", "peaks"):
        for kept in cache.folder.glob(f"*.{kind}"):
            kept.unlink()
    levels = ("-m", "layerpipe", "levels", str(recipe), "--layer", "octave", "--under", "9")
    first, _ = best(lambda: command(*levels), 1)
    again, _ = best(lambda: command(*levels))
    started, _ = best(lambda: command("-c", "from layerpipe import cli, recipe_file, render"))
    print(f"{seconds:g} s song, 4 takes; 17 levels, 4 sections and the whole song, whole process")
    print(f"  first run after a render   {first:6.2f} s")
    print(f"  every later run            {again:6.2f} s   (python and imports alone {started:.2f} s)")

    octave = song.layers[1]
    bands, peaks = bands_of(song, cache), peaks_of(song, octave, cache)
    tried = list(np.linspace(-30.0, 6.0, LEVELS))
    ours, found = best(lambda: pipeline.study(song, energies, bands, peaks, octave, [song.whole], tried))
    mixes = [np.concatenate([song.layer_of(layer, blocks, at, level=1.0)
                             for at, blocks in song.blocks(0, song.frames, 1 << 20)]) for layer in song.layers]
    # The rest follows the recipe; in this song it is at 0 dB throughout.
    rest, layer = mixes
    meter = pyloudnorm.Meter(song.rate_hz, filter_class="DeMan")
    # The library counts an incomplete last block; whole hops leave it none.
    whole = song.frames // (song.rate_hz // 10) * (song.rate_hz // 10)
    spent, off = 0.0, 0.0
    for n in np.linspace(0, LEVELS - 1, MEASURED).astype(int):
        took, lufs = best(lambda at=n: meter.integrated_loudness((rest + 10 ** (tried[at] / 20) * layer)[:whole]), 1)
        spent += took
        off = max(off, abs(lufs - (found.rows[n].lufs or 0.0)))
    theirs = spent / MEASURED * LEVELS
    print(f"{LEVELS} levels of the whole song, every figure {ours * 1000:6.1f} ms")
    print(f"  integrated loudness alone by pyloudnorm    {theirs:6.0f} s (from {MEASURED} of them): "
          f"{theirs / ours:.0f} times as long")
    print(f"  largest difference {off:.6f} LU")


if __name__ == "__main__":
    length = float(sys.argv[2]) if len(sys.argv) > 2 else 240.0
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]), length)
    else:
        with tempfile.TemporaryDirectory() as made:
            main(Path(made), length)

"""How long the artist's page of the demo takes, compared with the FLAC encoder's own time for the same sound.

Usage: python -m tests.bench.bench_page [FOLDER]

Processor time, user and system, of all threads; the best of several alternating runs. The encoder is soundfile's FLAC
writer alone, 16 bit into memory, on integer samples prepared before. The page is measured three ways: the work once a
recipe is read (preparing audio, building the page); the whole process less the start of the interpreter
(`python -c pass`), imports included; and the whole process beside the encoder as a process of its own, which imports
numpy and soundfile and reads the integers. Kernels and modules are compiled before.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.timing_of import PYTHON, run

RECIPE = Path(__file__).resolve().parents[2] / "recipes" / "lantern.toml"
ROUNDS = 5
ENCODER = """
import io, sys
import numpy as np, soundfile
sounds = np.load(sys.argv[1])
for name in sounds.files:
    soundfile.write(io.BytesIO(), sounds[name], int(sys.argv[2]), format="FLAC", subtype="PCM_16")
"""


def cpu_s(work: Callable[[], object]) -> float:
    """Processor time of this process for some work."""
    start = time.process_time()
    work()
    return time.process_time() - start


def main(folder: Path) -> None:
    """Measure and print."""
    cache = folder / "cache"
    os.environ["LAYERPIPE_CACHE"] = str(cache)
    os.environ["PYTHONPYCACHEPREFIX"] = str(folder / "modules")
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    from layerpipe.jobs.page import prepare_page
    from layerpipe.outputs.artist_page import build_page
    from layerpipe.recipe.reader import read_recipe

    words = [PYTHON, "-m", "layerpipe", "page", RECIPE, "--quiet", "--out", folder / "page.html"]
    run(words, cache=cache)
    file = read_recipe(RECIPE)
    song = prepare_page(file).song
    sounds = [soundfile.read(io.BytesIO(sound.pieces[0].flac), dtype="int16")[0]
              for section in song.sections for sound in section.sounds]

    def encode() -> None:
        for sound in sounds:
            soundfile.write(io.BytesIO(), sound, song.rate_hz, format="FLAC", subtype="PCM_16")

    np.savez(folder / "sounds.npz", *sounds)
    encoder = [PYTHON, "-c", ENCODER, folder / "sounds.npz", str(song.rate_hz)]
    found: dict[str, list[float]] = {}

    def note(name: str, seconds: float) -> None:
        found.setdefault(name, []).append(seconds)

    encode()
    for _ in range(ROUNDS):
        note("encoder", cpu_s(encode))
        note("encoder's process", run(encoder).cpu_s)
        note("start", run([PYTHON, "-c", "pass"]).cpu_s)
        note("imports", run([PYTHON, "-c", "import layerpipe.cli, layerpipe.jobs.page, layerpipe.recipe.reader"]).cpu_s)
        note("whole", run(words, cache=cache).cpu_s)
        note("work", cpu_s(lambda: build_page(prepare_page(file).song)))
        shutil.rmtree(cache / "takes")
        note("first", run(words, cache=cache).cpu_s)
    best = {name: min(times) for name, times in found.items()}
    seconds = sum(len(sound) for sound in sounds) / song.rate_hz
    size_mb = sum(np.asarray(sound).nbytes for sound in sounds) / 1e6
    print(f"the demo's page: {len(sounds)} stereo sounds, {seconds:.0f} s, {size_mb:.1f} MB of samples; processor time")
    print(f"  FLAC encoder alone                              {best['encoder']:.3f} s")

    def tell(words: str, spent: float, against: float, what: str) -> None:
        print(f"  {words:47} {spent:.3f} s  {spent / against:5.2f} times {what}")

    tell("from the cache, preparing and building", best["work"], best["encoder"], "the encoder")
    whole, first = best["whole"] - best["start"], best["first"] - best["start"]
    tell("from the cache, whole process, less the start", whole, best["encoder"], "the encoder")
    tell("    of this the imports", best["imports"] - best["start"], best["encoder"], "the encoder")
    tell("from the cache, whole process", best["whole"], best["encoder's process"], "the encoder as a whole process")
    tell("first run, whole process, less the start", first, best["encoder"], "the encoder")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made:
            main(Path(made))

"""The main job against others: `python -m tests.bench.bench_main [--minutes 4] [--times 5] [--long]`.

Ratios of whole processes, measured side by side in one run. "Cold" is an empty store of takes with the loops compiled
(they are compiled once per installation). --long adds 40 minutes against 4 and 64 takes against 4.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyloudnorm

from tests.bench import filter_graph
from tests.bench.material import material
from tests.bench.timing_of import PYTHON, Run, cpu_ratio, median_s, ratio, run, side_by_side

HERE = Path(__file__).resolve().parent
Row = tuple[str, str, str]


class Bench:
    """The takes, recipe and folders of one run."""

    def __init__(self, folder: Path, minutes: float, times: int) -> None:
        self.folder, self.seconds, self.times = folder, 60 * minutes, times
        self.takes = material.write_takes_elsewhere(folder / "takes", self.seconds)
        self.files = [path for paths in self.takes.values() for path in paths]
        self.cache = folder / "cache"
        self.recipe = material.write_recipe(folder / "song.toml", self.takes, self.seconds)
        self.level_db = -9.0

    def bounce(self, recipe: Path | None = None, *, cold: bool = False) -> Run:
        """Bounce as a whole process, into a folder that is empty beforehand as for the others."""
        if cold:
            shutil.rmtree(self.cache / "takes", ignore_errors=True)
        shutil.rmtree(self.folder / "bounces", ignore_errors=True)
        return run([PYTHON, "-m", "layerpipe", "bounce", recipe or self.recipe, "--quiet", "--out",
                    self.folder / "bounces"], cache=self.cache)

    def change_level(self) -> Path:
        """The same song with another level."""
        self.level_db -= 0.5
        return material.write_recipe(self.folder / "song.toml", self.takes, self.seconds, octave_db=self.level_db)

    def soundfile(self, what: str) -> Run:
        """soundfile alone."""
        shutil.rmtree(self.folder / "alone", ignore_errors=True)
        return run([PYTHON, HERE / "soundfile_alone.py", self.folder / "alone", what, *self.files])

    def graph(self) -> Run:
        """The media filter graph."""
        shutil.rmtree(self.folder / "graph", ignore_errors=True)
        return run(filter_graph.words(self.folder / "graph", self.files))

    def script(self) -> Run:
        """The straightforward script."""
        shutil.rmtree(self.folder / "plain", ignore_errors=True)
        return run([PYTHON, HERE / "plain_script.py", self.folder / "plain", *self.files])


def cold(bench: Bench) -> list[Row]:
    """The cold bounce against the others."""
    bench.bounce()
    found = side_by_side({"ours": lambda: bench.bounce(cold=True), "graph": bench.graph,
                          "alone": lambda: bench.soundfile("both")}, bench.times)
    ours = found["ours"]
    script = bench.script()
    return [
        ("cold bounce, filter graph's time / ours", f"{1 / ratio(ours, found['graph']):.2f}", ">= 2.5"),
        ("cold bounce, ours / soundfile reading and writing alone", f"{ratio(ours, found['alone']):.2f}", "<= 1.6"),
        ("cold bounce, plain script's time / ours (one run)", f"{script.wall_s / median_s(ours):.1f}", ""),
        ("cold bounce, wall s / processor s / peak MB", f"{median_s(ours):.2f} / {ours[0].cpu_s:.2f} / "
                                                        f"{max(done.peak_mb for done in ours):.0f}", "< 300 MB"),
    ]


def changed(bench: Bench) -> list[Row]:
    """A bounce after a level change against writing alone."""
    found = side_by_side({"ours": lambda: bench.bounce(bench.change_level()),
                          "alone": lambda: bench.soundfile("write")}, bench.times)
    return [("after a level change, ours / soundfile writing alone", f"{ratio(found['ours'], found['alone']):.2f}",
             "<= 1.2")]


def preview(bench: Bench) -> list[Row]:
    """A 20 s section as mp3 after a level change against the encoder alone, on the same sound, and a bare start."""
    short, folder = bench.folder / "section.toml", bench.folder / "previews"

    def ours(kind: str = "mp3") -> Run:
        text = bench.change_level().read_text("utf-8")
        first = text.index("bars = ")
        text = text[:first] + "bars = [1, 10]" + text[text.index("\n", first) :]
        short.write_text(text.replace("[[section]]", f'[preview]\nformat = "{kind}"\n[[section]]', 1), "utf-8")
        return run([PYTHON, "-m", "layerpipe", "preview", short, "--quiet", "--section", "part 1", "--version", "blend",
                    "--out", folder], cache=bench.cache)

    ours("wav")
    # The next run removes what this one made.
    source = next((folder / "section").glob("*part 1 - blend.wav")).rename(bench.folder / "section.wav")
    found = side_by_side({
        "ours": ours, "encoder": lambda: run(filter_graph.encode_words(source, bench.folder / "section.mp3")),
        "bare": lambda: run([PYTHON, "-c", ""]),
    }, 2 * bench.times)
    theirs = [Run(one.wall_s + other.wall_s, one.cpu_s + other.cpu_s, max(one.peak_mb, other.peak_mb))
              for one, other in zip(found["encoder"], found["bare"], strict=True)]
    return [
        ("20 s section as mp3, ours / (encoder + bare interpreter)", f"{ratio(found['ours'], theirs):.2f}", "<= 1.8"),
        ("the same, processor time", f"{cpu_ratio(found['ours'], theirs):.2f}", ""),
    ]


def start(bench: Bench) -> list[Row]:
    """What needs no sound against a bare interpreter, and the first command of an installation against the second."""
    program = [PYTHON, "-c", "import sys; from layerpipe.__main__ import main; sys.exit(main())"]
    asked = {"--version": ["--version"], "--help": ["--help"], "bounce --help": ["bounce", "--help"],
             "schema": ["schema"]}
    jobs = {name: lambda words=words: run([*program, *words]) for name, words in asked.items()}
    found = side_by_side({"bare": lambda: run([PYTHON, "-c", ""]), **jobs}, 10 * bench.times)
    rows = [(f"{name}, processor time / bare interpreter", f"{cpu_ratio(found[name], found['bare']):.2f}", "<= 1.3")
            for name in asked]
    few = Bench(bench.folder / "start", 0.2, 1)
    home = bench.folder / "home"

    def bounce(*, first: bool) -> Run:
        if first:
            shutil.rmtree(home, ignore_errors=True)
        shutil.rmtree(bench.cache / "takes", ignore_errors=True)
        return run([*program, "bounce", few.recipe, "--quiet", "--out", few.folder / "bounces"], cache=bench.cache,
                   home=home)

    made = side_by_side({"first": lambda: bounce(first=True), "later": lambda: bounce(first=False)}, 3)
    more = min(done.cpu_s for done in made["first"]) - min(done.cpu_s for done in made["later"])
    rows.append(("first command of an installation, processor time, s more", f"{more:.2f}", "<= 1.5"))
    return rows


def levels(bench: Bench) -> list[Row]:
    """1000 octave levels from the energies against pyloudnorm on each blend (measured on 3, scaled)."""
    from layerpipe.recipe.reader import read_recipe
    from layerpipe.render.cache.take_cache import TakeCache
    from layerpipe.render.energies.sweep import sweep
    from layerpipe.render.pipeline import measure_song, process_takes

    cache = TakeCache(bench.cache / "takes")
    song = process_takes(read_recipe(bench.recipe), cache)
    energies = measure_song(song, cache)
    rest, layer = song.layers
    mixes = song.mix([rest]), song.mix([layer], level=False)
    at_db = np.linspace(-24, 0, 1000)
    took = []
    for _ in range(bench.times):
        started = time.perf_counter()
        found = sweep(energies, *mixes, at_db)
        took.append(time.perf_counter() - started)
    blocks = next(read for _, read in song.blocks(0, song.frames, song.frames))
    base, added = (song.layer_of(one, blocks, 0, level=None if one is rest else 1.0) for one in (rest, layer))
    meter = pyloudnorm.Meter(song.rate_hz, filter_class="DeMan")
    theirs, off = [], 0.0
    for n in (0, 500, 999):
        blend = base + 10 ** (at_db[n] / 20) * added
        started = time.perf_counter()
        lufs = meter.integrated_loudness(blend)
        theirs.append(time.perf_counter() - started)
        off = max(off, abs(lufs - found.integrated_lufs[n]))
    times = 1000 * float(np.median(theirs)) / float(np.median(took))
    return [("1000 octave levels, pyloudnorm's time / ours", f"{times:.0f}", ">= 1000"),
            ("the same, largest difference in LU", f"{off:.5f}", "<= 0.001")]


def sizes(bench: Bench) -> list[Row]:
    """Memory over length, time over takes."""
    rows = []
    long = Bench(bench.folder / "forty", 40, 1)
    long.cache = bench.cache
    peaks = [bench.bounce(cold=True).peak_mb, long.bounce(cold=True).peak_mb]
    rows.append(("peak memory, 4 and 40 minutes, MB", f"{peaks[0]:.0f} and {peaks[1]:.0f}", "< 300, the same"))
    shutil.rmtree(long.folder)
    many = Bench(bench.folder / "many", 1, 1)
    many.takes = material.write_takes_elsewhere(many.folder / "takes", 60, pairs=16)
    many.recipe = material.write_recipe(many.folder / "many.toml", many.takes, 60)
    few = Bench(bench.folder / "few", 1, 1)
    many.cache = few.cache = bench.cache
    found = side_by_side({"many": lambda: many.bounce(cold=True), "few": lambda: few.bounce(cold=True),
                          "start": lambda: run([PYTHON, "-c", "import layerpipe.render.pipeline, click"])}, 3)
    start = median_s(found["start"])
    grown = (median_s(found["many"]) - start) / (median_s(found["few"]) - start)
    rows.append(("64 takes against 4, time less the start", f"{grown:.1f}", "16 within 10 %"))
    shutil.rmtree(many.folder)
    return rows


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--minutes", type=float, default=4.0)
    asked.add_argument("--times", type=int, default=5)
    asked.add_argument("--long", action="store_true")
    asked.add_argument("--only", choices=["start", "cold", "changed", "preview", "levels", "sizes"])
    told = asked.parse_args()
    parts: dict[str, Callable[[Bench], list[Row]]] = {"start": start, "cold": cold, "changed": changed,
                                                      "preview": preview, "levels": levels}
    if told.long:
        parts["sizes"] = sizes
    with tempfile.TemporaryDirectory(prefix="layerpipe-bench-") as folder:
        bench = Bench(Path(folder), told.minutes, told.times)
        bench.bounce()
        print(f"{'what':60} {'measured':>18}   goal")
        for name, part in parts.items():
            if told.only in (None, name):
                for what, measured, goal in part(bench):
                    print(f"{what:60} {measured:>18}   {goal}", flush=True)


if __name__ == "__main__":
    main()

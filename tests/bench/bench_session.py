"""A whole session, stage by stage: `python -m tests.bench.bench_session [--takes 11] [--seconds 201] [--song FOLDER]`.

The stages are commands in processes of their own, from draft to verify; wall-clock and processor seconds of each, first
with an empty cache (the loops are compiled before) and then again on the same takes. The demo is measured beside it.
Of more takes than four, as many as possible are passes of a side, so that there is something to choose from.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.bench.timing_of import PYTHON, Run, run
from tests.support.sounds.song_player import RATE_HZ, Playing, make_song, play_pass
from tests.support.sounds.stamped_wave import write_wave

PROJECT = Path(__file__).resolve().parents[2]
LAYERS = ("regular", "octave")


def write_takes(folder: Path, takes: int, seconds: float) -> Path:
    """Strummed takes of one song: a regular layer and a high-strung one, left and right by turns."""
    folder.mkdir(parents=True)
    song = replace(make_song(7, sections=9, bars=8, meter="4/4"), tempo=87.0, bar_one_s=0.5)
    bars = int((seconds - song.bar_one_s - song.tail_s) / song.bar_s)
    song = replace(song, chords=(song.chords * 99)[:bars])
    for n in range(takes):
        layer = LAYERS[n >= -(-takes // 2)]
        number = n if layer == LAYERS[0] else n - -(-takes // 2)
        playing = Playing(scatter_ms=7.0, cents=float(n % 3), high_strung=layer == LAYERS[1], peak=0.3)
        played = play_pass(song, 100 + n, playing=playing).samples
        # Files of one session are equally long.
        sound = np.pad(played, (0, max(round(seconds * RATE_HZ) - len(played), 0)))[: round(seconds * RATE_HZ)]
        write_wave(folder / f"{layer} {'LR'[number % 2]} {1 + number // 2}.wav", sound, RATE_HZ)
    return folder


def session(folder: Path, takes: Path | None, recipe: Path, cache: Path) -> dict[str, Run]:
    """Run every stage once; without takes to draft from, on the recipe that is there."""
    found: dict[str, Run] = {}

    def stage(name: str, *words: str | Path, may_fail: bool = False) -> None:
        found[name] = run([PYTHON, "-m", "layerpipe", name.split()[0], *words, "--quiet"], cache=cache,
                          fine=(0, 1) if may_fail else (0,))

    shutil.rmtree(folder / "out", ignore_errors=True)
    if takes is not None:
        recipe.unlink(missing_ok=True)
        stage("draft", takes, "--out", recipe)
    # Exits with 1 if a take is to be recorded again.
    stage("check", recipe, may_fail=True)
    stage("tempo --write", recipe, "--write")
    if takes is not None:
        # Exits with 1 where no take has passes.
        stage("choose --write", recipe, "--write", may_fail=True)
    stage("timing --write", recipe, "--write")
    stage("levels", recipe)
    stage("preview", recipe, "--out", folder / "out" / "previews")
    stage("page", recipe, "--out", folder / "out" / "page.html")
    stage("bounce", recipe, "--out", folder / "out" / "bounces")
    (bounce,) = (folder / "out" / "bounces").iterdir()
    stage("verify", bounce)
    return found


def show(title: str, rounds: Sequence[dict[str, Run]]) -> None:
    """Print the table of a song."""
    print(f"\n{title}\n{'stage':16}  first: wall s, CPU s  again: wall s, CPU s")
    for name in rounds[0]:
        print(f"{name:16}" + "".join(f"{done[name].wall_s:14.2f}{done[name].cpu_s:8.2f}" for done in rounds))
    print(f"{'all':16}" + "".join(f"{sum(one.wall_s for one in done.values()):14.2f}"
                                  f"{sum(one.cpu_s for one in done.values()):8.2f}" for done in rounds))
    print(f"most memory of a stage: {max(one.peak_mb for done in rounds for one in done.values()):.0f} MB")


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=11)
    parser.add_argument("--seconds", type=float, default=201.0)
    parser.add_argument("--song", type=Path, help="a folder for the takes, kept and used again")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        demo = folder / "demo"
        shutil.copytree(PROJECT / "demo_stems", demo / "demo_stems", ignore=shutil.ignore_patterns("*.py"))
        (demo / "recipes").mkdir()
        original, recipe = PROJECT / "recipes" / "lantern.toml", demo / "recipes" / "lantern.toml"
        rounds = []
        for _ in range(2):
            shutil.copyfile(original, recipe)
            rounds.append(session(demo, None, recipe, folder / "cache"))
        show("the demo, 4 takes", rounds)
        song = asked.song or folder / "song"
        takes = song / "takes"
        if not takes.exists():
            write_takes(takes, asked.takes, asked.seconds)
        rounds = [session(song, takes, song / "song.toml", folder / "cache") for _ in range(2)]
        show(f"{len(list(takes.iterdir()))} takes of {asked.seconds:g} s", rounds)


if __name__ == "__main__":
    main()

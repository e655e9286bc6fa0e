"""`layerpipe tempo`: tempo, meter and bar 1, estimated from the takes."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from layerpipe.cli.options import Whole, answers, song_options, songs_argument
from layerpipe.cli.songs import SongResult, answer_songs
from layerpipe.cli.terminal import FAULTY, FINE, Terminal

if TYPE_CHECKING:
    from layerpipe.analysis.timing.grid.tempo import TempoEstimate

LEAST_ODDS = 0.05
"""Less likely results are listed, but not asked about."""


@answers
@songs_argument
@click.option("--write", is_flag=True, help="Write the most likely result into the recipe.")
@click.option("--pick", type=Whole(1), default=1, show_default=True, metavar="N",
              help="Result that --write writes.")
@song_options
def tempo(recipes: tuple[Path, ...], write: bool, pick: int, jobs: int, cluster: str | None, as_json: bool,
          quiet: bool) -> int:
    """Estimate tempo, meter and bar 1 from the takes.

    The tempo in the recipe is ignored. Each result has its odds; where more than one explains the takes, all are listed
    and --pick chooses. Exits with 1 if there are too few onsets.
    """
    return answer_songs(Terminal(as_json=as_json, quiet=quiet), recipes, partial(_tempo, write=write, pick=pick),
                        jobs=jobs, cluster=cluster)


def _tempo(terminal: Terminal, recipe: Path, *, write: bool, pick: int) -> SongResult:
    """One song."""
    from layerpipe.jobs.tempo import change_of_tempo, tempo_of_song
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    with terminal.progress("listening", 1.0) as on_progress:
        estimates, onsets = tempo_of_song(file, on_progress=on_progress)
    _say(terminal, estimates)
    if not estimates:
        terminal.warn(f"{file.path}: too few onsets were found to estimate a tempo; set it in [song]")
    elif pick > len(estimates):
        terminal.warn(f"{file.path}: --pick {pick}: there are {len(estimates)} results")
    written = bool(write and pick <= len(estimates)
                   and terminal.show_and_write(change_of_tempo(file, estimates[pick - 1])))
    best = _document(estimates[0]) if estimates else {"tempo": None, "meter": None, "bar_one_s": None,
                                                      "confidence": 0.0, "odds": 0.0, "sure": False}
    document = {"recipe": file.path, **best, "candidates": [_document(one) for one in estimates], "onsets": onsets,
                "written": written}
    if not estimates:
        return SongResult(document, "unknown", FAULTY, "too few onsets")
    first = estimates[0]
    note = f"{first.meter}, bar 1 at {first.bar_one_s:.3f} s, {_odds(first)}"
    return SongResult(document, f"{first.tempo:.2f}", FAULTY if pick > len(estimates) else FINE, note=note)


def _document(one: TempoEstimate) -> dict[str, object]:
    """An estimate as JSON has it; `confidence` is the older name of the odds."""
    return {**asdict(one), "confidence": one.odds}


def _odds(one: TempoEstimate) -> str:
    """The odds of an estimate, for a person."""
    return f"{'sure, ' if one.sure else ''}odds {100 * one.odds:.0f} %"


def _say(terminal: Terminal, estimates: list[TempoEstimate]) -> None:
    """All estimates, for a person; a question if none is sure."""
    for number, one in enumerate(estimates, 1):
        if number == 1 or not estimates[0].sure:
            terminal.say(f"{number}: tempo {one.tempo:.2f}, meter {one.meter}, bar 1 at {one.bar_one_s:.3f} s "
                         f"({_odds(one)})")
    if not estimates or estimates[0].sure:
        return
    first, *rest = estimates
    if not rest or rest[0].odds < LEAST_ODDS:
        terminal.say(f"{first.meter} at {first.tempo:g} is the most likely, but not sure: count along, is bar 1 at "
                     f"{first.bar_one_s:.3f} s?")
        return
    second = rest[0]
    terminal.say(f"which is it, {first.meter} at {first.tempo:g} or {second.meter} at {second.tempo:g}? Count along; "
                 "--write writes the first, --write --pick 2 the second")
    if {first.meter, second.meter} == {"6/8", "12/8"}:
        terminal.say("12/8 is 6/8 in bars twice as long: it is right if chords last for a whole bar of it")

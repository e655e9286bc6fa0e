"""`layerpipe tempo`: tempo, meter and bar 1, estimated from the takes."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layerpipe.cli.songs import ClusterOption, JobsOption, SongResult, SongsArgument, answer_songs
from layerpipe.cli.terminal import FAULTY, JsonOption, QuietOption, Terminal, answers

if TYPE_CHECKING:
    from layerpipe.analysis.timing.tempo import TempoEstimate

CERTAIN, LIKELY = 0.6, 0.35
"""Confidences from which an estimate is called certain or likely; our own, from the trial songs."""


@answers
def tempo(
    recipes: SongsArgument,
    write: Annotated[bool, typer.Option("--write", help="Write the most likely result into the recipe.")] = False,
    jobs: JobsOption = 1,
    cluster: ClusterOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Estimate tempo, meter and bar 1 from the takes.

    The tempo in the recipe is ignored. Each result has a confidence from 0 to 1. Exits with 1 if there are too few
    onsets.
    """
    return answer_songs(Terminal(as_json=as_json, quiet=quiet), recipes, partial(_tempo, write=write), jobs=jobs,
                        cluster=cluster)


def _tempo(terminal: Terminal, recipe: Path, *, write: bool) -> SongResult:
    """One song."""
    from layerpipe.analysis.timing.tempo import is_ambiguous
    from layerpipe.jobs.tempo import change_of_tempo, tempo_of_song
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    with terminal.progress("listening", 1.0) as on_progress:
        estimates, onsets = tempo_of_song(file, on_progress=on_progress)
    _say(terminal, estimates, ambiguous=is_ambiguous(estimates))
    if not estimates:
        terminal.warn(f"{file.path}: too few onsets were found to estimate a tempo; set it in [song]")
    written = bool(write and estimates and terminal.show_and_write(change_of_tempo(file, estimates[0])))
    best = asdict(estimates[0]) if estimates else {"tempo": None, "meter": None, "bar_one_s": None, "confidence": 0.0}
    document = {"recipe": file.path, **best, "candidates": [asdict(one) for one in estimates], "onsets": onsets,
                "written": written}
    if not estimates:
        return SongResult(document, "unknown", FAULTY, "too few onsets")
    first = estimates[0]
    note = f"{first.meter}, bar 1 at {first.bar_one_s:.3f} s, confidence {first.confidence:.2f}"
    return SongResult(document, f"{first.tempo:.2f}", note=note)


def _say(terminal: Terminal, estimates: list[TempoEstimate], *, ambiguous: bool) -> None:
    """All estimates, for a person."""
    for n, one in enumerate(estimates):
        how = ("uncertain" if one.confidence < LIKELY or ambiguous else
               "certain" if one.confidence >= CERTAIN else "likely")
        terminal.say(f"{'alternatively: ' if n else ''}tempo {one.tempo:.2f}, meter {one.meter}, bar 1 at "
                     f"{one.bar_one_s:.3f} s ({how}, confidence {one.confidence:.2f})")
    if ambiguous:
        first, second = estimates[:2]
        terminal.say(f"the first two are nearly as likely ({first.meter} at {first.tempo:g}, {second.meter} at "
                     f"{second.tempo:g}): count along to decide")
        if {first.meter, second.meter} == {"6/8", "12/8"}:
            terminal.say("12/8 is 6/8 in bars twice as long: it is right if chords last for a whole bar of it")

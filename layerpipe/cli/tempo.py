"""`layerpipe tempo`: tempo, meter and the place of bar 1, estimated from the takes."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from layerpipe.cli.terminal import FAULTY, FINE, JsonOption, QuietOption, Terminal, answers

SURE, LIKELY = 0.6, 0.35


@answers
def tempo(
    recipe: Annotated[Path, typer.Argument(help="A recipe; its tempo is not looked at.", show_default=False)],
    write: Annotated[bool, typer.Option("--write", help="Fill the likeliest into the recipe.")] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Estimate tempo, meter and the place of bar 1 from the takes.

    Says how sure each is. Exits with 1 if there is too little to tell.
    """
    from layerpipe.analysis.timing.song_timing import hear_takes
    from layerpipe.analysis.timing.tempo import guess_clock, is_close
    from layerpipe.recipe.reader import read_recipe
    from layerpipe.render.takes import open_all

    terminal = Terminal(as_json=as_json, quiet=quiet)
    file = read_recipe(recipe)
    takes = open_all(file.recipe)
    with terminal.progress("listening", 1.0) as on_progress:
        onsets = [heard.onsets for heard in hear_takes(takes, on_progress=on_progress)]
    guesses = guess_clock(onsets)
    close = is_close(guesses)
    for n, guess in enumerate(guesses):
        doubted = guess.sure < LIKELY or close
        how = "a guess" if doubted else "sure" if guess.sure >= SURE else "likely"
        terminal.say(f"{'' if n == 0 else 'or: '}tempo {guess.tempo:.2f}, meter {guess.meter}, bar 1 at "
                     f"{guess.bar_one_s:.3f} s ({how}, {guess.sure:.2f})")
    if close:
        terminal.say(f"the first two are nearly as likely ({guesses[0].meter} at {guesses[0].tempo:g}, "
                     f"{guesses[1].meter} at {guesses[1].tempo:g}): count along to tell")
        if {guesses[0].meter, guesses[1].meter} == {"6/8", "12/8"}:
            terminal.say("12/8 is 6/8 in bars twice as long: it is right if chords last for a whole bar of it")
    if not guesses:
        terminal.warn(f"{file.path}: too few strums were found to tell a tempo; set it in [song]")
    written = False
    if write and guesses:
        from layerpipe.recipe.edits import set_song

        best = guesses[0]
        change = set_song(recipe, tempo=best.tempo, meter=best.meter, bar_one_s=best.bar_one_s)
        if terminal.as_json and not quiet:
            terminal.warn(change.diff)
        terminal.say(change.diff)
        change.write()
        written = True
        terminal.say(f"{recipe}: written")
    best_found = asdict(guesses[0]) if guesses else {"tempo": None, "meter": None, "bar_one_s": None, "sure": 0.0}
    terminal.document({"recipe": file.path, **best_found, "candidates": [asdict(guess) for guess in guesses],
                       "onsets": sum(len(found) for found in onsets), "written": written})
    return FINE if guesses else FAULTY

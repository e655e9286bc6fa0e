"""`layerpipe choose`: which passes of the takes make the best double, and which comp of them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from layerpipe.cli.options import PATH, answers, song_options, songs_argument
from layerpipe.cli.songs import SongResult, answer_songs, beside, is_several
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import CAUTION, FAULTY, FINE, Terminal, shown

if TYPE_CHECKING:
    from layerpipe.analysis.choose.choice import Choice
    from layerpipe.recipe.edit.comps import NewPart

PAIRS_SHOWN = 5


@answers
@songs_argument
@click.option("--write", is_flag=True, help=(
    "Write the chosen passes into the recipe as play and comp, after showing the change."))
@click.option("--undo", is_flag=True, help=(
    "Remove what --write added; keep what was written by hand. Nothing is measured."))
@click.option("--picture", type=PATH, metavar="FILE", help=(
    "Draw the passes by section, the chosen ones framed; .png or .svg."))
@click.option("--listen", type=PATH, metavar="FOLDER", help=(
    "Folder for the best candidates of every section, all equally loud."))
@song_options
def choose(recipes: tuple[Path, ...], write: bool, undo: bool, picture: Path | None, listen: Path | None, jobs: int,
           cluster: str | None, as_json: bool, quiet: bool) -> int:
    """Choose among the passes of each take, alone and as a double.

    Measures timing, tuning, noise, level and faults of every pass in every section, and how well every two passes fit
    together; a copy is no double. Then finds the best pass for each section; most often one throughout, because every
    joint has its price. Scores are 0 to 100; 100 is best.

    Exits with 1 if no take has passes, or a double has nothing but copies to choose from.
    """
    if write and undo:
        raise click.BadParameter("writes passes, --undo removes them; give one of them", param_hint="--write")
    if undo and (picture is not None or listen is not None):
        raise click.BadParameter("measures nothing, so it takes no --picture or --listen", param_hint="--undo")
    if picture is not None and picture.suffix.casefold() not in (".png", ".svg"):
        raise click.BadParameter(f'"{picture.name}" must end in .png or .svg', param_hint="--picture")
    song = _undo if undo else partial(_choose, write=write, picture=picture, listen=listen,
                                      several=is_several(recipes))
    return answer_songs(Terminal(as_json=as_json, quiet=quiet), recipes, song, jobs=jobs, cluster=cluster,
                        outputs=[place for place in (picture and picture.parent, listen) if place is not None])


def _choose(terminal: Terminal, recipe: Path, *, write: bool, picture: Path | None, listen: Path | None,
            several: bool) -> SongResult:
    """One song."""
    from layerpipe.jobs.choose import change_of_passes, choose_passes, comps_of
    from layerpipe.jobs.listening_files import refuse_over_sources, remove_older
    from layerpipe.jobs.output_places import refuse_sources, sources_of
    from layerpipe.outputs.choose.document import document_of
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    target = None if picture is None else beside(picture, recipe, several=several)
    refuse_sources([] if target is None else [target], sources_of(file))
    with terminal.progress("listening", 1.0) as on_progress:
        choices = choose_passes(file, on_progress=on_progress)
    comps = comps_of(choices)
    document = document_of(choices, comps)
    if not choices:
        terminal.warn(f"{recipe}: no take has passes to choose from; see passes in recipes/REFERENCE.md")
        return SongResult(document, "no passes", FAULTY)
    _say(terminal, choices, comps)
    if target is not None:
        from layerpipe.outputs.choose.plot import draw_choice

        draw_choice(choices, file.recipe.song.title, target)
        terminal.say(f"wrote {target}")
    if listen is not None:
        from layerpipe.outputs.choose.listen import write_candidates

        folder = listen / recipe.stem if several else listen
        made = write_candidates(choices, folder, before_writing=refuse_over_sources(file, folder))
        remove_older(file, folder, made)
        terminal.say(f"{folder}: {len(made)} files, the best candidates of every section")
        terminal.warn(CAUTION)
        document["caution"] = CAUTION
    if write:
        terminal.show_and_write(change_of_passes(file, choices), otherwise="the recipe plays these passes already")
    copied = [choice.layer for choice in choices if choice.doubled_copies]
    comped = any(choice.is_comp for choice in choices)
    return SongResult(document, "no double" if copied else "comp" if comped else "one pass throughout",
                      FAULTY if copied else FINE, ", ".join(copied))


def _undo(terminal: Terminal, recipe: Path) -> SongResult:
    """Remove the written keys."""
    from layerpipe.recipe.edit.comps import marked_comps, remove_comps

    removed = len(marked_comps(recipe))
    terminal.show_and_write(remove_comps(recipe), otherwise="nothing was written by --write")
    return SongResult({"recipe": recipe, "keys_removed": removed}, "undone" if removed else "unchanged")


def _say(terminal: Terminal, choices: Sequence[Choice], comps: Sequence[Sequence[Sequence[NewPart]]]) -> None:
    """Everything, for a person."""
    if not terminal.talks:
        return
    from layerpipe.outputs.choose.words import choice_words, copied_words, gain_words

    for choice, comp in zip(choices, comps, strict=True):
        for take, opened in enumerate(choice.takes):
            if opened.take.passes:
                terminal.say(_pass_table(choice, take))
        if choice.pairs:
            terminal.say(_pair_table(choice))
        if choice.doubled_copies:
            terminal.say(f"{choice.layer}: {copied_words(choice)}")
            continue
        for words in choice_words(choice):
            terminal.say(words)
        for opened, parts in zip(choice.takes, comp, strict=True):
            for part in parts:
                terminal.say(f"  {opened.take.name}: pass {part.played} from {part.start_s:.3f} s "
                             f"to {part.stop_s:.3f} s")
        terminal.say(gain_words(choice))


def _pass_table(choice: Choice, take: int) -> Any:
    """The passes of a take, best first."""
    from layerpipe.outputs.choose.words import fault_words, figures_of, throughout

    table = new_table(f"{choice.layer} / {choice.takes[take].take.name}: passes", pad_edge=False)
    table.add_column("pass", overflow="fold")
    for heading in ("score", "spread, ms", "average offset, ms", "tuning, cents", "noise, dBFS"):
        table.add_column(heading, justify="right")
    table.add_column("faults", overflow="fold", ratio=1)
    numbers = range(len(choice.passes[take]))
    for number in sorted(numbers, key=lambda number: -choice.score_of_pass(take, number)):
        one = choice.passes[take][number]
        figures = figures_of(choice, throughout(choice, [number if k == take else 0 for k in range(len(choice.takes))]))
        noise = one.checked.noise
        table.add_row(one.name, shown(choice.score_of_pass(take, number), 0), shown(figures.spreads_ms[take]),
                      shown(one.aligned.average_offset_ms), shown(one.cents),
                      shown(None if noise is None else noise.level_db, 0), "; ".join(fault_words(choice, one)))
    return table


def _pair_table(choice: Choice) -> Any:
    """The best pairs that play throughout, with reasons."""
    from layerpipe.outputs.choose.words import reasons

    shown_pairs = choice.ranking[:PAIRS_SHOWN]
    table = new_table(f"{choice.layer}: best pairs of {len(choice.ranking)}", pad_edge=False)
    for opened in choice.takes:
        table.add_column(opened.take.name, overflow="fold")
    table.add_column("score", justify="right")
    table.add_column("why", overflow="fold", ratio=1)
    for ranked in shown_pairs:
        table.add_row(*(choice.passes[take][number].name for take, number in enumerate(ranked.numbers)),
                      shown(ranked.score, 0), "; ".join(reasons(choice, ranked.numbers)))
    return table

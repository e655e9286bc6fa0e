"""`layerpipe levels`: what each level of a layer does, and the level for a wanted difference, into the recipe."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from layerpipe.cli.answers import say_answer
from layerpipe.cli.levels_table import recipe_level_db, recipe_levels_db, reference_words, say_levels
from layerpipe.cli.options import PATH, Number, answers, section_option, song_options, songs_argument
from layerpipe.cli.songs import SongResult, answer_songs, beside, is_several
from layerpipe.cli.terminal import FAULTY, FINE, Terminal

if TYPE_CHECKING:
    from layerpipe.jobs.level_choice import Skipped

MOST_LEVELS = 1000
LOUDEST_DB = 60.0
LOWEST_DB, HIGHEST_DB, STEP_DB = -24.0, 0.0, 1.5
"""The usual levels: from a hint to as loud as recorded, in steps that are just heard."""


@answers
@songs_argument
@click.option("--layer", metavar="NAME", help="The layer whose level is tried; the second if there are two.")
@click.option("--against", metavar="NAME", help="Measure the layer against this layer instead of everything else.")
@section_option
@click.option("--from", "lowest", type=Number(), default=LOWEST_DB, show_default=True, metavar="DB",
              help="Lowest level in dB.")
@click.option("--to", "highest", type=Number(), default=HIGHEST_DB, show_default=True, metavar="DB",
              help="Highest level in dB.")
@click.option("--step", type=Number(), default=STEP_DB, show_default=True, metavar="DB",
              help="Step between levels in dB.")
@click.option("--at", metavar="DB,DB...", help="Only these levels: -12,-9,-6; -inf is off.")
@click.option("--all", "every", is_flag=True, help=(
    "Print every level that was measured, not only the recipe's and five around it."))
@click.option("--under", type=Number(), metavar="LU", help=(
    "Find the level at which the layer sits this many LU under the rest (or under --against)."))
@click.option("--write", is_flag=True, help=(
    "Show the change and write it into the recipe: what --under found for each section, or the one level of --at as "
    "the layer's own."))
@click.option("--for", "places", multiple=True, metavar="NAME", help=(
    "Write for this section, whatever its level is now; may be given again."))
@click.option("--picture", type=PATH, metavar="FILE", help="Draw the curves into this file, .png or .svg.")
@click.option("--accept", metavar="FILE-or-TEXT", help=(
    "Show an artist's answer (the text, or the saved file), ask, and write it. Nothing is measured."))
@click.option("--yes", is_flag=True, help="With --accept: write without asking.")
@click.option("--album", is_flag=True, help=(
    "Compare songs at their recipes' levels: the layer's distance, loudness, tempo and tuning."))
@song_options
def levels(recipes: tuple[Path, ...], layer: str | None, against: str | None, section: tuple[str, ...], lowest: float,
           highest: float, step: float, at: str | None, every: bool, under: float | None, write: bool,
           places: tuple[str, ...], picture: Path | None, accept: str | None, yes: bool, album: bool, jobs: int,
           cluster: str | None, as_json: bool, quiet: bool) -> int:
    """Measure what each level of a layer does to the blend.

    Loudness, peaks, mono loss, brightness, and how audible the layer is. In each row the layer is at that level
    throughout the section, the others at the recipe's levels; the bed is not included. "Audible bands": in how many
    of the ear's bands (ERB, Glasberg and Moore 1990) the layer is above what the rest masks for at least 5 % of the
    time; "audible time": how much of the time it is in any of them. A simple model that ranks levels well and does
    not replace listening.

    Printed are the recipe's level and the five nearest to it; --all prints the rest, and --at, --from, --to and --step
    print what they ask for. --json has every level.

    --write changes the sections named with --for, else those of --section, else all of them (--under) or the layer's
    own level (--at). Unless --for names them, sections in which the layer is off or has its own level are unchanged.
    """
    terminal = Terminal(as_json=as_json, quiet=quiet)
    if accept is not None:
        if is_several(recipes):
            raise click.BadParameter("an answer belongs to one recipe; give that", param_hint="--accept")
        return _accept(terminal, recipes[0], accept, ask=not yes)
    if album:
        from layerpipe.cli.album import answer_album

        _refuse_options([], at=None, under=under, write=write, places=places, picture=picture)
        return answer_album(terminal, recipes, layer=layer, against=against, picture=picture, jobs=jobs,
                            cluster=cluster)
    tried = _levels(at, lowest, highest, step)
    usual = at is None and (lowest, highest, step) == (LOWEST_DB, HIGHEST_DB, STEP_DB)
    _refuse_options(tried, at=at, under=under, write=write, places=places, picture=picture)
    return answer_songs(terminal, recipes, partial(
        _study, tried=tried, usual=usual, every=every, layer=layer, against=against, sections=section,
        under=under, write=write, places=places, picture=picture, several=is_several(recipes)), jobs=jobs,
        cluster=cluster, outputs=[] if picture is None else [picture.parent])


def _study(terminal: Terminal, recipe: Path, *, tried: list[float], usual: bool, every: bool,
           layer: str | None, against: str | None,
           sections: tuple[str, ...], under: float | None, write: bool, places: tuple[str, ...], picture: Path | None,
           several: bool) -> SongResult:
    """One song."""
    from layerpipe.jobs.levels import study_levels
    from layerpipe.jobs.output_places import refuse_sources, sources_of
    from layerpipe.outputs.levels import layer_to_try
    from layerpipe.recipe.names import WHOLE_SONG
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    target = None if picture is None else beside(picture, recipe, several=several)
    refuse_sources([target] if target else [], sources_of(file))
    measured = list(sections)
    if write:
        from layerpipe.jobs.level_choice import places_to_write

        chosen = places_to_write(file, layer, places, measured, by_section=under is not None)
        if measured:
            measured += [place or WHOLE_SONG for place in chosen.written if (place or WHOLE_SONG) not in measured]
    with terminal.progress("measuring", 1.0) as on_progress:
        measured_db = sorted({*tried, *recipe_levels_db(file, layer_to_try(file, layer))}) if usual else tried
        found = study_levels(file, measured_db, layer=layer, against=against, sections=measured, under_lu=under,
                             on_progress=on_progress)
    # Each section has the usual levels and its own one, not those of other sections.
    found = replace(found, rows=tuple(row for row in found.rows if row.level_db in tried or (
        row.level_db == recipe_level_db(file, found.layer, row.section))))
    say_levels(terminal, found, file, every=every or not usual)
    if target is not None:
        from layerpipe.outputs.levels.plot import draw_levels

        draw_levels(found, target, title=file.recipe.song.title)
        terminal.say(f"wrote {target}")
    skipped: tuple[Skipped, ...] = ()
    if write:
        from layerpipe.jobs.level_choice import change_of_study

        change, skipped = change_of_study(file, found, chosen, None if under is not None else tried[0])
        terminal.show_and_write(change, otherwise="" if change else "no section to change; nothing written")
    if skipped:
        terminal.say(f"unchanged: {', '.join(f'{one.section} ({one.why})' for one in skipped)}. Use --for SECTION to "
                     "write them.")
    document = {"layer": found.layer, "against": found.reference, "rows": [asdict(row) for row in found.rows],
                "audible_from_db": found.audible_from_db, "solved": [asdict(one) for one in found.solved],
                "skipped": [asdict(one) for one in skipped]}
    return SongResult(document, "measured", note=f'"{found.layer}" relative to {reference_words(found)}')


def _levels(at: str | None, lowest: float, highest: float, step: float) -> list[float]:
    """The levels to try, dB."""
    if at is not None:
        found = []
        for word in at.split(","):
            try:
                level = float(word.strip())
            except ValueError:
                level = math.nan
            if math.isnan(level) or level > LOUDEST_DB:
                raise click.BadParameter(f'"{word.strip()}" is not a level; use numbers up to {LOUDEST_DB:g} with '
                                         "commas between them, -inf for off", param_hint="--at")
            found.append(level + 0.0)
        if len(found) > MOST_LEVELS:
            raise click.BadParameter(f"{len(found)} levels; at most {MOST_LEVELS}", param_hint="--at")
        return found
    if not (math.isfinite(lowest) and math.isfinite(highest) and lowest <= highest <= LOUDEST_DB):
        raise click.BadParameter(f"from {lowest:g} to {highest:g} dB: the lower level comes first, the higher is at "
                                 f"most {LOUDEST_DB:g}; use --at for -inf", param_hint="--from")
    if not (math.isfinite(step) and step > 0):
        raise click.BadParameter(f"{step:g}: must be above 0", param_hint="--step")
    count = math.floor((highest - lowest) / step + 1e-9) + 1
    if count > MOST_LEVELS:
        raise click.BadParameter(f"{count} levels; at most {MOST_LEVELS}", param_hint="--step")
    return [round(lowest + n * step, 9) + 0.0 for n in range(count)]


def _refuse_options(tried: list[float], *, at: str | None, under: float | None, write: bool,
                    places: tuple[str, ...], picture: Path | None) -> None:
    """Refuse combinations of options that make no sense."""
    if under is not None and not -100 <= under <= 100:
        raise click.BadParameter(f"{under:g}: must be inside -100 and 100", param_hint="--under")
    if places and not write:
        raise click.BadParameter("needs --write", param_hint="--for")
    if write and under is None and (at is None or len(tried) != 1):
        raise click.BadParameter("needs --under, or --at with one level", param_hint="--write")
    if write and under is not None and at is not None:
        raise click.BadParameter("--under and --at both name a level to write; use one", param_hint="--write")
    if picture is not None and picture.suffix.casefold() not in (".png", ".svg"):
        raise click.BadParameter(f'"{picture.name}" must end in .png or .svg', param_hint="--picture")


def _accept(terminal: Terminal, recipe: Path, given: str, *, ask: bool) -> int:
    """Show an artist's answer and write it."""
    from layerpipe.jobs.level_choice import change_of_answer
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    answer, change = change_of_answer(file, given)
    say_answer(terminal, answer)
    changed = terminal.show_and_write(change, ask=ask)
    agreed = changed or change.is_empty
    terminal.document({"recipe": file.path, "changed": changed, "comments": answer.comments,
                       "comparisons": answer.comparisons, "accepted": [asdict(chosen) for chosen in answer.levels]})
    return FINE if agreed else FAULTY

"""`layerpipe levels`: what each level of a layer does, and the level for a wanted difference, into the recipe."""

from __future__ import annotations

import math
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layerpipe.cli.answers import say_answer
from layerpipe.cli.songs import (
    ClusterOption,
    JobsOption,
    SongResult,
    SongsArgument,
    answer_songs,
    beside,
    is_several,
)
from layerpipe.cli.terminal import FAULTY, FINE, JsonOption, QuietOption, Terminal, answers, shown

if TYPE_CHECKING:
    from layerpipe.jobs.level_choice import Skipped
    from layerpipe.outputs.levels import LevelRow, LevelStudy
    from layerpipe.recipe.reader import RecipeFile

MOST_LEVELS = 1000
LOUDEST_DB = 60.0
_HEADINGS = ("dB", "LUFS", "added loudness, LU", "relative to {reference}, LU", "short-term max. LUFS", "dBTP",
             "mono loss, LU", "above 4 kHz, dB", "change v. off, dB", "audible bands", "audible time, %")


@answers
def levels(
    recipes: SongsArgument,
    layer: Annotated[str | None, typer.Option("--layer", metavar="NAME", show_default=False, help=(
        "The layer whose level is tried; the second if there are two."))] = None,
    against: Annotated[str | None, typer.Option("--against", metavar="NAME", show_default=False, help=(
        "Measure the layer against this layer instead of everything else."))] = None,
    section: Annotated[list[str] | None, typer.Option("--section", metavar="NAME", help=(
        'Only this section ("whole song" is one); may be given again.'))] = None,
    lowest: Annotated[float, typer.Option("--from", metavar="DB", help="Lowest level in dB.")] = -24.0,
    highest: Annotated[float, typer.Option("--to", metavar="DB", help="Highest level in dB.")] = 0.0,
    step: Annotated[float, typer.Option("--step", metavar="DB", help="Step between levels in dB.")] = 1.5,
    at: Annotated[str | None, typer.Option("--at", metavar="DB,DB...", show_default=False, help=(
        "Only these levels: -12,-9,-6; -inf is off."))] = None,
    under: Annotated[float | None, typer.Option("--under", metavar="LU", show_default=False, help=(
        "Find the level at which the layer sits this many LU under the rest (or under --against)."))] = None,
    write: Annotated[bool, typer.Option("--write", help=(
        "Show the change and write it into the recipe: what --under found for each section, or the one level of --at "
        "as the layer's own."))] = False,
    places: Annotated[list[str] | None, typer.Option("--for", metavar="NAME", help=(
        "Write for this section, whatever its level is now; may be given again."))] = None,
    picture: Annotated[Path | None, typer.Option("--picture", metavar="FILE", show_default=False, help=(
        "Draw the curves into this file, .png or .svg."))] = None,
    accept: Annotated[str | None, typer.Option("--accept", metavar="FILE-or-TEXT", help=(
        "Show an artist's answer (the text, or the saved file), ask, and write it. Nothing is measured."),
        show_default=False)] = None,
    yes: Annotated[bool, typer.Option("--yes", help="With --accept: write without asking.")] = False,
    album: Annotated[bool, typer.Option("--album", help=(
        "Compare songs at their recipes' levels: the layer's distance, loudness, tempo and tuning."))] = False,
    jobs: JobsOption = 1,
    cluster: ClusterOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Measure what each level of a layer does to the blend.

    Loudness, peaks, mono loss, brightness, and how audible the layer is. In each row the layer is at that level
    throughout the section, the others at the recipe's levels; the bed is not included. "Audible bands": in how many
    of the ear's bands (ERB, Glasberg and Moore 1990) the layer is above what the rest masks for at least 5 % of the
    time; "audible time": how much of the time it is in any of them. A simple model that ranks levels well and does
    not replace listening.

    --write changes the sections named with --for, else those of --section, else all of them (--under) or the layer's
    own level (--at). Unless --for names them, sections in which the layer is off or has its own level are unchanged.
    """
    terminal = Terminal(as_json=as_json, quiet=quiet)
    if accept is not None:
        if is_several(recipes):
            raise typer.BadParameter("an answer belongs to one recipe; give that", param_hint="--accept")
        return _accept(terminal, recipes[0], accept, ask=not yes)
    if album:
        from layerpipe.cli.album import answer_album

        _refuse_options([], at=None, under=under, write=write, places=places, picture=picture)
        return answer_album(terminal, recipes, layer=layer, against=against, picture=picture, jobs=jobs,
                            cluster=cluster)
    tried = _levels(at, lowest, highest, step)
    _refuse_options(tried, at=at, under=under, write=write, places=places, picture=picture)
    return answer_songs(terminal, recipes, partial(
        _study, tried=tried, layer=layer, against=against, sections=section or [], under=under, write=write,
        places=places or [], picture=picture, several=is_several(recipes)), jobs=jobs, cluster=cluster,
        outputs=[] if picture is None else [picture.parent])


def _study(terminal: Terminal, recipe: Path, *, tried: list[float], layer: str | None, against: str | None,
           sections: list[str], under: float | None, write: bool, places: list[str], picture: Path | None,
           several: bool) -> SongResult:
    """One song."""
    from layerpipe.jobs.levels import study_levels
    from layerpipe.jobs.output_places import refuse_sources, sources_of
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
        found = study_levels(file, tried, layer=layer, against=against, sections=measured, under_lu=under,
                             on_progress=on_progress)
    _say(terminal, found, file)
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
    return SongResult(document, "measured", note=f'"{found.layer}" relative to {_reference_words(found)}')


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
                raise typer.BadParameter(f'"{word.strip()}" is not a level; use numbers up to {LOUDEST_DB:g} with '
                                         "commas between them, -inf for off", param_hint="--at")
            found.append(level + 0.0)
        if len(found) > MOST_LEVELS:
            raise typer.BadParameter(f"{len(found)} levels; at most {MOST_LEVELS}", param_hint="--at")
        return found
    if not (math.isfinite(lowest) and math.isfinite(highest) and lowest <= highest <= LOUDEST_DB):
        raise typer.BadParameter(f"from {lowest:g} to {highest:g} dB: the lower level comes first, the higher is at "
                                 f"most {LOUDEST_DB:g}; use --at for -inf", param_hint="--from")
    if not (math.isfinite(step) and step > 0):
        raise typer.BadParameter(f"{step:g}: must be above 0", param_hint="--step")
    count = math.floor((highest - lowest) / step + 1e-9) + 1
    if count > MOST_LEVELS:
        raise typer.BadParameter(f"{count} levels; at most {MOST_LEVELS}", param_hint="--step")
    return [round(lowest + n * step, 9) + 0.0 for n in range(count)]


def _refuse_options(tried: list[float], *, at: str | None, under: float | None, write: bool,
                    places: list[str] | None, picture: Path | None) -> None:
    """Refuse combinations of options that make no sense."""
    if under is not None and not -100 <= under <= 100:
        raise typer.BadParameter(f"{under:g}: must be inside -100 and 100", param_hint="--under")
    if places and not write:
        raise typer.BadParameter("needs --write", param_hint="--for")
    if write and under is None and (at is None or len(tried) != 1):
        raise typer.BadParameter("needs --under, or --at with one level", param_hint="--write")
    if write and under is not None and at is not None:
        raise typer.BadParameter("--under and --at both name a level to write; use one", param_hint="--write")
    if picture is not None and picture.suffix.casefold() not in (".png", ".svg"):
        raise typer.BadParameter(f'"{picture.name}" must end in .png or .svg', param_hint="--picture")


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


def _say(terminal: Terminal, found: LevelStudy, file: RecipeFile) -> None:
    """The table, for a person."""
    if terminal.as_json or terminal.quiet:
        return
    sections = list(dict.fromkeys(row.section for row in found.rows))
    for name in sections:
        rows = [row for row in found.rows if row.section == name]
        reference = _reference_words(found)
        terminal.say(f'{name}, "{found.layer}" relative to {reference}', *_table(found, rows))
        terminal.say(f"{_audible_words(found, name)}{_recipe_words(file, found.layer, name)}")
        for one in found.solved:
            if one.section == name and one.level_db is not None:
                terminal.say(f"{one.under_lu:g} LU under {reference} at {one.level_db:.2f} dB")
            elif one.section == name:
                terminal.say(f"{one.under_lu:g} LU under {reference}: at no level; one of the two is silent there, or "
                             "the section is too short to measure")
        terminal.say("")


def _table(found: LevelStudy, rows: list[LevelRow]) -> list[str]:
    """Lines of right-justified columns; a table library would cost more time than all the measuring."""
    without = found.brightness_without_db[rows[0].section]
    cells = [[*_HEADINGS]]
    for row in rows:
        brighter = None
        if row.brightness_db is not None and without is not None and math.isfinite(without):
            brighter = row.brightness_db - without
        figures = (row.lufs, row.added_lu, row.relative_lu, row.short_term_max_lufs, row.true_peak_dbtp,
                   row.mono_loss_lu, row.brightness_db, brighter)
        cells.append([
            shown(row.level_db), *(_hundredths(figure) for figure in figures),
            "--" if row.audible_bands is None else f"{row.audible_bands} of {found.bands}",
            "--" if row.audible_share is None else f"{100 * row.audible_share:.0f}",
        ])
    headings = [heading.format(reference="rest" if found.reference is None else found.reference)
                for heading in _HEADINGS]
    heads = [heading.rsplit(" ", 1) if " " in heading else ["", heading] for heading in headings]
    cells[0:1] = [[head[0] for head in heads], [head[1] for head in heads]]
    widths = [max(len(line[n]) for line in cells) for n in range(len(_HEADINGS))]
    return ["  ".join(cell.rjust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in cells]


def _hundredths(figure: float | None) -> str:
    """A figure of the table; what rounds to zero has no sign."""
    return shown(None if figure is None else round(figure, 2) + 0.0, 2)


def _reference_words(found: LevelStudy) -> str:
    """What the layer is measured against."""
    return "the rest" if found.reference is None else f'"{found.reference}"'


def _audible_words(found: LevelStudy, name: str) -> str:
    """From which level on the layer is audible."""
    lowest = found.audible_from_db[name]
    return "inaudible here" if lowest is None else f"audible from {lowest:.1f} dB"


def _recipe_words(file: RecipeFile, layer: str, name: str) -> str:
    """The layer's level in the recipe; nothing for the whole song, where it may differ by section."""
    section = next((known for known in file.recipe.section if known.name == name), None)
    if section is None and file.recipe.section:
        return ""
    noun = next(known for known in file.recipe.layer if known.name == layer)
    return f"; the recipe has it at {shown(file.recipe.level_db(noun, section))} dB"

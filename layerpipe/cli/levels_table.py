"""The tables of `layerpipe levels`: by default the recipe's level and five around it in each section."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from layerpipe.cli.terminal import shown

if TYPE_CHECKING:
    from layerpipe.cli.terminal import Terminal
    from layerpipe.outputs.levels import LevelRow, LevelStudy
    from layerpipe.recipe.reader import RecipeFile

AROUND = 5
"""Levels printed beside the recipe's own."""
_HEADINGS = ("dB", "LUFS", "added loudness, LU", "relative to {reference}, LU", "short-term max. LUFS", "dBTP",
             "mono loss, LU", "above 4 kHz, dB", "change v. off, dB", "audible bands", "audible time, %")


def recipe_level_db(file: RecipeFile, layer: str, part: str) -> float | None:
    """The layer's level by the recipe in a section or the whole song; None where it changes within that."""
    recipe = file.recipe
    known = next(one for one in recipe.layer if one.name == layer)
    for section in recipe.section:
        if section.name == part:
            return recipe.level_db(known, section)
    levels = {known.level_db, *(recipe.level_db(known, section) for section in recipe.section)}
    return known.level_db if len(levels) == 1 else None


def recipe_levels_db(file: RecipeFile, layer: str) -> list[float]:
    """Every level of a layer in the recipe, the lowest first."""
    known = next(one for one in file.recipe.layer if one.name == layer)
    return sorted({known.level_db, *(file.recipe.level_db(known, section) for section in file.recipe.section)})


def say_levels(terminal: Terminal, found: LevelStudy, file: RecipeFile, *, every: bool) -> None:
    """Print the tables for a person.

    Parameters
    ----------
    terminal : Terminal
    found : LevelStudy
    file : RecipeFile
    every : bool
        Print all rows; otherwise those around the recipe's level.
    """
    if not terminal.talks:
        return
    omitted = 0
    for name in dict.fromkeys(row.section for row in found.rows):
        measured = [row for row in found.rows if row.section == name]
        rows = measured if every else _around(found, measured, file)
        omitted = max(omitted, len(measured) - len(rows))
        reference = reference_words(found)
        terminal.say(f'{name}, "{found.layer}" relative to {reference}',
                     *_table(found, rows, recipe_level_db(file, found.layer, name)))
        terminal.say(f"{_audible_words(found, name)}{_recipe_words(file, found.layer, name)}")
        for one in found.solved:
            if one.section == name and one.level_db is not None:
                terminal.say(f"{one.under_lu:g} LU under {reference} at {one.level_db:.2f} dB")
            elif one.section == name:
                terminal.say(f"{one.under_lu:g} LU under {reference}: at no level; one of the two is silent there, or "
                             "the section is too short to measure")
        terminal.say("")
    if omitted:
        terminal.say(f"{omitted} more levels of each section were measured: --all prints them, --picture draws them")


def _around(found: LevelStudy, rows: Sequence[LevelRow], file: RecipeFile) -> list[LevelRow]:
    """The row at the recipe's level and the five nearest to it.

    Around a layer that is off: those nearest to the layer's level elsewhere, or, if it is off throughout, to where it
    becomes audible.
    """
    section = rows[0].section
    own = next(one for one in file.recipe.layer if one.name == found.layer).level_db
    level = recipe_level_db(file, found.layer, section)
    level = own if level is None else level
    audible_db = found.audible_from_db[section]
    middle = next((one for one in (level, own, audible_db) if one is not None and one > -math.inf), 0.0)
    # Of two levels as far from it, the lower comes first.
    others = sorted((row for row in rows if row.level_db != level and row.level_db > -math.inf),
                    key=lambda row: (round(abs(row.level_db - middle), 6), row.level_db))
    kept = {level, *(row.level_db for row in others[:AROUND])}
    return [row for row in rows if row.level_db in kept]


def _table(found: LevelStudy, rows: Sequence[LevelRow], recipe_db: float | None) -> list[str]:
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
    lines = ["  ".join(cell.rjust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in cells]
    marks = ["", "", *("  recipe" if row.level_db == recipe_db else "" for row in rows)]
    return [line + mark for line, mark in zip(lines, marks, strict=True)]


def _hundredths(figure: float | None) -> str:
    """A figure of the table; what rounds to zero has no sign."""
    return shown(None if figure is None else round(figure, 2) + 0.0, 2)


def reference_words(found: LevelStudy) -> str:
    """What the layer is measured against."""
    return "the rest" if found.reference is None else f'"{found.reference}"'


def _audible_words(found: LevelStudy, name: str) -> str:
    """From which level on the layer is audible."""
    lowest = found.audible_from_db[name]
    return "inaudible here" if lowest is None else f"audible from {lowest:.1f} dB"


def _recipe_words(file: RecipeFile, layer: str, name: str) -> str:
    """The layer's level in the recipe; nothing where it changes within the song."""
    level = recipe_level_db(file, layer, name)
    if level is None:
        return ""
    return "; off in the recipe" if level == -math.inf else f"; the recipe has it at {shown(level)} dB"

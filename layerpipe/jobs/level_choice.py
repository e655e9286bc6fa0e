"""How a chosen level gets into the recipe: which places a choice is written to, and what an artist's answer asks for.

Nothing is written here: what comes back is a `recipe_change.Change`, to be shown first.
"""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.units import SILENCE_DB
from layerpipe.outputs.artist_page.answer import Answer, read_answer, same_name
from layerpipe.outputs.levels.study import LevelStudy
from layerpipe.recipe.change import Change
from layerpipe.recipe.edits import set_level
from layerpipe.recipe.reader import RecipeFile

WHOLE_SONG = "whole song"
_PLACES = 2
"""Levels are written to a hundredth of a dB: ten times finer than anyone hears."""


def sections_to_write(file: RecipeFile, wanted: Sequence[str], measured: Sequence[str], *,
                      by_section: bool) -> list[str | None]:
    """Where a chosen level goes: names of sections, or None for the layer's own level.

    Parameters
    ----------
    file : RecipeFile
    wanted : sequence of str
        Names given with --for; "whole song" is the layer's own level.
    measured : sequence of str
        Names given with --section, which count where --for names none.
    by_section : bool
        Whether every section has a level of its own to be written (it was solved for each); else one level is for the
        layer.

    Raises
    ------
    RecipeError
        If a name is no section.
    """
    known = [section.name for section in file.recipe.section]
    named = list(dict.fromkeys(wanted or measured))
    if not named:
        return [*known] if by_section and known else [None]
    faults = []
    for name in named:
        if name != WHOLE_SONG and name not in known:
            near = get_close_matches(name, known, 1)
            hint = f'; did you mean "{near[0]}"?' if near else (
                f"; there are {', '.join(_quoted(known))}" if known else "; the recipe has no sections")
            faults.append(Fault(file.path, "--for", f'no section "{name}"{hint}'))
    if faults:
        raise RecipeError(faults)
    return [None if name == WHOLE_SONG else name for name in named]


def change_of_study(file: RecipeFile, found: LevelStudy, places: Sequence[str | None],
                    level_db: float | None) -> Change:
    """The recipe with one level (or, where `level_db` is None, the solved ones) at some places.

    Raises
    ------
    RecipeError
        If no level was found for a place, or it cannot stand in a recipe.
    """
    solved = {one.section: one.level_db for one in found.solved}
    change: Path | Change = file.path
    for place in places:
        level = solved.get(place or WHOLE_SONG) if level_db is None else level_db
        if level is None:
            raise RecipeError([Fault(file.path, "--write", f'"{found.layer}" or the rest is silent in '
                                     f'{place or WHOLE_SONG}, or it is too short to measure; no level to write')])
        change = set_level(change, found.layer, round(level, _PLACES), place)
    assert isinstance(change, Change)
    return change


def with_own_levels(file: RecipeFile, layer: str) -> list[str]:
    """Sections whose level of a layer does not follow the layer's own."""
    return [section.name for section in file.recipe.section if layer in section.levels_db]


def change_of_answer(file: RecipeFile, given: str) -> tuple[Answer, Change]:
    """What an artist's answer, a file's name or the text itself, makes of the recipe.

    Raises
    ------
    LayerpipeError
        If it cannot be read, or names sections or layers that the recipe does not have.
    """
    answer = read_answer(_text_of(file, given))
    sections = [section.name for section in file.recipe.section]
    layers = [layer.name for layer in file.recipe.layer]
    change: Path | Change = file.path
    faults = []
    for chosen in answer.levels:
        section = next((name for name in sections if same_name(name, chosen.section)), None)
        layer = next((name for name in layers if same_name(name, chosen.layer)), None)
        if section is None and not same_name(chosen.section, WHOLE_SONG):
            faults.append(Fault(file.path, "--accept", f'the answer is about a section "{chosen.section}"; there are '
                                f"{', '.join(_quoted(sections)) or 'none'}"))
        elif layer is None:
            faults.append(Fault(file.path, "--accept", f'the answer is about a layer "{chosen.layer}"; there are '
                                f"{', '.join(_quoted(layers))}"))
        else:
            level = chosen.level_db if chosen.level_db == SILENCE_DB else round(chosen.level_db, _PLACES)
            change = set_level(change, layer, level, section)
    if faults:
        raise RecipeError(faults)
    assert isinstance(change, Change)
    return answer, change


def _text_of(file: RecipeFile, given: str) -> str:
    """The text of a file of that name, or what was given."""
    path = Path(given)
    try:
        is_file = path.is_file()
    except (OSError, ValueError):
        is_file = False
    if is_file:
        with path.open("rb") as opened:
            return opened.read(1 << 20).decode("utf-8-sig", "replace")
    if "\n" not in given and path.suffix.casefold() in (".toml", ".txt"):
        raise RecipeError([Fault(file.path, "--accept", f'there is no file "{given}"')])
    return given


def _quoted(names: Sequence[str]) -> list[str]:
    return [f'"{name}"' for name in names]

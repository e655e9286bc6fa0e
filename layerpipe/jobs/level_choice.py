"""How a chosen level gets into the recipe: where a choice is written, and what an artist's answer asks for.

Nothing is written here: the result is a `Change`, to be shown first.
"""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.units import SILENCE_DB
from layerpipe.jobs.page import page_id_of
from layerpipe.outputs.artist_page.answer import MOST_CHARACTERS, Answer, ChosenLevel, same_name
from layerpipe.outputs.artist_page.answer_reader import read_answer
from layerpipe.outputs.artist_page.model import slider_range_db
from layerpipe.outputs.artist_page.page_id import reference_layer
from layerpipe.outputs.levels.study import LevelStudy
from layerpipe.recipe.change import Change
from layerpipe.recipe.edits import set_level
from layerpipe.recipe.model import Layer, Section
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache

WHOLE_SONG = "whole song"
_PLACES = 2
"""Levels are written to a hundredth of a dB, finer than anyone hears."""


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


def change_of_answer(file: RecipeFile, given: str, cache: TakeCache | None = None) -> tuple[Answer, Change]:
    """The recipe as an artist's answer asks for it.

    Parameters
    ----------
    file : RecipeFile
    given : str
        Name of a file, or the text itself.
    cache : TakeCache, optional
        Knows the checksums of the takes.

    Raises
    ------
    LayerpipeError
        If it cannot be read, belongs to another song or to an older state of this one, or asks for something the page
        does not offer.
    """
    answer = read_answer(_text_of(file, given))
    title = file.recipe.song.title
    if not same_name(answer.title, title):
        raise _refusal(file, f'the answer is about the song "{answer.title}", this recipe is "{title}"')
    if answer.page_id != page_id_of(file.recipe, cache or TakeCache()):
        raise _refusal(file, "takes, chains, bars or the reference layer have changed since the page was made; send a "
                             "new page")
    change = Change(file.path, file.text, file)
    faults = []
    for chosen in answer.levels:
        section, layer, problem = _find_place(file, chosen)
        if problem is None and layer is not None:
            problem = _level_problem(file, layer, section, chosen)
        if problem is not None or layer is None:
            faults.append(Fault(file.path, "--accept", str(problem)))
        else:
            level_db = _rounded(chosen.level_db)
            if _rounded(file.recipe.level_db(layer, section)) != level_db:
                change = set_level(change, layer.name, level_db, section.name if section else None)
    if faults:
        raise RecipeError(faults)
    return answer, change


def _find_place(file: RecipeFile, chosen: ChosenLevel) -> tuple[Section | None, Layer | None, str | None]:
    """The section (None for the whole song) and layer of a choice, or the problem with them."""
    recipe = file.recipe
    section = next((known for known in recipe.section if same_name(known.name, chosen.section)), None)
    layer = next((known for known in recipe.layer if same_name(known.name, chosen.layer)), None)
    if section is None and not same_name(chosen.section, WHOLE_SONG):
        names = ", ".join(_quoted([known.name for known in recipe.section])) or "none"
        return None, None, f'the answer is about a section "{chosen.section}"; there are {names}'
    if layer is None:
        names = ", ".join(_quoted([known.name for known in recipe.layer]))
        return None, None, f'the answer is about a layer "{chosen.layer}"; there are {names}'
    return section, layer, None


def _level_problem(file: RecipeFile, layer: Layer, section: Section | None, chosen: ChosenLevel) -> str | None:
    """Why a level cannot have come from the page of this recipe; None if it can."""
    recipe = file.recipe
    if layer is reference_layer(recipe):
        return f'layer "{layer.name}" is the reference and has no slider'
    used = [recipe.level_db(layer, known) for known in (*recipe.section, None)]
    used += [setting.levels_db[layer.name] for setting in recipe.page.setting if layer.name in setting.levels_db]
    low_db, high_db = slider_range_db(recipe.page.range_db, recipe.page.step_db, used)
    if chosen.level_db != SILENCE_DB and not low_db <= chosen.level_db <= high_db:
        return (f'{chosen.level_db:g} dB for "{layer.name}" in {chosen.section} is outside the slider, {low_db:g} to '
                f"{high_db:g} dB")
    now_db = _rounded(recipe.level_db(layer, section))
    if now_db not in (_rounded(chosen.was_db), _rounded(chosen.level_db)):
        return (f'"{layer.name}" in {chosen.section} was at {chosen.was_db:g} dB in the page and is at {now_db:g} dB '
                "now; send a new page")
    return None


def _rounded(level_db: float) -> float:
    """To what answers are written with; -inf stays."""
    return round(level_db, _PLACES) if level_db != SILENCE_DB else level_db


def _refusal(file: RecipeFile, problem: str) -> RecipeError:
    return RecipeError([Fault(file.path, "--accept", problem)])


def _text_of(file: RecipeFile, given: str) -> str:
    """The text of a file of that name, or the given text itself."""
    path = Path(given)
    try:
        is_file = path.is_file()
    except (OSError, ValueError):
        is_file = False
    if is_file:
        with path.open("rb") as opened:
            return opened.read(4 * MOST_CHARACTERS + 4).decode("utf-8-sig", "replace")
    if "\n" not in given and path.suffix.casefold() in (".toml", ".txt"):
        raise RecipeError([Fault(file.path, "--accept", f'there is no file "{given}"')])
    return given


def _quoted(names: Sequence[str]) -> list[str]:
    return [f'"{name}"' for name in names]

"""How a chosen level gets into the recipe: where a choice is written, and what an artist's answer asks for.

Nothing is written here: the result is a `Change`, to be shown first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.units import SILENCE_DB
from layerpipe.jobs.page import page_id_of
from layerpipe.outputs.artist_page.answers.answer import MOST_CHARACTERS, Answer, ChosenLevel, same_name
from layerpipe.outputs.artist_page.answers.reader import read_answer
from layerpipe.outputs.artist_page.model import slider_range_db
from layerpipe.outputs.artist_page.page_id import reference_layer
from layerpipe.outputs.levels.study import LevelStudy, layer_to_try
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.edit.moves_and_levels import set_level
from layerpipe.recipe.model.recipe import Layer, Section
from layerpipe.recipe.names import WHOLE_SONG
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache

LEVEL_PLACES = 2
"""Levels are written to a hundredth of a dB, finer than anyone hears."""


@dataclass(frozen=True)
class Skipped:
    """A section that keeps its level, and why."""

    section: str
    why: str


@dataclass(frozen=True)
class Places:
    """Where a level is written (sections, or None for the layer's own level), and the sections left as they are."""

    written: tuple[str | None, ...]
    skipped: tuple[Skipped, ...] = ()
    are_named: bool = False
    """Whether --for names them: then a level that cannot be found is an error."""


def places_to_write(file: RecipeFile, layer: str | None, named: Sequence[str], measured: Sequence[str], *,
                    by_section: bool) -> Places:
    """Where a chosen level of a layer goes.

    Parameters
    ----------
    file : RecipeFile
    layer : str, optional
        As given with --layer.
    named : sequence of str
        Names given with --for; "whole song" is the layer's own level. They are written whatever stands there.
    measured : sequence of str
        Names given with --section, which count where --for names none.
    by_section : bool
        Whether each section gets a level of its own (one was found for each); else one level is for the layer.

    Returns
    -------
    Places
        Without the sections in which the layer is off or has its own level, unless --for names them.

    Raises
    ------
    RecipeError
        If there is no section of a name.
    """
    sections = {section.name: section for section in file.recipe.section}
    candidates = list(dict.fromkeys(named or measured)) or ([*sections] if by_section and sections else [WHOLE_SONG])
    faults = [_unknown(file, name, [*sections]) for name in candidates if name != WHOLE_SONG and name not in sections]
    if faults:
        raise RecipeError(faults)
    tried = next(one for one in file.recipe.layer if one.name == layer_to_try(file, layer))
    written: list[str | None] = []
    skipped = []
    for name in candidates:
        section = sections.get(name)
        if section is not None and not named and file.recipe.level_db(tried, section) == SILENCE_DB:
            skipped.append(Skipped(name, f"{tried.name} is off there"))
        elif section is not None and not named and tried.name in section.levels_db:
            skipped.append(Skipped(name, f"has its own level of {tried.name}"))
        else:
            written.append(None if section is None else name)
    if None in written and not by_section:
        skipped += [Skipped(name, f"has its own level of {tried.name}") for name, section in sections.items()
                    if tried.name in section.levels_db and name not in candidates]
    return Places(tuple(written), tuple(skipped), bool(named))


def change_of_study(file: RecipeFile, found: LevelStudy, places: Places,
                    level_db: float | None) -> tuple[Change | None, tuple[Skipped, ...]]:
    """The recipe with one level (or, where `level_db` is None, those that were found) at some places.

    Returns
    -------
    Change or None
        None if no place is left.
    tuple of Skipped
        All sections that keep their level.

    Raises
    ------
    RecipeError
        If no level was found for any place or for one that --for names, or it is not allowed in a recipe.
    """
    solved = {one.section: one.level_db for one in found.solved}
    change: Change | None = None
    missing = []
    for place in places.written:
        level = solved.get(place or WHOLE_SONG) if level_db is None else level_db
        if level is None:
            missing.append(Skipped(place or WHOLE_SONG, "too short to measure, or one of the two is silent there"))
            continue
        change = set_level(change or file.path, found.layer, round(level, LEVEL_PLACES), place)
    if missing and (places.are_named or change is None):
        raise RecipeError([Fault(file.path, "--write", f"no level to write for {one.section}: {one.why}")
                           for one in missing])
    return change, (*places.skipped, *missing)


def _unknown(file: RecipeFile, name: str, known: Sequence[str]) -> Fault:
    """The fault of a name that no section has."""
    near = get_close_matches(name, known, 1)
    hint = f'; did you mean "{near[0]}"?' if near else (
        f"; there are {', '.join(_quoted(known))}" if known else "; the recipe has no sections")
    return Fault(file.path, "--for", f'no section "{name}"{hint}')


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
    return answer, change_for(file, answer, cache)


def change_for(file: RecipeFile, answer: Answer, cache: TakeCache | None = None) -> Change:
    """`change_of_answer` for an answer that was read already."""
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
    return change


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
    return round(level_db, LEVEL_PLACES) if level_db != SILENCE_DB else level_db


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

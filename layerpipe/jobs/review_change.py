"""From accepted findings to a change of the recipe, and back to the bytes before it.

What was accepted is written as the commands write it: shifts and moves as `timing --write`, passes as `choose --write`,
microphones as `check --write`, levels as `levels --write`. Before a change is written the earlier text goes into
`song.review-undo.json` beside the recipe, so that undoing restores it exactly.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from layerpipe.analysis.timing.proposals import Proposal
from layerpipe.core.errors import OutputError
from layerpipe.core.files.atomic import write_whole
from layerpipe.core.files.regular import read_regular
from layerpipe.core.toml_bounds import BOUNDS
from layerpipe.jobs.timing import PlannedEdits, write_edits
from layerpipe.outputs.review.finding import (
    HighPassEdit,
    LevelEdit,
    MicEdit,
    MoveEdit,
    PassesEdit,
    ReviewFinding,
    ShiftEdit,
)
from layerpipe.recipe.chain_edits import add_high_pass
from layerpipe.recipe.change import Change
from layerpipe.recipe.comp_edits import NewPart, set_comp
from layerpipe.recipe.edits import set_level, set_shift
from layerpipe.recipe.model import Recipe
from layerpipe.recipe.reader import RecipeFile, parse_recipe, read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.takes import OpenTake, open_all

_FORMAT = "layerpipe review undo 1"
_MOST_STEPS = 20
_MOST_BYTES = 6 * _MOST_STEPS * BOUNDS.bytes
"""JSON writes a character with six at most."""


def change_of_findings(file: RecipeFile, findings: Sequence[ReviewFinding], cache: TakeCache) -> Change:
    """The recipe with what some findings propose.

    Microphones come first: the fingerprint of a move is that of the take as it will be played.

    Raises
    ------
    RecipeError, AudioError, OutputError
        If the recipe cannot be changed so.
    """
    def open_takes(recipe: Recipe) -> Sequence[OpenTake]:
        return open_all(recipe, digest_of=cache.notes.digest_of)

    edits = [one.edit for one in findings]
    change = Change(file.path, file.text, file)
    for edit in edits:
        if isinstance(edit, MicEdit):
            change = set_shift(change, edit.at, shift_ms=edit.shift_ms, invert_polarity=edit.invert_polarity)
    change = write_edits(change, _planned(file.recipe, edits), open_takes) or change
    for edit in edits:
        if isinstance(edit, HighPassEdit):
            change = add_high_pass(change, edit.at, edit.hz)
        elif isinstance(edit, PassesEdit):
            for take, play, parts in edit.plays:
                change = set_comp(change, edit.layer, take, play, [NewPart(*part) for part in parts])
        elif isinstance(edit, LevelEdit):
            change = set_level(change, edit.layer, edit.level_db, edit.section)
    return change


def _planned(recipe: Recipe, edits: Sequence[object]) -> list[PlannedEdits]:
    """Shifts and moves by take, in the recipe's order; moves in order of time."""
    planned = []
    for layer in recipe.layer:
        for take in layer.take:
            mine = [edit for edit in edits if isinstance(edit, ShiftEdit | MoveEdit)
                    and (edit.layer, edit.take) == (layer.name, take.name)]
            shift = next((edit for edit in mine if isinstance(edit, ShiftEdit)), None)
            moves = sorted((Proposal(edit.from_s, edit.to_s, edit.by_ms, (), edit.why, edit.crossfade_ms)
                            for edit in mine if isinstance(edit, MoveEdit)), key=lambda move: move.from_s)
            if mine:
                planned.append(PlannedEdits(layer.name, take.name, shift.by_ms if shift else 0.0,
                                            shift.why if shift else "", tuple(moves)))
    return planned


def undo_path(recipe: Path) -> Path:
    """Where the texts before accepted changes are kept."""
    return recipe.with_name(f"{recipe.stem}.review-undo.json")


def write_undoably(change: Change, write: Callable[[Change], bool]) -> bool:
    """Write a change so that it can be undone.

    Parameters
    ----------
    change : Change
    write : function of the change
        Writes it and says whether it did: it may ask first.

    Returns
    -------
    bool
        Whether it was written.
    """
    if change.is_empty:
        return write(change)
    path = undo_path(change.path)
    before = _written_steps(path, change.before)
    step = {"written": _checksum(change.after.text), "before": change.before}
    _write_steps(path, [*before, step][-_MOST_STEPS:])
    written = False
    try:
        written = write(change)
    finally:
        if not written:
            _write_steps(path, before)
    return written


def change_of_undo(recipe: Path) -> Change | None:
    """The recipe as it was before the last accepted change; None if there is none.

    Raises
    ------
    OutputError
        If the recipe was changed since.
    """
    path = undo_path(recipe)
    file = read_recipe(recipe)
    steps = _written_steps(path, file.text)
    if not steps:
        return None
    if _checksum(file.text) != steps[-1]["written"]:
        raise OutputError(f"{recipe}: has changed since review wrote it, and was left as it is; the text before is in "
                          f"{path}", "layerpipe timing --undo and choose --undo remove the edits of theirs alone")
    return Change(file.path, file.text, parse_recipe(file.path, steps[-1]["before"]))


def forget_undone(recipe: Path) -> None:
    """Forget the last accepted change, which was undone."""
    path = undo_path(recipe)
    _write_steps(path, _written_steps(path, read_recipe(recipe).text))


def _written_steps(path: Path, text: str) -> list[dict[str, str]]:
    """The kept texts up to the one from which the recipe's present text was made.

    A run that is killed may have kept a text and not yet changed the recipe, or changed it back and not yet forgotten,
    several times in a row. All steps if the text is in none of them.
    """
    steps = _read_steps(path)
    for number in range(len(steps), 0, -1):
        if steps[number - 1]["written"] == _checksum(text):
            return steps[:number]
        if steps[number - 1]["before"] == text:
            return steps[: number - 1]
    return steps


def _checksum(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _read_steps(path: Path) -> list[dict[str, str]]:
    """The kept texts, the last one last."""
    try:
        content: Any = json.loads(read_regular(path, _MOST_BYTES))
    except FileNotFoundError:
        return []
    except OSError as refusal:
        raise OutputError(f"{path}: cannot be read: {refusal.strerror or refusal}") from refusal
    except (ValueError, RecursionError):
        content = None
    steps = content.get("steps") if isinstance(content, dict) and content.get("format") == _FORMAT else None
    if not isinstance(steps, list) or not all(
            isinstance(step, dict) and all(isinstance(step.get(key), str) for key in ("written", "before"))
            for step in steps):
        raise OutputError(f"{path}: is not what review keeps to undo a change, and is left as it is; give it another "
                          "name")
    return steps


def _write_steps(path: Path, steps: Sequence[dict[str, str]]) -> None:
    """Keep texts; without any there is no file."""
    try:
        if steps:
            write_whole(path, json.dumps({"format": _FORMAT, "steps": list(steps)}, indent=1).encode(), synced=True)
        else:
            path.unlink(missing_ok=True)
    except OSError as refusal:
        raise OutputError(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal

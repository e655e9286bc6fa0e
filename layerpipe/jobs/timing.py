"""Measure the timing of a recipe's takes, and turn proposed edits into a change of the recipe."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from layerpipe.analysis.timing.edits.proposals import Proposal
from layerpipe.analysis.timing.edits.song_edits import place_words
from layerpipe.analysis.timing.song_timing import SongTiming, measure_timing
from layerpipe.core.sound import OnProgress
from layerpipe.core.units import frames_of_s
from layerpipe.recipe.edit.change import Change, opened
from layerpipe.recipe.edit.moves_and_levels import NewMove, add_moves, marked_moves, remove_moves
from layerpipe.recipe.edit.shifts import marked_shifts, remove_shifts, write_shift
from layerpipe.recipe.model.recipe import DEFAULT_CROSSFADE_MS, Recipe
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.cache.heard import Heard
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import play_moves
from layerpipe.render.takes.attack import attack_text, refuse_changed_takes
from layerpipe.render.takes.open_takes import OpenTake, open_all


def time_song(file: RecipeFile, cache: TakeCache | None = None, *, after: bool = False,
              on_progress: OnProgress = lambda share: None) -> SongTiming:
    """Measure the timing of every take and find the moves worth making.

    Parameters
    ----------
    file : RecipeFile
    cache : TakeCache, optional
        Default: the user's.
    after : bool
        Analyse the takes with the recipe's moves applied.
    on_progress : function of a share
        Told how much of the work, of 1, has been done.

    Raises
    ------
    RecipeError
        If a move of the recipe was made for another sound than its take has now, or leaves its take.
    AudioError
        If a file cannot be used.
    """
    cache = cache or TakeCache()
    takes = open_all(file.recipe, digest_of=cache.notes.digest_of)
    refuse_changed_takes(file, TempoMap.of(file.recipe), [one.pass_sounds for one in takes])
    for one in takes:
        # Refuses, with take and recipe, a move that leaves its take.
        play_moves(file, one)
    ask = Heard(cache)
    found = measure_timing(file.recipe, takes, after=after, on_progress=on_progress, ask=ask)
    ask.tidy()
    return found


@dataclass(frozen=True)
class PlannedEdits:
    """The shift and the moves of one take that are to be written; moves count in the take before the shift."""

    layer: str
    take: str
    shift_ms: float = 0.0
    """Beside what the recipe has; 0 for none."""
    why: str = ""
    moves: tuple[Proposal, ...] = ()


def planned_edits(song: SongTiming) -> list[PlannedEdits]:
    """Everything that is proposed, one entry for each take of the recipe, in its order."""
    return [PlannedEdits(take.open.layer.name, take.open.take.name, take.edits.shift_ms,
                         f"{take.open.take.name}: {place_words(take.place)}" if take.edits.shift_ms else "", take.moves)
            for take in song.takes]


def change_of_edits(file: RecipeFile, song: SongTiming) -> Change | None:
    """The recipe with all proposed shifts and moves; None if there are none."""
    takes = [take.open for take in song.takes]
    return write_edits(Change(file.path, file.text, file), planned_edits(song),
                       lambda recipe: takes if recipe is file.recipe else open_all(
                           recipe, digest_of=TakeCache().notes.digest_of))


def write_edits(source: Path | Change, planned: Sequence[PlannedEdits],
                open_takes: Callable[[Recipe], Sequence[OpenTake]]) -> Change | None:
    """The recipe with some shifts and moves; None if there are none.

    Parameters
    ----------
    source : Path or Change
    planned : sequence of PlannedEdits
        In the recipe's order.
    open_takes : function of a recipe
        Opens its takes.
    """
    if not any(one.shift_ms or one.moves for one in planned):
        return None
    change: Change | None = None
    takes = _by_name(open_takes(opened(source).after.recipe))
    for one in planned:
        if one.shift_ms:
            take = takes[one.layer, one.take]
            passes = [take.passes[number].one.name for number in take.comp.sounding] if take.take.passes else ()
            change = write_shift(change or source, one.layer, one.take, one.shift_ms, one.why, passes)
    if change is not None:
        # The fingerprint of a move is that of the take as the recipe plays it, shifted.
        takes = _by_name(open_takes(change.after.recipe))
    for one in planned:
        # A move belongs to the pass that is heard where it begins.
        shifted = takes[one.layer, one.take]
        by_s, by_pass = one.shift_ms / 1000, dict[int, list[Proposal]]()
        for move in one.moves:
            by_pass.setdefault(shifted.pass_at(frames_of_s(move.from_s, shifted.source.rate_hz)), []).append(move)
        for number, moves in by_pass.items():
            sound = shifted.pass_sounds[number]
            new = [NewMove(round(move.from_s + by_s, 4), round(move.to_s + by_s, 4), move.by_ms, move.why,
                           None if move.crossfade_ms == DEFAULT_CROSSFADE_MS else move.crossfade_ms,
                           attack_text(sound, round(move.from_s + by_s, 4))) for move in moves]
            played = shifted.passes[number].one.name if shifted.take.passes else ""
            change = add_moves(change or source, one.layer, one.take, new, played)
    return change


def _by_name(takes: Sequence[OpenTake]) -> dict[tuple[str, str], OpenTake]:
    return {(take.layer.name, take.take.name): take for take in takes}


def change_without_edits(path: Path) -> tuple[Change, int, int]:
    """The recipe without the shifts and moves that a command wrote, and how many of each there were.

    Raises
    ------
    RecipeError
        If the recipe has faults.
    OutputError
        If such a move shares its line with others.
    """
    shifts, moves = len(marked_shifts(path)), len(marked_moves(path))
    return remove_shifts(remove_moves(path)), shifts, moves

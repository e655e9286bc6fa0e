"""Measure the timing of a recipe's takes, and turn proposed edits into a change of the recipe."""

from __future__ import annotations

from pathlib import Path

from layerpipe.analysis.timing.proposals import Proposal
from layerpipe.analysis.timing.song_edits import place_words
from layerpipe.analysis.timing.song_timing import SongTiming, measure_timing
from layerpipe.core.sound import OnProgress
from layerpipe.core.units import frames_of_s
from layerpipe.recipe.change import Change
from layerpipe.recipe.edits import NewMove, add_moves, marked_moves, remove_moves
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.shift_edits import marked_shifts, remove_shifts, write_shift
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.attack import attack_text, refuse_changed_takes
from layerpipe.render.cache.heard import Heard
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import play_moves
from layerpipe.render.takes import open_all

DEFAULT_CROSSFADE_MS = 5.0
"""A move with the recipe's default crossfade does not name it."""


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


def change_of_edits(file: RecipeFile, song: SongTiming) -> Change | None:
    """The recipe with all proposed shifts and moves; None if there are none."""
    change: Change | None = None
    for take in song.takes:
        if take.edits.shift_ms:
            shift_ms = round(take.open.take.shift_ms + take.edits.shift_ms, 1)
            change = write_shift(change or file.path, take.open.layer.name, take.open.take.name, shift_ms,
                               f"{take.open.take.name}: {place_words(take.place)}")
    # The fingerprint of a move is that of the take as the recipe plays it, shifted.
    opened = [take.open for take in song.takes] if change is None else open_all(
        change.after.recipe, digest_of=TakeCache().notes.digest_of)
    for take, shifted in zip(song.takes, opened, strict=True):
        # A move belongs to the pass that is heard where it begins.
        by_s, by_pass = take.edits.shift_ms / 1000, dict[int, list[Proposal]]()
        for move in take.moves:
            by_pass.setdefault(shifted.pass_at(frames_of_s(move.from_s, shifted.source.rate_hz)), []).append(move)
        for number, moves in by_pass.items():
            sound = shifted.pass_sounds[number]
            new = [NewMove(round(move.from_s + by_s, 4), round(move.to_s + by_s, 4), move.by_ms, move.why,
                           None if move.crossfade_ms == DEFAULT_CROSSFADE_MS else move.crossfade_ms,
                           attack_text(sound, round(move.from_s + by_s, 4))) for move in moves]
            played = shifted.passes[number].one.name if shifted.take.passes else ""
            change = add_moves(change or file.path, take.open.layer.name, take.open.take.name, new, played)
    return change


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
    return remove_moves(remove_shifts(path)), shifts, moves

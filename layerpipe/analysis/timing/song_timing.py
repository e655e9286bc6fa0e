"""The timing of a song's takes: onsets, places, tightness, the moves worth making, what to play again.

Nothing is changed here. Seconds are places in the file as delivered; where takes are looked at after their moves,
they are places as heard. What is proposed always counts in the file.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from layerpipe.analysis.onsets.detect import Heard, hear_strums
from layerpipe.analysis.timing.align import Placed, Strum, place_onsets, with_faint
from layerpipe.analysis.timing.crossfades import choose_joints
from layerpipe.analysis.timing.proposals import Proposal, judge_take
from layerpipe.analysis.timing.retakes import Rerecord, Stretch
from layerpipe.analysis.timing.tempo import tempo_doubt
from layerpipe.analysis.timing.tightness import Figures, Pair, figures, pair_of
from layerpipe.core.sound import OnProgress
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.dsp.splicing import FrameMove
from layerpipe.recipe.model import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.moves import MovedTake, frame_moves
from layerpipe.render.takes import OpenTake, open_all

FEWEST_TO_DOUBT = 12
MOST_ROUNDS = 5
"""Twice is nearly always enough."""


@dataclass(frozen=True)
class TakeTiming:
    """One take: its strums, figures, verdict, and what should be done."""

    open: OpenTake
    placed: Placed
    verdict: str | None
    """"tight", "touch up", "play again"; None where it cannot be told."""
    moves: tuple[Proposal, ...]
    rerecord: tuple[Rerecord, ...]
    bars: tuple[Figures, ...]
    sections: tuple[Figures, ...]
    moved: Placed
    """As it will be heard once the moves are made."""

    @property
    def name(self) -> str:
        """layer/take."""
        return f"{self.open.layer.name}/{self.open.take.name}"


@dataclass(frozen=True)
class SongTiming:
    """All takes of a song, in pairs now and after the proposed moves, and what else should be known."""

    takes: tuple[TakeTiming, ...]
    pairs: tuple[Pair, ...]
    pairs_moved: tuple[Pair, ...]
    notes: tuple[str, ...]
    likely_tempo: float | None
    tempo_map: TempoMap


def hear_takes(takes: Sequence[OpenTake], moves: Sequence[Sequence[FrameMove]] | None = None, *,
               on_progress: OnProgress = lambda share: None) -> list[Heard]:
    """Strums of every take, as recorded or with moves played; takes side by side."""

    def hear(take: OpenTake) -> Heard:
        played = moves[take.index] if moves else []
        found = hear_strums(MovedTake(take.source, played) if played else take.source)
        on_progress(1 / len(takes))
        return found

    with ThreadPoolExecutor(max(1, min(len(takes), os.cpu_count() or 1))) as pool:
        return list(pool.map(hear, takes))


def time_song(recipe: Recipe, *, after: bool = False, on_progress: OnProgress = lambda share: None) -> SongTiming:
    """Look at the timing of every take, muted ones too; these are nobody's double.

    Parameters
    ----------
    recipe : Recipe
    after : bool
        Listen to the takes with their moves played.

    Returns
    -------
    SongTiming

    Raises
    ------
    AudioError
        If a file cannot be used.
    ParameterError
        If moves of the recipe cannot be played.
    """
    tempo_map = TempoMap.of(recipe)
    takes = open_all(recipe)
    played = [frame_moves(one.take, tempo_map, one.source.rate_hz) for one in takes]
    half = 0.5 if after and any(played) else 1.0
    recorded = hear_takes(takes, on_progress=lambda share: on_progress(share * half))
    placed = [_placed(heard, tempo_map, moves, one.source.rate_hz)
              for heard, moves, one in zip(recorded, played, takes, strict=True)]
    shown = placed
    if not after:
        shown = [_placed(heard, tempo_map, (), 1) if moves else one for heard, moves,
                 one in zip(recorded, played, placed,
                                                                                             strict=True)]
    elif any(played):
        again = hear_takes(takes, played, on_progress=lambda share: on_progress(share * half))
        shown = [_placed(heard, tempo_map, (), 1) for heard in again]
    likely = _doubted_tempo(recipe, tempo_map, placed)
    notes = _notes(recipe, tempo_map, takes, placed, likely)
    found = _settled(takes, recorded, placed, tempo_map, recipe,
                     played) if tempo_map.has_grid and likely is None else None
    judged = [_told(one, placed[n], shown[n], tempo_map, recipe, None if found is None else found[n])
              for n, one in enumerate(takes)]
    pairs = _pairs(judged, [one.placed for one in judged])
    return SongTiming(tuple(judged), pairs, _pairs(judged, [one.moved for one in judged]), tuple(notes), likely,
                      tempo_map)


def _placed(heard: Heard, tempo_map: TempoMap, moves: Sequence[FrameMove], rate_hz: int) -> Placed:
    """A take's strums and their places, where they are heard once moves are played."""
    onsets = with_faint(heard, tempo_map, lambda at_s: _as_heard(at_s, moves, rate_hz))
    return place_onsets(onsets, [_as_heard(onset.at_s, moves, rate_hz) for onset in onsets], tempo_map,
                        [_as_heard(at_s, moves, rate_hz) for at_s in heard.doubtful_s])


def _settled(takes: Sequence[OpenTake], recorded: Sequence[Heard], placed: Sequence[Placed], tempo_map: TempoMap,
             recipe: Recipe, played: Sequence[Sequence[FrameMove]]) -> list[tuple[list[Proposal], list[Rerecord]]]:
    """Moves worth making in each take and what is to be played again.

    What has moved changes how far takes usually are apart, so the song is judged anew as it would then be played: a
    second run must find nothing new.
    """
    found = [_worth_moving(takes, n, placed, tempo_map, recipe, played[n]) for n in range(len(takes))]
    fresh = [moves for moves, _ in found]
    for _ in range(MOST_ROUNDS):
        if not any(fresh):
            break
        then = [[*played[n], *(_framed(move, one) for move in found[n][0])] for n, one in enumerate(takes)]
        moved = [_placed(heard, tempo_map, moves, one.source.rate_hz)
                 for heard, moves, one in zip(recorded, then, takes, strict=True)]
        fresh = [_worth_moving(takes, n, moved, tempo_map, recipe, then[n])[0] for n in range(len(takes))]
        found = [(sorted([*moves, *new], key=lambda move: move.from_s), again)
                 for (moves, again), new in zip(found, fresh, strict=True)]
    return found


def _worth_moving(takes: Sequence[OpenTake], n: int, placed: Sequence[Placed], tempo_map: TempoMap, recipe: Recipe,
                  played: Sequence[FrameMove]) -> tuple[list[Proposal], list[Rerecord]]:
    """Moves worth making in one take beside those it has, and what is to be played again."""
    one, mine = takes[n], placed[n]
    if not mine.strums:
        return [], list(_all_again(one, placed, tempo_map))
    rate_hz = one.source.rate_hz
    others = [k for k in range(len(takes)) if k != n and not takes[k].take.mute and placed[k].strums]
    doubles = [k for k in others if takes[k].layer is one.layer]
    double = min(doubles, key=lambda k: placed[k].scatter_ms or np.inf) if doubles else None
    moves, again = judge_take(
        one.take.name, mine, None if double is None else (f"the {takes[double].take.name}", placed[double]),
        [placed[k] for k in others], _stretches(recipe, mine), recipe.timing,
        frozen=[(move.start / rate_hz, move.stop / rate_hz) for move in played])
    return _with_joints(one, moves, played), again


def _told(one: OpenTake, mine: Placed, shown: Placed, tempo_map: TempoMap, recipe: Recipe,
          found: tuple[list[Proposal], list[Rerecord]] | None) -> TakeTiming:
    """Figures, moves and verdict of one take; nothing is found where the grid is unknown or doubted."""
    bars: dict[int, list[Strum]] = {}
    for strum in shown.strums:
        if strum.spot:
            bars.setdefault(strum.spot.bar, []).append(strum)
    by_bar = tuple(figures(f"bar {bar}", (bar, bar), held) for bar, held in sorted(bars.items()))
    by_section = tuple(figures(section.name, (section.bars[0], section.bars[1]), shown.strums)
                       for section in recipe.section) if tempo_map.has_grid else ()
    if not mine.strums or found is None:
        again = () if found is None else tuple(found[1])
        return TakeTiming(one, shown, "play again" if again else None, (), again, by_bar, by_section, shown)
    moves, again_found = found
    verdict = "play again" if again_found else "touch up" if moves else "tight"
    moved_s = [strum.heard_s + sum(move.by_ms / 1000 for move in moves if move.from_s <= strum.onset.at_s < move.to_s)
               for strum in mine.strums]
    moved = place_onsets([strum.onset for strum in mine.strums], moved_s, tempo_map)
    return TakeTiming(one, shown, verdict, tuple(moves), tuple(again_found), by_bar, by_section, moved)


def _framed(move: Proposal, one: OpenTake) -> FrameMove:
    """A move in frames of its take."""
    rate_hz = one.source.rate_hz
    return FrameMove(frames_of_s(move.from_s, rate_hz), min(frames_of_s(move.to_s, rate_hz), one.source.frames),
                     frames_of_ms(move.by_ms, rate_hz), frames_of_ms(move.crossfade_ms, rate_hz))


def _with_joints(one: OpenTake, moves: Sequence[Proposal], played: Sequence[FrameMove]) -> list[Proposal]:
    """Give each move the crossfade at which its joints are not heard, and say where they may be."""
    rate_hz = one.source.rate_hz
    found: list[Proposal] = []
    for move in moves:
        others = [*played, *(_framed(other, one) for other in moves if other is not move)]
        kept, checks = choose_joints(one.source, others, _framed(move, one))
        worst = [check for check in checks if check.is_heard]
        heard = "; ".join(f"joint at {check.at_s:.3f} s: dips {check.dip_db:.1f} dB, clicks {check.click_db:.1f} dB"
                          for check in worst)
        # Only what was shifted is told anew, so that rounding to frames moves nothing.
        from_s, to_s = (seconds if frames_of_s(seconds, rate_hz) <= frame else int(frame / rate_hz * 10_000) / 10_000
                        for seconds, frame in ((move.from_s, kept.start), (move.to_s, kept.stop)))
        found.append(replace(move, from_s=from_s, to_s=to_s, crossfade_ms=round(1000 * kept.joint_frames / rate_hz, 1),
                             heard=heard))
    return found


def _as_heard(at_s: float, moves: Sequence[FrameMove], rate_hz: int) -> float:
    """Where a moment of the file is heard."""
    frame = at_s * rate_hz
    return at_s + sum(move.by for move in moves if move.start <= frame < move.stop) / rate_hz


def _stretches(recipe: Recipe, placed: Placed) -> list[Stretch]:
    """Sections, and what lies outside all of them as one."""
    found = [Stretch(section.name, section.bars[0], section.bars[1]) for section in recipe.section]
    bars = [strum.spot.bar for strum in placed.strums if strum.spot]
    if not found and bars:
        return [Stretch("the whole take", max(min(bars), 1), max(bars))]
    return found


def _all_again(one: OpenTake, placed: Sequence[Placed], tempo_map: TempoMap) -> tuple[Rerecord, ...]:
    """A take in which nothing is played, where others play."""
    bars = [strum.spot.bar for other in placed for strum in other.strums if strum.spot]
    last = max(bars) if bars else max(tempo_map.bar_at(one.frames / one.source.rate_hz), 1)
    return (Rerecord((min(bars, default=1), last), f"{one.take.name}: no strums were found in it"),)


def _pairs(takes: Sequence[TakeTiming], placed: Sequence[Placed]) -> tuple[Pair, ...]:
    """Every two takes that are heard."""
    heard = [n for n, take in enumerate(takes) if not take.open.take.mute]
    return tuple(pair_of((takes[a].name, takes[b].name), placed[a], placed[b]) for a, b in combinations(heard, 2))


def _doubted_tempo(recipe: Recipe, tempo_map: TempoMap, placed: Sequence[Placed]) -> float | None:
    """The likely tempo, where the recipe's is plainly another; changing tempi are believed."""
    if not tempo_map.has_grid or recipe.tempo or recipe.song.tempo is None:
        return None
    strums = [strum for take in placed for strum in take.strums if strum.spot]
    if not strums:
        return None
    shape = tempo_map.meter_at(1)
    return tempo_doubt(np.array([strum.aimed_s for strum in strums]),
                       np.array([strum.onset.sure for strum in strums]) + 1e-3,
                       np.array([strum.off_ms for strum in strums], dtype=np.float64), recipe.song.tempo,
                       3 if shape.compound else 2)


def _notes(recipe: Recipe, tempo_map: TempoMap, takes: Sequence[OpenTake], placed: Sequence[Placed],
           likely: float | None) -> list[str]:
    """What should be known besides the figures."""
    notes = []
    if not tempo_map.has_grid:
        notes.append("the song has no tempo, so there are no places to compare with and no moves are proposed; "
                     "layerpipe tempo estimates one")
    if likely is not None:
        notes.append(f"the takes do not follow the recipe's tempo of {recipe.song.tempo:g}; they are played at about "
                     f"{likely:g}. No moves are proposed before that is settled; layerpipe tempo can fill it in")
    for one, found in zip(takes, placed, strict=True):
        name = f"{one.layer.name}/{one.take.name}"
        if not found.strums:
            notes.append(f"{name}: no strums were found in it")
        if found.free_intro:
            notes.append(f"{name}: {found.free_intro} strums before bar 1 follow no grid and are left alone")
        spots = [strum.spot for strum in found.strums if strum.spot]
        if len(spots) > FEWEST_TO_DOUBT and likely is None and not any(spot.sixteenth == 1 for spot in spots):
            notes.append(f"{name}: no strum stands on a beat; is bar_one_s right?")
        swung = {kind: ms for kind, ms in found.feels_ms.items() if kind != 1}
        if swung and likely is None:
            told = ", ".join(f"sixteenth {kind} by {ms:+.0f} ms" for kind, ms in sorted(swung.items()))
            notes.append(f"{name}: swings ({told}); that is taken as feel")
    return notes

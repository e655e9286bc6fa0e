"""The timing of a song's takes: onsets, grid points, tightness, moves worth making, what to re-record.

Nothing is changed here. Seconds are times in the file; where takes are analysed with their moves applied, they are
times as heard. Proposals always count in the file.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from layerpipe.analysis.onsets.detect import Detection, detect_onsets
from layerpipe.analysis.timing.align import AlignedOnset, AlignedTake, align_onsets
from layerpipe.analysis.timing.edit_points import choose_edit_points
from layerpipe.analysis.timing.expected import onsets_with_expected
from layerpipe.analysis.timing.proposals import Proposal, propose_edits
from layerpipe.analysis.timing.retakes import BarRange, Rerecord
from layerpipe.analysis.timing.tempo import find_other_tempo
from layerpipe.analysis.timing.tightness import OffsetSummary, TakePair, compare_takes, summarise_offsets
from layerpipe.core.sound import OnProgress
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.dsp.splicing import FrameMove
from layerpipe.recipe.model import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.placing import Place, PlacedSound
from layerpipe.render.takes import OpenTake

TIGHT, NEEDS_EDITS, RERECORD, UNKNOWN = "tight", "needs edits", "re-record", "unknown"
FEWEST_TO_DOUBT = 12
"""Onsets of a take that show whether bar 1 is right."""
NEAR_A_JOINT_S = 0.04
"""From a joint of a comp: a strum is as long, and a move into it would be cut."""
MOST_ROUNDS = 5
"""Proposals are judged again until nothing new is found; two rounds are nearly always enough."""

Edits = tuple[list[Proposal], list[Rerecord]]


@dataclass(frozen=True)
class TakeTiming:
    """One take: its onsets, statistics, verdict, and what should be done."""

    open: OpenTake
    aligned: AlignedTake
    verdict: str
    """"tight", "needs edits", "re-record" or "unknown"."""
    moves: tuple[Proposal, ...]
    rerecord: tuple[Rerecord, ...]
    bars: tuple[OffsetSummary, ...]
    sections: tuple[OffsetSummary, ...]
    moved: AlignedTake
    """As it will be heard with the proposed moves."""

    @property
    def name(self) -> str:
        """Layer / take."""
        return _name(self.open)


@dataclass(frozen=True)
class SongTiming:
    """All takes of a song, their pairs before and after the proposed moves, and what else should be known."""

    takes: tuple[TakeTiming, ...]
    pairs: tuple[TakePair, ...]
    pairs_moved: tuple[TakePair, ...]
    notes: tuple[str, ...]
    likely_tempo: float | None
    tempo_map: TempoMap


def detect_in_takes(takes: Sequence[OpenTake], *, after: bool = False,
                    on_progress: OnProgress = lambda share: None) -> list[Detection]:
    """Onsets of every take, as recorded or `after` the moves of the recipe; takes side by side."""

    def detect(take: OpenTake) -> Detection:
        sound, (start, stop) = take.played() if after else take.source, take.span
        # The digital silence before an overdub is no part of it: noise that sets in would pass for an onset.
        heard = PlacedSound(sound, sound.frames - start, Place(-start, 0.0)) if start else sound
        span_s = start / sound.rate_hz, stop / sound.rate_hz
        found = replace(detect_onsets(heard).later(span_s[0]), span_s=span_s)
        on_progress(1 / len(takes))
        return found

    with ThreadPoolExecutor(max(1, min(len(takes), os.cpu_count() or 1))) as pool:
        return list(pool.map(detect, takes))


def measure_timing(recipe: Recipe, takes: Sequence[OpenTake], *, after: bool = False,
                   on_progress: OnProgress = lambda share: None) -> SongTiming:
    """Measure the timing of every take, muted ones too; a muted take is nobody's double.

    Parameters
    ----------
    recipe : Recipe
    takes : sequence of OpenTake
        All takes of the recipe.
    after : bool
        Analyse the takes with the recipe's moves applied.

    Returns
    -------
    SongTiming

    Raises
    ------
    ParameterError
        If moves of the recipe cannot be applied.
    """
    tempo_map = TempoMap.of(recipe)
    applied = [one.heard_moves() for one in takes]
    half = 0.5 if after and any(applied) else 1.0
    recorded = detect_in_takes(takes, on_progress=lambda share: on_progress(share * half))
    moved = [_aligned(detection, tempo_map, moves, one.source.rate_hz)
             for detection, moves, one in zip(recorded, applied, takes, strict=True)]
    shown = moved
    if not after:
        shown = [_aligned(detection, tempo_map) if moves else one
                 for detection, moves, one in zip(recorded, applied, moved, strict=True)]
    elif any(applied):
        again = detect_in_takes(takes, after=True, on_progress=lambda share: on_progress(share * half))
        shown = [_aligned(detection, tempo_map) for detection in again]
    likely = _other_tempo(recipe, tempo_map, moved)
    song = _Song(recipe, tempo_map, takes, applied, recorded)
    edits = song.propose(moved) if tempo_map.has_grid and likely is None else None
    judged = [song.judge(n, moved[n], shown[n], None if edits is None else edits[n]) for n in range(len(takes))]
    return SongTiming(tuple(judged), _pairs(judged, [one.aligned for one in judged]),
                      _pairs(judged, [one.moved for one in judged]),
                      tuple(_notes(recipe, tempo_map, takes, moved, likely)), likely, tempo_map)


def _aligned(detection: Detection, tempo_map: TempoMap, moves: Sequence[FrameMove] = (),
             rate_hz: int = 1) -> AlignedTake:
    """A take's onsets on the grid, as heard once moves are applied."""

    def as_heard(at_s: float) -> float:
        return at_s + sum(move.by for move in moves if move.start <= at_s * rate_hz < move.stop) / rate_hz

    onsets = onsets_with_expected(detection, tempo_map, as_heard)
    aligned = align_onsets(onsets, [as_heard(onset.at_s) for onset in onsets], tempo_map,
                           [as_heard(at_s) for at_s in detection.doubtful_s])
    return replace(aligned, span_s=detection.span_s)


@dataclass(frozen=True)
class _Song:
    """What proposals and verdicts are made from."""

    recipe: Recipe
    tempo_map: TempoMap
    takes: Sequence[OpenTake]
    applied: Sequence[Sequence[FrameMove]]
    """Moves of the recipe."""
    recorded: Sequence[Detection]

    def propose(self, aligned: Sequence[AlignedTake]) -> list[Edits]:
        """Moves worth making in each take, and what to re-record.

        A move changes the usual distance of two takes, so the song is judged again as it would then sound: a second
        run of the command must find nothing new.
        """
        found = [self._edits(n, aligned, self.applied[n]) for n in range(len(self.takes))]
        fresh = [moves for moves, _ in found]
        for _ in range(MOST_ROUNDS):
            if not any(fresh):
                break
            then = [[*self.applied[n], *(frame_move(move, one) for move in found[n][0])]
                    for n, one in enumerate(self.takes)]
            moved = [_aligned(detection, self.tempo_map, moves, one.source.rate_hz)
                     for detection, moves, one in zip(self.recorded, then, self.takes, strict=True)]
            fresh = [self._edits(n, moved, then[n])[0] for n in range(len(self.takes))]
            found = [(sorted([*moves, *new], key=lambda move: move.from_s), rerecord)
                     for (moves, rerecord), new in zip(found, fresh, strict=True)]
        return found

    def _edits(self, n: int, aligned: Sequence[AlignedTake], applied: Sequence[FrameMove]) -> Edits:
        """Moves worth making in one take beside those it has, and what to re-record."""
        take, mine, rate_hz = self.takes[n], aligned[n], self.takes[n].source.rate_hz
        if not mine.onsets:
            return [], [self._rerecord_all(take, aligned)]
        others = [k for k, other in enumerate(self.takes) if k != n and not other.take.mute and aligned[k].onsets]
        doubles = [k for k in others if self.takes[k].layer is take.layer]
        double = min(doubles, key=lambda k: aligned[k].spread_ms or np.inf) if doubles else None
        moves, rerecord = propose_edits(
            take.take.name, mine, None if double is None else (self.takes[double].take.name, aligned[double]),
            [aligned[k] for k in others], self._ranges(mine), self.recipe.timing,
            frozen=[(move.start / rate_hz, move.stop / rate_hz) for move in applied] + take.joint_spans(NEAR_A_JOINT_S))
        return _with_edit_points(take, moves, applied), rerecord

    def judge(self, n: int, mine: AlignedTake, shown: AlignedTake, edits: Edits | None) -> TakeTiming:
        """Statistics, moves and verdict of one take; `edits` is None where the grid is unknown or doubtful."""
        bars: dict[int, list[AlignedOnset]] = {}
        for onset in shown.onsets:
            if onset.point:
                bars.setdefault(onset.point.bar, []).append(onset)
        by_bar = tuple(summarise_offsets(f"bar {bar}", (bar, bar), inside) for bar, inside in sorted(bars.items()))
        by_section = tuple(summarise_offsets(section.name, (section.bars[0], section.bars[1]), shown.onsets)
                           for section in self.recipe.section) if self.tempo_map.has_grid else ()
        moves, rerecord = edits or ([], [])
        verdict = (UNKNOWN if edits is None else RERECORD if rerecord else NEEDS_EDITS if moves
                   else TIGHT if mine.onsets else UNKNOWN)
        moved = shown
        if mine.onsets and edits is not None:
            moved_s = [onset.heard_s + sum(move.by_ms / 1000 for move in moves
                                           if move.from_s <= onset.onset.at_s < move.to_s) for onset in mine.onsets]
            moved = align_onsets([onset.onset for onset in mine.onsets], moved_s, self.tempo_map)
        return TakeTiming(self.takes[n], shown, verdict, tuple(moves), tuple(rerecord), by_bar, by_section, moved)

    def _ranges(self, take: AlignedTake) -> list[BarRange]:
        """Sections; the whole take where there are none."""
        found = [BarRange(section.name, section.bars[0], section.bars[1]) for section in self.recipe.section]
        bars = [point.bar for point in take.points]
        return found or ([BarRange("the whole take", max(min(bars), 1), max(bars))] if bars else [])

    def _rerecord_all(self, take: OpenTake, aligned: Sequence[AlignedTake]) -> Rerecord:
        """A take in which nothing is played."""
        bars = [point.bar for other in aligned for point in other.points]
        last = max(bars) if bars else max(self.tempo_map.bar_at(take.frames / take.source.rate_hz), 1)
        return Rerecord((min(bars, default=1), last), f"{take.take.name}: no onsets were found in it")


def frame_move(move: Proposal, take: OpenTake) -> FrameMove:
    """A proposal in frames of its take."""
    rate_hz = take.source.rate_hz
    return FrameMove(frames_of_s(move.from_s, rate_hz), min(frames_of_s(move.to_s, rate_hz), take.source.frames),
                     frames_of_ms(move.by_ms, rate_hz), frames_of_ms(move.crossfade_ms, rate_hz))


def _with_edit_points(take: OpenTake, moves: Sequence[Proposal], applied: Sequence[FrameMove]) -> list[Proposal]:
    """Give each move the crossfade at which its edit points are inaudible, and say where they may be heard."""
    rate_hz = take.source.rate_hz
    found: list[Proposal] = []
    for move in moves:
        others = [*applied, *(frame_move(other, take) for other in moves if other is not move)]
        kept, checks = choose_edit_points(take.source, others, frame_move(move, take))
        audible = "; ".join(f"edit point at {check.at_s:.3f} s: dips {check.dip_db:.1f} dB, "
                            f"clicks {check.click_db:.1f} dB" for check in checks if check.is_audible)
        # Only what was shifted gets new seconds, so that rounding to frames moves nothing.
        from_s, to_s = (seconds if frames_of_s(seconds, rate_hz) <= frame else int(frame / rate_hz * 10_000) / 10_000
                        for seconds, frame in ((move.from_s, kept.start), (move.to_s, kept.stop)))
        found.append(replace(move, from_s=from_s, to_s=to_s, crossfade_ms=round(1000 * kept.joint_frames / rate_hz, 1),
                             audible=audible))
    return found


def _pairs(takes: Sequence[TakeTiming], aligned: Sequence[AlignedTake]) -> tuple[TakePair, ...]:
    """Every two takes that are not muted."""
    heard = [n for n, take in enumerate(takes) if not take.open.take.mute]
    return tuple(compare_takes((takes[a].name, takes[b].name), aligned[a], aligned[b])
                 for a, b in combinations(heard, 2))


def _other_tempo(recipe: Recipe, tempo_map: TempoMap, aligned: Sequence[AlignedTake]) -> float | None:
    """The likely tempo, if it plainly is not the recipe's; a recipe with tempo changes is believed."""
    if not tempo_map.has_grid or recipe.tempo or recipe.song.tempo is None:
        return None
    onsets = [onset for take in aligned for onset in take.onsets if onset.point]
    if not onsets:
        return None
    return find_other_tempo(np.array([onset.target_s for onset in onsets]),
                            np.array([onset.onset.confidence for onset in onsets]) + 1e-3,
                            np.array([onset.offset_ms for onset in onsets], dtype=np.float64), recipe.song.tempo,
                            3 if tempo_map.meter_at(1).compound else 2)


def _name(take: OpenTake) -> str:
    """Layer / take."""
    return f"{take.layer.name} / {take.take.name}"


def _notes(recipe: Recipe, tempo_map: TempoMap, takes: Sequence[OpenTake], aligned: Sequence[AlignedTake],
           likely: float | None) -> list[str]:
    """What should be known besides the statistics."""
    notes = []
    if not tempo_map.has_grid:
        notes.append("the song has no tempo, so there is no grid to compare with and no moves are proposed; "
                     "layerpipe tempo estimates one")
    if likely is not None:
        notes.append(f"the takes do not follow the recipe's tempo of {recipe.song.tempo:g}; they are played at about "
                     f"{likely:g}. No moves are proposed until the tempo is right; layerpipe tempo can write it")
    for one, take in zip(takes, aligned, strict=True):
        if not take.onsets:
            notes.append(f"{_name(one)}: no onsets were found in it")
        if take.free_intro:
            notes.append(f"{_name(one)}: {take.free_intro} onsets before bar 1 follow no grid and are ignored")
        if (len(take.points) > FEWEST_TO_DOUBT and likely is None
                and not any(point.sixteenth == 1 for point in take.points)):
            notes.append(f"{_name(one)}: no onset is on a beat; is bar_one_s right?")
        swing = {kind: ms for kind, ms in take.swing_ms.items() if kind != 1}
        if swing and likely is None:
            listed = ", ".join(f"sixteenth {kind} by {ms:+.0f} ms" for kind, ms in sorted(swing.items()))
            notes.append(f"{_name(one)}: swings ({listed}); this is kept")
    return notes

"""Edits of a song's takes: one shift of a whole take, moves of parts of it, and what is to be re-recorded.

A take that is misplaced as a whole is shifted first; moves are judged as the song would sound then. Seconds count in
the take as it is opened, before the proposed shift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.onsets.changes import change_at_db
from layerpipe.analysis.onsets.onset import Detection
from layerpipe.analysis.takes_compared.song_offsets import TakePlace
from layerpipe.analysis.timing.edits.drift_moves import drift_phrases
from layerpipe.analysis.timing.edits.edit_points import choose_edit_points
from layerpipe.analysis.timing.edits.proposals import Proposal, propose_edits
from layerpipe.analysis.timing.edits.retakes import BarRange, Rerecord
from layerpipe.analysis.timing.grid.align import align_onsets
from layerpipe.analysis.timing.grid.aligned import AlignedTake
from layerpipe.analysis.timing.grid.expected import onsets_with_expected
from layerpipe.core.sound import FloatArray
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.dsp.splicing import FrameMove
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes.open_takes import OpenTake

MOST_SHIFT_MS = 2000.0
"""What a recipe may have."""
NEAR_A_JOINT_S = 0.04
"""From a joint of a comp: a strum is as long, and a move into it would be cut."""
MOST_ROUNDS = 5
"""Proposals are judged again until nothing new is found; two rounds are nearly always enough."""


@dataclass(frozen=True)
class HeardTake:
    """What was detected in a take, and how it is played: its moves, and a shift of the whole take on top of them."""

    detection: Detection
    rate_hz: int
    moves: tuple[FrameMove, ...] = ()
    shift_ms: float = 0.0

    def heard_s(self, at_s: FloatArray) -> FloatArray:
        """When moments of the take are heard."""
        if not self.moves and not self.shift_ms:
            return at_s
        frames, moved = at_s * self.rate_hz, np.zeros(len(at_s))
        for move in self.moves:
            moved[(move.start <= frames) & (frames < move.stop)] += move.by
        return at_s + moved / self.rate_hz + self.shift_ms / 1000

    def aligned(self, tempo_map: TempoMap) -> AlignedTake:
        """Its onsets on the grid."""
        onsets = onsets_with_expected(self.detection, tempo_map, self.heard_s)
        aligned = align_onsets(onsets, self.heard_s(onsets.at_s), tempo_map,
                               self.heard_s(np.array(self.detection.doubtful_s)).tolist())
        first_s, last_s = self.detection.span_s
        return replace(aligned, span_s=(first_s + self.shift_ms / 1000, last_s + self.shift_ms / 1000))


@dataclass(frozen=True)
class TakeEdits:
    """What should be done with one take."""

    shift_ms: float = 0.0
    """Of the whole take; 0 for none."""
    moves: tuple[Proposal, ...] = ()
    rerecord: tuple[Rerecord, ...] = ()
    unmended: str = ""
    """Why it is misplaced and yet nothing is proposed; empty where that is not so."""


@dataclass(frozen=True)
class SongEdits:
    """What edits are made from."""

    recipe: Recipe
    tempo_map: TempoMap
    takes: Sequence[OpenTake]
    heard: Sequence[HeardTake]
    places: Sequence[TakePlace]
    may_move: Sequence[bool]
    """Whether enough was heard of each take to edit parts of it."""
    now: Sequence[AlignedTake] = ()
    """The takes on the grid as they are, if that is known."""

    def shifts(self) -> list[TakeEdits]:
        """Only the shifts of whole takes: where the grid is unknown or doubtful."""
        return [self._shift(n, place) for n, place in enumerate(self.places)]

    def _shift(self, n: int, place: TakePlace) -> TakeEdits:
        """The shift of one take, or why a take that is misplaced gets none."""
        if place.kind in ("none", "unknown") or (place.kind in ("drift", "wobble") and place.decided):
            return TakeEdits()
        where = place_words(place)
        if place.shift_ms is None:
            which = "has the right tempo" if place.kind in ("drift", "wobble") else "is misplaced; set shift_ms of one"
            return TakeEdits(unmended=f"{where}, and nothing shows which of them {which}")
        take = self.takes[n]
        now_ms = [take.passes[number].one.shift_ms for number in take.comp.sounding]
        if any(abs(shift_ms + place.shift_ms) > MOST_SHIFT_MS for shift_ms in now_ms):
            return TakeEdits(unmended=f"{where}; set starts to where its file begins in the song")
        if any(move.start / take.source.rate_hz + place.shift_ms / 1000 < 0 for move in self.heard[n].moves):
            return TakeEdits(unmended=f"{where}; its first move would begin before the song, so remove that first")
        return TakeEdits(place.shift_ms)

    def propose(self) -> list[TakeEdits]:
        """Shifts and moves worth making in each take, and what to re-record.

        A move changes the usual distance of two takes, so the song is judged again as it would then sound: a second
        run of the command must find nothing new.
        """
        found = self.shifts()
        heard = [replace(one, shift_ms=edits.shift_ms) for one, edits in zip(self.heard, found, strict=True)]
        known = {n: (heard[n].moves, one) for n, one in enumerate(self.now) if not heard[n].shift_ms}

        def align(heard: Sequence[HeardTake]) -> list[AlignedTake]:
            # Most takes get no new moves from one round to the next.
            for n, one in enumerate(heard):
                if n not in known or known[n][0] != one.moves:
                    known[n] = one.moves, one.aligned(self.tempo_map)
            return [known[n][1] for n in range(len(heard))]

        aligned = align(heard)
        found = [self._drift(n, edits, aligned[n]) for n, edits in enumerate(found)]
        given_up = [bool(edits.rerecord) for edits in found]
        heard = [self._with_moves(n, one, found[n].moves) for n, one in enumerate(heard)]
        for number in range(MOST_ROUNDS):
            aligned = align(heard)
            fresh: list[tuple[list[Proposal], list[Rerecord]]] = [
                ([], []) if given_up[n] else self._edits(n, aligned, heard[n]) for n in range(len(self.takes))]
            if number == 0:
                found = [replace(edits, rerecord=(*edits.rerecord, *new[1])) for edits, new in
                         zip(found, fresh, strict=True)]
            found = [replace(edits, moves=tuple(sorted([*edits.moves, *new[0]], key=lambda move: move.from_s)))
                     for edits, new in zip(found, fresh, strict=True)]
            if not any(moves for moves, _ in fresh):
                break
            heard = [self._with_moves(n, one, found[n].moves) for n, one in enumerate(heard)]
        return found

    def _with_moves(self, n: int, one: HeardTake, moves: Sequence[Proposal]) -> HeardTake:
        """The take with proposed moves beside those it has."""
        return replace(one, moves=(*self.heard[n].moves, *(frame_move(move, self.takes[n]) for move in moves)))

    def _drift(self, n: int, edits: TakeEdits, aligned: AlignedTake) -> TakeEdits:
        """Moves of phrases for a take that drifts or wanders, if few suffice; otherwise it is to be re-recorded."""
        place = self.places[n]
        if place.kind not in ("drift", "wobble") or not place.decided:
            return edits
        if not self.may_move[n]:
            return replace(edits, unmended=place_words(place))
        bars = aligned.bars.tolist() or [1]
        limits = self.recipe.timing
        most = max(1.0, limits.moves_per_bar * (max(bars) - min(bars) + 1))
        is_cut = self.heard[n].moves or self.takes[n].joint_spans(NEAR_A_JOINT_S)
        phrases = None if is_cut else drift_phrases(aligned, place.curve, limits.tolerance_ms, most)
        name = self.takes[n].take.name
        if phrases is None:
            why = f"{name}: {place_words(place)}; more moves than are worth making would be needed"
            return replace(edits, rerecord=(*edits.rerecord, Rerecord((max(min(bars), 1), max(bars)), why)))
        moves = []
        for phrase in phrases:
            placed = np.flatnonzero(phrase.onsets.points.known)
            times_s = phrase.onsets.points.time_s[placed] if len(placed) else phrase.onsets.heard_s
            first, last = (self.tempo_map.text_of(float(at_s)) for at_s in times_s[[0, -1]])
            why = (f"{first} to {last}, {name}: {abs(phrase.by_ms):.0f} ms {'late' if phrase.by_ms < 0 else 'early'}; "
                   f"{place.words}")
            moves.append(Proposal(phrase.from_s, phrase.to_s, phrase.by_ms, phrase.onsets, why))
        return replace(edits, moves=tuple(with_edit_points(self.takes[n], moves, [])))

    def _edits(self, n: int, aligned: Sequence[AlignedTake], heard: HeardTake) -> tuple[list[Proposal], list[Rerecord]]:
        """Moves worth making in one take beside those it has, and what to re-record."""
        take, mine = self.takes[n], aligned[n]
        if not self.may_move[n]:
            return [], []
        if not mine.onsets:
            return [], [self._rerecord_all(take, aligned)]
        others = [k for k, other in enumerate(self.takes) if k != n and not other.take.mute and aligned[k].onsets]
        doubles = [k for k in others if self.takes[k].layer is take.layer]
        double = min(doubles, key=lambda k: aligned[k].spread_ms or np.inf) if doubles else None
        moves, rerecord = propose_edits(
            take.take.name, mine, None if double is None else (self.takes[double].take.name, aligned[double]),
            [aligned[k] for k in others], self._ranges(mine), self.recipe.timing,
            frozen=[*((move.start / heard.rate_hz, move.stop / heard.rate_hz) for move in heard.moves),
                    *take.joint_spans(NEAR_A_JOINT_S)],
            change_db=lambda at_s: change_at_db(take.source, 2 * at_s - float(heard.heard_s(np.array([at_s]))[0])))
        return with_edit_points(take, moves, heard.moves), rerecord

    def _ranges(self, take: AlignedTake) -> list[BarRange]:
        """Sections; the whole take where there are none."""
        found = [BarRange(section.name, section.bars[0], section.bars[1]) for section in self.recipe.section]
        bars = take.bars.tolist()
        return found or ([BarRange("the whole take", max(min(bars), 1), max(bars))] if bars else [])

    def _rerecord_all(self, take: OpenTake, aligned: Sequence[AlignedTake]) -> Rerecord:
        """A take in which nothing is played."""
        bars = [bar for other in aligned for bar in other.bars.tolist()]
        last = max(bars) if bars else max(self.tempo_map.bar_at(take.frames / take.source.rate_hz), 1)
        return Rerecord((min(bars, default=1), last), f"{take.take.name}: no onsets were found in it")


def place_words(place: TakePlace) -> str:
    """A misplaced take in words, such as "one beat late against regular / left"."""
    return f"{place.words} against {' and '.join(place.against)}"


def frame_move(move: Proposal, take: OpenTake) -> FrameMove:
    """A proposal in frames of its take."""
    rate_hz = take.source.rate_hz
    return FrameMove(frames_of_s(move.from_s, rate_hz), min(frames_of_s(move.to_s, rate_hz), take.source.frames),
                     frames_of_ms(move.by_ms, rate_hz), frames_of_ms(move.crossfade_ms, rate_hz))


def with_edit_points(take: OpenTake, moves: Sequence[Proposal], applied: Sequence[FrameMove]) -> list[Proposal]:
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

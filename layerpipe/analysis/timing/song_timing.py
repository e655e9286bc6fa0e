"""The timing of a song's takes: where they lie, onsets, grid points, tightness, edits worth making, what to re-record.

Nothing is changed here. Seconds are times in the take as it is opened; where takes are analysed with their moves
applied, they are times as heard.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np

from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.onsets.onset import Detection
from layerpipe.analysis.sustained.kinds import HeardKind
from layerpipe.analysis.sustained.layer_kinds import kinds_of_takes
from layerpipe.analysis.takes_compared.song_offsets import TakePlace
from layerpipe.analysis.timing.edits.proposals import Proposal
from layerpipe.analysis.timing.edits.retakes import Rerecord
from layerpipe.analysis.timing.edits.song_edits import HeardTake, SongEdits, TakeEdits
from layerpipe.analysis.timing.explained import explained_by
from layerpipe.analysis.timing.grid.align import align_onsets
from layerpipe.analysis.timing.grid.aligned import AlignedTake
from layerpipe.analysis.timing.song_notes import notes_of, other_tempo, take_name
from layerpipe.analysis.timing.sustained_takes import SustainedTake, judge_sustained
from layerpipe.analysis.timing.take_places import HEARING, find_places
from layerpipe.analysis.timing.tightness import (
    OffsetSummary,
    TakePair,
    compare_takes,
    summarise_differences,
    summarise_offsets,
)
from layerpipe.core.listening import Ask, Question, listen_anew
from layerpipe.core.sound import OnProgress
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes.open_takes import OpenTake
from layerpipe.render.takes.placing import Place, PlacedSound

TIGHT, NEEDS_EDITS, RERECORD, UNKNOWN = "tight", "needs edits", "re-record", "unknown"


@dataclass(frozen=True)
class TakeTiming:
    """One take: its onsets, statistics, place in the song, verdict, and what should be done."""

    open: OpenTake
    aligned: AlignedTake
    verdict: str
    """"tight", "needs edits", "re-record" or "unknown"."""
    place: TakePlace
    """Against its doubles and the other layers."""
    explained: float | None
    """Share of its rises in level that its onsets explain; None for a silent take."""
    edits: TakeEdits
    sections: tuple[OffsetSummary, ...]
    moved: AlignedTake
    """As it will be heard with the proposed edits."""
    kind: HeardKind
    sustained: SustainedTake | None = None
    """What was found by phrases; None for plucked and struck takes, which are judged by onsets."""

    @property
    def name(self) -> str:
        """Layer / take."""
        return take_name(self.open)

    @cached_property
    def bars(self) -> tuple[OffsetSummary, ...]:
        """Statistics by bar."""
        bars = self.aligned.onsets.points.bar
        rows = np.flatnonzero(self.aligned.onsets.points.known)
        rows = rows[np.argsort(bars[rows], kind="stable")]
        inside = np.split(rows, np.flatnonzero(np.diff(bars[rows])) + 1) if len(rows) else []
        return tuple(summarise_offsets(f"bar {bar}", (bar, bar), self.aligned.onsets.where(its))
                     for its in inside for bar in bars[its[:1]].tolist())

    @property
    def count(self) -> int:
        """Onsets, or phrases, that were found."""
        return len(self.aligned.onsets) if self.sustained is None else len(self.sustained.phrases)

    @property
    def moves(self) -> tuple[Proposal, ...]:
        """Proposed moves."""
        return self.edits.moves

    @property
    def rerecord(self) -> tuple[Rerecord, ...]:
        """What is to be re-recorded."""
        return self.edits.rerecord


@dataclass(frozen=True)
class SongTiming:
    """All takes of a song, their pairs before and after the proposed edits, and what else should be known."""

    takes: tuple[TakeTiming, ...]
    pairs: tuple[TakePair, ...]
    pairs_moved: tuple[TakePair, ...]
    notes: tuple[str, ...]
    likely_tempo: float | None
    tempo_map: TempoMap


def detect_in_takes(takes: Sequence[OpenTake], *, after: bool = False, left_out: Sequence[int] = (),
                    on_progress: OnProgress = lambda share: None, ask: Ask = listen_anew) -> list[Detection]:
    """Onsets of every take, as recorded or `after` the moves of the recipe; takes side by side; none of `left_out`."""

    asked = []
    for take in takes:
        if take.index not in left_out:
            sound, (start, stop) = take.played() if after else take.source, take.span
            # The digital silence around an overdub is no part of it: noise that sets in would pass for an onset.
            asked.append(Question(detect_onsets, PlacedSound(sound, stop - start, Place(-start, 0.0))))
    found: Iterator[Detection] = iter(ask.together(asked, on_progress))

    def detection(take: OpenTake) -> Detection:
        if take.index in left_out:
            return Detection.of([])
        start_s, stop_s = (frame / take.source.rate_hz for frame in take.span)
        return replace(next(found).later(start_s), span_s=(start_s, stop_s))

    return [detection(take) for take in takes]


def measure_timing(recipe: Recipe, takes: Sequence[OpenTake], *, after: bool = False,
                   on_progress: OnProgress = lambda share: None, ask: Ask = listen_anew) -> SongTiming:
    """Measure the timing of every take, muted ones too; a muted take is never used as a double.

    Parameters
    ----------
    recipe : Recipe
    takes : sequence of OpenTake
        All takes of the recipe.
    after : bool
        Analyse the takes with the recipe's moves applied.
    on_progress : function of a share
        Told how much of the work, of 1, has been done.
    ask : Ask, optional
        Who listens.

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
    kinds = kinds_of_takes(takes, ask)
    by_phrases = [n for n, kind in enumerate(kinds) if kind.is_sustained]
    half = 0.5 if after and any(applied) else 1.0
    recorded = detect_in_takes(takes, left_out=by_phrases, on_progress=lambda share: on_progress(share * half), ask=ask)
    explained = [None if n in by_phrases else ask(explained_by, one.source, one.span,
                                                  onsets_s=found.onsets.at_s)
                 for n, (one, found) in enumerate(zip(takes, recorded, strict=True))]
    heard = [HeardTake(detection, one.source.rate_hz, tuple(moves))
             for detection, moves, one in zip(recorded, applied, takes, strict=True)]
    now = [one.aligned(tempo_map) for one in heard]
    shown = now
    if not after:
        shown = [replace(one, moves=()).aligned(tempo_map) if one.moves else found
                 for one, found in zip(heard, now, strict=True)]
    elif any(applied):
        again = detect_in_takes(takes, after=True, left_out=by_phrases,
                                on_progress=lambda share: on_progress(share * half), ask=ask)
        shown = [HeardTake(detection, 1).aligned(tempo_map) for detection in again]
    places, unsure = find_places([(one.layer.name, one.take.name) for one in takes], heard, now,
                                 [one.take.mute for one in takes], tempo_map, recipe.timing.tolerance_ms, ask)
    # Nothing else looks at the harmony of what was played; of long takes it is large.
    heard = [replace(one, detection=replace(one.detection, chroma=one.detection.chroma[:0])) for one in heard]
    recorded.clear()
    may_move = [n not in by_phrases and not doubtful and (share is None or share >= HEARING.least_explained)
                for n, (doubtful, share) in enumerate(zip(unsure, explained, strict=True))]
    in_place = [one for one, place in zip(now, places, strict=True) if place.kind in ("none", "unknown")]
    likely = other_tempo(recipe, tempo_map, in_place or now)
    song = SongEdits(recipe, tempo_map, takes, heard, places, may_move, now)
    is_known = tempo_map.has_grid and likely is None
    edits = song.propose() if is_known else song.shifts()
    sustained = judge_sustained(recipe, tempo_map, takes, by_phrases, ask=ask)
    judged = []
    for n, one in enumerate(takes):
        found = sustained.get(n)
        place, its_edits = (places[n], edits[n]) if found is None else (found.place, found.edits)
        if found is None:
            verdict = _verdict(its_edits, place, recipe.timing.tolerance_ms,
                               can_judge=is_known and may_move[n] and bool(now[n].onsets))
        else:
            verdict = NEEDS_EDITS if its_edits.unmended and not its_edits.rerecord else _verdict(
                its_edits, place, math.inf, can_judge=found.is_known)
        judged.append(TakeTiming(one, shown[n], verdict, place, explained[n], its_edits,
                                 _by_section(recipe, tempo_map, shown[n]), _moved(now[n], its_edits, tempo_map),
                                 kinds[n], found))
    onset_takes = [n for n in range(len(takes)) if n not in sustained]
    notes = notes_of(recipe, tempo_map, [takes[n] for n in onset_takes], [now[n] for n in onset_takes],
                     likely) if onset_takes else []
    notes += [_too_little(judged[n]) for n in onset_takes if not may_move[n]]
    notes += [note for one in judged if one.sustained is not None for note in one.sustained.notes]
    return SongTiming(tuple(judged), _pairs(judged, moved=False), _pairs(judged, moved=True), tuple(notes), likely,
                      tempo_map)


def _verdict(edits: TakeEdits, place: TakePlace, tolerance_ms: float, *, can_judge: bool) -> str:
    """One word for a take; it is not tight while it is farther from its doubles than its tolerance."""
    if edits.rerecord:
        return RERECORD
    if edits.shift_ms or edits.moves or (edits.unmended and place.decided and can_judge):
        return NEEDS_EDITS
    is_apart = place.kind not in ("none", "unknown") or abs(place.offset_ms or 0.0) > tolerance_ms
    return TIGHT if can_judge and not is_apart else UNKNOWN


def _too_little(take: TakeTiming) -> str:
    """Why a take is not judged."""
    if take.explained is not None and take.explained < HEARING.least_explained:
        why = f"its onsets explain only {max(100 * take.explained, 0):.0f} % of what rises in it"
    else:
        why = "too few of its onsets agree with those of its double"
    return f"{take.name}: {why}, so its timing is not judged and no moves are proposed"


def _by_section(recipe: Recipe, tempo_map: TempoMap, shown: AlignedTake) -> tuple[OffsetSummary, ...]:
    """Statistics by section."""
    return tuple(summarise_offsets(section.name, (section.bars[0], section.bars[1]), shown.onsets)
                 for section in recipe.section) if tempo_map.has_grid else ()


def _moved(now: AlignedTake, edits: TakeEdits, tempo_map: TempoMap) -> AlignedTake:
    """A take as it will be heard; its onsets are the same, at other times."""
    if not now.onsets or not (edits.moves or edits.shift_ms):
        return now
    at_s, moved_s = now.onsets.onsets.at_s, np.zeros(len(now.onsets))
    for move in edits.moves:
        moved_s[(move.from_s <= at_s) & (at_s < move.to_s)] += move.by_ms / 1000
    return align_onsets(now.onsets.onsets, now.onsets.heard_s + edits.shift_ms / 1000 + moved_s, tempo_map)


def _pairs(takes: Sequence[TakeTiming], *, moved: bool) -> tuple[TakePair, ...]:
    """Every two takes that are not muted, by their onsets; sustained takes with their leads, by their phrases."""
    found = []
    for one, other in combinations([take for take in takes if not take.open.take.mute], 2):
        names = one.name, other.name
        if one.sustained is None and other.sustained is None:
            sides = (one.moved, other.moved) if moved else (one.aligned, other.aligned)
            found.append(compare_takes(names, *sides))
        elif other.sustained is not None and other.sustained.lead == one.open.index:
            lags_ms = [late_ms for _, late_ms in other.sustained.lags_ms(moved=moved)]
            found.append(summarise_differences(names, -np.array(lags_ms)))
    return tuple(found)

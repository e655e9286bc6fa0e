"""The timing of a song's takes: where they lie, onsets, grid points, tightness, edits worth making, what to re-record.

Nothing is changed here. Seconds are times in the take as it is opened; where takes are analysed with their moves
applied, they are times as heard.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import combinations

from layerpipe.analysis.onsets.detect import Detection, detect_onsets
from layerpipe.analysis.takes_compared.song_offsets import TakePlace
from layerpipe.analysis.timing.align import AlignedOnset, AlignedTake, align_onsets
from layerpipe.analysis.timing.explained import explained_share, two_step_levels
from layerpipe.analysis.timing.proposals import Proposal
from layerpipe.analysis.timing.retakes import Rerecord
from layerpipe.analysis.timing.song_edits import HeardTake, SongEdits, TakeEdits
from layerpipe.analysis.timing.song_notes import notes_of, other_tempo, take_name
from layerpipe.analysis.timing.take_places import HEARING, find_places
from layerpipe.analysis.timing.tightness import OffsetSummary, TakePair, compare_takes, summarise_offsets
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import OnProgress
from layerpipe.recipe.model import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.placing import Place, PlacedSound
from layerpipe.render.takes import OpenTake

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
    bars: tuple[OffsetSummary, ...]
    sections: tuple[OffsetSummary, ...]
    moved: AlignedTake
    """As it will be heard with the proposed edits."""

    @property
    def name(self) -> str:
        """Layer / take."""
        return take_name(self.open)

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


def detect_in_takes(takes: Sequence[OpenTake], *, after: bool = False, on_progress: OnProgress = lambda share: None,
                    ask: Ask = listen_anew) -> list[Detection]:
    """Onsets of every take, as recorded or `after` the moves of the recipe; takes side by side."""

    def detect(take: OpenTake) -> Detection:
        sound, (start, stop) = take.played() if after else take.source, take.span
        # The digital silence around an overdub is no part of it: noise that sets in would pass for an onset.
        heard = PlacedSound(sound, stop - start, Place(-start, 0.0))
        span_s = start / sound.rate_hz, stop / sound.rate_hz
        found = replace(ask(detect_onsets, heard).later(span_s[0]), span_s=span_s)
        on_progress(1 / len(takes))
        return found

    with ThreadPoolExecutor(max(1, min(len(takes), os.cpu_count() or 1))) as pool:
        return list(pool.map(detect, takes))


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
    half = 0.5 if after and any(applied) else 1.0
    recorded = detect_in_takes(takes, on_progress=lambda share: on_progress(share * half), ask=ask)
    heard = [HeardTake(detection, one.source.rate_hz, tuple(moves))
             for detection, moves, one in zip(recorded, applied, takes, strict=True)]
    now = [one.aligned(tempo_map) for one in heard]
    shown = now
    if not after:
        shown = [replace(one, moves=()).aligned(tempo_map) if one.moves else found
                 for one, found in zip(heard, now, strict=True)]
    elif any(applied):
        again = detect_in_takes(takes, after=True, on_progress=lambda share: on_progress(share * half), ask=ask)
        shown = [HeardTake(detection, 1).aligned(tempo_map) for detection in again]
    places, unsure = find_places([(one.layer.name, one.take.name) for one in takes], now,
                                 [one.take.mute for one in takes], tempo_map, recipe.timing.tolerance_ms, ask)
    explained = [explained_share(ask(two_step_levels, one.source), [onset.at_s for onset in found.onsets])
                 for one, found in zip(takes, recorded, strict=True)]
    may_move = [not doubtful and (share is None or share >= HEARING.least_explained)
                for doubtful, share in zip(unsure, explained, strict=True)]
    in_place = [one for one, place in zip(now, places, strict=True) if place.kind in ("none", "unknown")]
    likely = other_tempo(recipe, tempo_map, in_place or now)
    song = SongEdits(recipe, tempo_map, takes, heard, places, may_move, now)
    is_known = tempo_map.has_grid and likely is None
    edits = song.propose() if is_known else song.shifts()
    judged = []
    for n, one in enumerate(takes):
        can_judge = is_known and may_move[n] and bool(now[n].onsets)
        verdict = _verdict(edits[n], places[n], recipe.timing.tolerance_ms, can_judge=can_judge)
        judged.append(TakeTiming(one, shown[n], verdict, places[n], explained[n], edits[n],
                                 *_summaries(recipe, tempo_map, shown[n]), _moved(now[n], edits[n], tempo_map)))
    notes = notes_of(recipe, tempo_map, takes, now, likely)
    notes += [_too_little(take) for take, may in zip(judged, may_move, strict=True) if not may]
    return SongTiming(tuple(judged), _pairs(judged, [one.aligned for one in judged]),
                      _pairs(judged, [one.moved for one in judged]), tuple(notes), likely, tempo_map)


def _verdict(edits: TakeEdits, place: TakePlace, tolerance_ms: float, *, can_judge: bool) -> str:
    """One word for a take; it is not tight while it is farther from its doubles than its tolerance."""
    if edits.rerecord:
        return RERECORD
    if edits.shift_ms or edits.moves:
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


def _summaries(recipe: Recipe, tempo_map: TempoMap,
               shown: AlignedTake) -> tuple[tuple[OffsetSummary, ...], tuple[OffsetSummary, ...]]:
    """Statistics by bar and by section."""
    bars: dict[int, list[AlignedOnset]] = {}
    for onset in shown.onsets:
        if onset.point:
            bars.setdefault(onset.point.bar, []).append(onset)
    by_bar = tuple(summarise_offsets(f"bar {bar}", (bar, bar), inside) for bar, inside in sorted(bars.items()))
    by_section = tuple(summarise_offsets(section.name, (section.bars[0], section.bars[1]), shown.onsets)
                       for section in recipe.section) if tempo_map.has_grid else ()
    return by_bar, by_section


def _moved(now: AlignedTake, edits: TakeEdits, tempo_map: TempoMap) -> AlignedTake:
    """A take as it will be heard; its onsets are the same objects, at other times."""
    if not now.onsets or not (edits.moves or edits.shift_ms):
        return now
    moved_s = [onset.heard_s + edits.shift_ms / 1000
               + sum(move.by_ms / 1000 for move in edits.moves if move.from_s <= onset.onset.at_s < move.to_s)
               for onset in now.onsets]
    return align_onsets([onset.onset for onset in now.onsets], moved_s, tempo_map)


def _pairs(takes: Sequence[TakeTiming], aligned: Sequence[AlignedTake]) -> tuple[TakePair, ...]:
    """Every two takes that are not muted."""
    heard = [n for n, take in enumerate(takes) if not take.open.take.mute]
    return tuple(compare_takes((takes[a].name, takes[b].name), aligned[a], aligned[b])
                 for a, b in combinations(heard, 2))

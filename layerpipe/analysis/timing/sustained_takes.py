"""Takes of voices, bowed strings and winds in a song: each is compared with the lead, the first take of its layer.

They are judged by phrases and not by onsets, and need no grid. Seconds count in the take as it is heard, before the
proposed shift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from layerpipe.analysis.sustained.compare import LeadComparison, PhraseLag, compare_with_lead
from layerpipe.analysis.sustained.edits import PHRASE_EDITS, PhraseEdits, propose_phrase_edits
from layerpipe.analysis.sustained.features import SustainedFeatures, measure_features
from layerpipe.analysis.takes_compared.song_offsets import TakePlace
from layerpipe.analysis.takes_compared.song_takes import most_apart_s
from layerpipe.analysis.timing.edits.proposals import Proposal
from layerpipe.analysis.timing.edits.retakes import Rerecord
from layerpipe.analysis.timing.edits.song_edits import (
    MOST_SHIFT_MS,
    NEAR_A_JOINT_S,
    TakeEdits,
    place_words,
    with_edit_points,
)
from layerpipe.analysis.timing.song_notes import take_name
from layerpipe.core.listening import Ask, Question, listen_anew
from layerpipe.core.sound import OnProgress
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes.open_takes import OpenTake


@dataclass(frozen=True)
class SustainedTake:
    """One sustained take beside its lead."""

    lead: int | None
    """Index of the lead; None for a lead."""
    phrases: tuple[PhraseLag, ...]
    place: TakePlace
    edits: TakeEdits
    is_known: bool
    """Whether enough of it could be compared for a verdict; of a lead, whether any take could be compared with it."""
    notes: tuple[str, ...] = ()

    def lags_ms(self, *, moved: bool) -> list[tuple[PhraseLag, float]]:
        """Every sure phrase, and how much later it is than in the lead, before or after the edits."""
        found = []
        for one in self.phrases:
            if one.is_sure:
                middle_s = (one.from_s + one.to_s) / 2
                by_ms = self.edits.shift_ms + sum(move.by_ms for move in self.edits.moves
                                                  if move.from_s <= middle_s < move.to_s)
                found.append((one, one.late_ms + by_ms * moved))
        return found


def judge_sustained(recipe: Recipe, tempo_map: TempoMap, takes: Sequence[OpenTake], sustained: Sequence[int],
                    ask: Ask = listen_anew, on_progress: OnProgress = lambda share: None) -> dict[int, SustainedTake]:
    """Compare the sustained takes of a song with the leads of their layers.

    Parameters
    ----------
    recipe : Recipe
    tempo_map : TempoMap
    takes : sequence of OpenTake
        All takes of the recipe; those that have moves are compared as they are heard.
    sustained : sequence of int
        Which of them are sustained.
    ask : Ask
        Who listens.
    on_progress : function of a share

    Returns
    -------
    dict of SustainedTake
        By the index of the take.
    """
    asked = [Question(measure_features, takes[n].played() if takes[n].heard_moves() else takes[n].source)
             for n in sustained]
    features: dict[int, SustainedFeatures] = dict(zip(sustained, ask.together(asked, on_progress), strict=True))
    most_lag_s = most_apart_s(tempo_map)
    found: dict[int, SustainedTake] = {}
    for layer in dict.fromkeys(takes[n].layer.name for n in sustained):
        members = [n for n in sustained if takes[n].layer.name == layer]
        lead = next((n for n in members if not takes[n].take.mute), members[0])
        for n in members:
            if n != lead:
                compared = compare_with_lead(features[lead], features[n], most_lag_s=most_lag_s)
                found[n] = _judged(recipe, tempo_map, takes, n, lead, compared, features[n])
        notes = () if len(members) > 1 else (
            f"{take_name(takes[lead])}: there is no other take in its layer to compare it with, so its timing is not "
            "judged",)
        found[lead] = SustainedTake(None, (), TakePlace(take_name(takes[lead]), layer, "none"), TakeEdits(),
                                    any(found[n].is_known for n in members if n != lead), notes)
    return found


def _judged(recipe: Recipe, tempo_map: TempoMap, takes: Sequence[OpenTake], n: int, lead: int,
            compared: LeadComparison, features: SustainedFeatures) -> SustainedTake:
    """One take against its lead."""
    take, name = takes[n], take_name(takes[n])
    moves, rate_hz = take.heard_moves(), take.source.rate_hz
    frozen = [*take.joint_spans(NEAR_A_JOINT_S),
              *(((move.start + min(move.by, 0)) / rate_hz, (move.stop + max(move.by, 0)) / rate_hz) for move in moves)]
    found = propose_phrase_edits(features, compared, tolerance_ms=recipe.timing.double_tolerance_ms, frozen=frozen)
    if not found.is_known:
        place = TakePlace(name, take.layer.name, "unknown", confidence=round(found.confidence, 3))
        note = (f"{name}: too few of its phrases can be found in {take_name(takes[lead])}, so its timing is not judged "
                "and no moves are proposed")
        return SustainedTake(lead, compared.phrases, place, TakeEdits(), False, (note,))
    place = TakePlace(name, take.layer.name, "offset" if found.shift_ms else "none", True,
                      round(found.offset_ms or 0.0, 2), None, found.shift_ms or None,
                      against=(take_name(takes[lead]),), confidence=round(found.confidence, 3))
    unmended = _why_no_shift(take, place) if found.shift_ms else ""
    if unmended:
        return SustainedTake(lead, compared.phrases, place, TakeEdits(unmended=unmended), True)
    words = _Words(tempo_map, take.take.name, takes[lead].take.name, found)
    proposals = [Proposal(move.from_s, move.to_s, move.by_ms, (), words.of_move(move.phrases, move.by_ms))
                 for move in found.moves]
    edits = TakeEdits(found.shift_ms, tuple(with_edit_points(take, proposals, moves)), words.rerecord(), words.unmended)
    return SustainedTake(lead, compared.phrases, place, edits, True)


def _why_no_shift(take: OpenTake, place: TakePlace) -> str:
    """Why a take that is misplaced as a whole is not shifted; empty if it is."""
    where, shift_ms = place_words(place), place.shift_ms or 0.0
    if take.take.passes:
        return f"{where}; set shift_ms of its passes to {shift_ms:+g}"
    if take.heard_moves():
        return f"{where}; its moves would no longer fit, so remove them first (--undo removes those of --write)"
    if abs(take.take.shift_ms + shift_ms) > MOST_SHIFT_MS:
        return f"{where}; set starts to where its file begins in the song"
    return ""


@dataclass(frozen=True)
class _Words:
    """What is said of the phrases of one take."""

    tempo_map: TempoMap
    name: str
    lead: str
    found: PhraseEdits

    def of_move(self, phrases: Sequence[PhraseLag], by_ms: float) -> str:
        """Why phrases are moved."""
        return f"{self._where(phrases)}, {self.name}: {_late_words(-by_ms)} {self.lead}"

    def rerecord(self) -> tuple[Rerecord, ...]:
        """Phrases that are far away and cannot be moved; bars need a tempo."""
        return tuple(Rerecord(self._bars(one), self._stuck(one)) for one in self.found.stuck if self._is_far(one))

    @property
    def unmended(self) -> str:
        """Other phrases that cannot be moved."""
        return "; ".join(self._stuck(one) for one in self.found.stuck if not self._is_far(one))

    def _is_far(self, one: PhraseLag) -> bool:
        return self.tempo_map.has_grid and abs(one.late_ms) > PHRASE_EDITS.rerecord_ms

    def _stuck(self, one: PhraseLag) -> str:
        return (f"{self.name}, {self._where([one])}: {_late_words(one.late_ms)} {self.lead}, and no rest beside it is "
                "long enough for a move")

    def _bars(self, one: PhraseLag) -> tuple[int, int]:
        first, last = (max(self.tempo_map.bar_at(at_s), 1) for at_s in (one.from_s, one.to_s))
        return first, last

    def _where(self, phrases: Sequence[PhraseLag]) -> str:
        return f"{self.tempo_map.text_of(phrases[0].from_s)} to {self.tempo_map.text_of(phrases[-1].to_s)}"


def _late_words(ms: float) -> str:
    """84 ms behind / 84 ms ahead of."""
    return f"{abs(ms):.0f} ms {'behind' if ms > 0 else 'ahead of'}"

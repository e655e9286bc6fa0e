"""Findings of takes of voices, bowed strings and winds against the lead of their layer: misplaced, louder noises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.sustained.compare import LeadComparison, compare_with_lead
from layerpipe.analysis.sustained.edits import PHRASE_EDITS, propose_phrase_edits
from layerpipe.analysis.sustained.features import SustainedFeatures, measure_features
from layerpipe.analysis.sustained.noises import LouderNoise, NoiseKind, louder_noises
from layerpipe.analysis.takes_compared.song_offsets import TakePlace
from layerpipe.analysis.takes_compared.song_takes import most_apart_s
from layerpipe.core.listening import Question
from layerpipe.outputs.check.finding import Finding
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes.placing import Place, PlacedSound

NAMES: dict[NoiseKind, tuple[str, str]] = {
    "breath": ("breath", "fade it out or lower it there, so that both breathe as one"),
    "plosive": ("plosive", "a steeper high-pass just there removes it; re-record with a pop screen"),
    "sibilance": ("sibilance", "lower it there, or turn the singer a little off the microphone and re-record")}
MOST_PLACES = 200


@dataclass(frozen=True)
class SustainedCheck:
    """What was found of the sustained takes of a song, by their index."""

    places: dict[int, TakePlace]
    findings: dict[int, list[Finding]]


def check_sustained(takes: Sequence[CheckedTake], muted: Sequence[bool], tempo_map: TempoMap | None) -> SustainedCheck:
    """Compare the sustained takes of each layer with its lead, the first that is not muted.

    Parameters
    ----------
    takes : sequence of CheckedTake
    muted : sequence of bool
    tempo_map : TempoMap, optional

    Returns
    -------
    SustainedCheck
        Places name takes by their index, as text: titles may be equal.
    """
    sustained = [n for n, take in enumerate(takes) if take.kind.is_sustained and not take.is_silent]
    by_layer: dict[str, list[int]] = {}
    for n in sustained:
        by_layer.setdefault(takes[n].layer, []).append(n)
    layers = [members for members in by_layer.values() if len(members) > 1]
    asked = [n for members in layers for n in members]
    features: dict[int, SustainedFeatures] = dict(zip(
        asked, takes[0].ask.together([_in_the_song(takes[n]) for n in asked]), strict=True))
    most_lag_s = most_apart_s(tempo_map)
    found = SustainedCheck({n: TakePlace(str(n), takes[n].layer, "none" if n in asked else "unknown")
                            for n in sustained}, {})
    for members in layers:
        lead = next((n for n in members if not muted[n]), members[0])
        for n in members:
            if n != lead:
                compared = compare_with_lead(features[lead], features[n], most_lag_s=most_lag_s)
                found.places[n] = _place(n, lead, takes[n].layer, features[n], compared)
                if takes[n].kind.kind == "voice":
                    _add_noises(found.findings, takes, features, compared, lead, n)
    return found


def _in_the_song(take: CheckedTake) -> Question:
    """The question for the features of a take from the start of the song on."""
    late = round(take.starts_s * take.sound.rate_hz)
    return Question(measure_features, PlacedSound(take.sound, max(take.sound.frames + late, 1), Place(late, 0.0)))


def _place(n: int, lead: int, layer: str, features: SustainedFeatures, compared: LeadComparison) -> TakePlace:
    """Where a take lies against its lead."""
    edits = propose_phrase_edits(features, compared, tolerance_ms=PHRASE_EDITS.tolerance_ms)
    if not edits.is_known:
        return TakePlace(str(n), layer, "unknown", confidence=round(edits.confidence, 3))
    return TakePlace(str(n), layer, "offset" if edits.shift_ms else "none", True, round(edits.offset_ms or 0.0, 2),
                     None, edits.shift_ms or None, against=(str(lead),), confidence=round(edits.confidence, 3))


def _add_noises(findings: dict[int, list[Finding]], takes: Sequence[CheckedTake],
                features: dict[int, SustainedFeatures], compared: LeadComparison, lead: int, double: int) -> None:
    """Noises of either take that are louder than in the other."""
    for mine, other in ((double, lead), (lead, double)):
        noises = louder_noises(features[mine], features[other], compared, take_is_lead=mine == lead)
        for kind in NAMES:
            if of_kind := [one for one in noises if one.kind == kind]:
                findings.setdefault(mine, []).append(_finding(of_kind, takes[mine], takes[other]))


def _finding(noises: Sequence[LouderNoise], take: CheckedTake, other: CheckedTake) -> Finding:
    """All noises of one kind in one take."""
    worst = max(noises, key=lambda one: one.louder_db)
    name, advice = NAMES[worst.kind]
    at_s = max(worst.at_s - take.starts_s, 0.0)
    places = f"at {len(noises)} places, most " if len(noises) > 1 else ""
    return Finding(worst.kind, f"{name} louder than in {other.title} {places}at {take.place_of(at_s)}, by "
                   f"{worst.louder_db:.0f} dB", advice, at_s=at_s, level_db=None, details={
                       "against": other.title, "louder_db": round(worst.louder_db, 1),
                       "places_s": [round(one.at_s - take.starts_s, 2) for one in noises[:MOST_PLACES]],
                       "each_louder_db": [round(one.louder_db, 1) for one in noises[:MOST_PLACES]]})

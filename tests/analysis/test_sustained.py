"""Kinds, phrases and noises of voices and bowed strings, on takes made by `tests.support.sounds.sung`.

What is true of sampled and real voices is measured by `tests.bench.bench_kinds`; this keeps it from breaking.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from layerpipe.analysis.sustained.compare import LeadComparison, PhraseLag, compare_with_lead
from layerpipe.analysis.sustained.edits import PhraseEdits, propose_phrase_edits
from layerpipe.analysis.sustained.features import SustainedFeatures, measure_features
from layerpipe.analysis.sustained.kinds import recognise
from layerpipe.analysis.sustained.layer_kinds import kind_of_layer
from layerpipe.analysis.sustained.noises import louder_noises
from layerpipe.analysis.sustained.phrases import Phrase, find_phrases
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import Layer
from tests.support.examples import slow
from tests.support.sounds.strums import make_strums
from tests.support.sounds.sung import RATE_HZ, SungTake, sing

LATE_MS = (0.0, 90.0, 0.0, -120.0, 0.0, 60.0)
# Rasch, Acustica 43 (1979): members of trios are 27 to 49 ms apart (read second hand).
TOGETHER_MS = 30.0


@cache
def lead(kind: str = "voice") -> SungTake:
    return sing(1, kind=kind)


@cache
def double(kind: str = "voice", late_ms: tuple[float, ...] = LATE_MS) -> SungTake:
    return sing(1, kind=kind, again=1, late_ms=late_ms)


@cache
def heard(take: SungTake) -> SustainedFeatures:
    return measure_features(ArraySound(take.samples, RATE_HZ))


def edits_of(kind: str, late_ms: tuple[float, ...] = LATE_MS) -> PhraseEdits:
    features = heard(double(kind, late_ms))
    found = compare_with_lead(heard(lead(kind)), features, most_lag_s=4.0)
    return propose_phrase_edits(features, found, tolerance_ms=TOGETHER_MS)


def test_phrases_are_found_between_rests():
    found = [(one.start / 100, one.stop / 100) for one in find_phrases(heard(lead()))]
    np.testing.assert_allclose(found, lead().phrases_s, atol=0.08)


def test_a_silent_take_has_no_phrases():
    assert find_phrases(measure_features(ArraySound(np.zeros(RATE_HZ), RATE_HZ))) == []


@pytest.mark.parametrize("kind", ["voice", slow("bowed")])
def test_phrases_come_to_the_lead_and_cuts_lie_in_rests(kind):
    edits = edits_of(kind)
    assert edits.is_known
    assert edits.shift_ms == 0.0
    for late_ms, (from_s, to_s) in zip(LATE_MS, double(kind).phrases_s, strict=True):
        moved = [move for move in edits.moves if move.from_s < to_s and from_s < move.to_s]
        by_ms = sum(move.by_ms for move in moved)
        assert abs(late_ms + by_ms) < TOGETHER_MS
        assert bool(moved) == (abs(late_ms) > TOGETHER_MS)
        assert all(move.from_s < from_s and move.to_s > to_s - 0.05 for move in moved)


def test_a_take_that_is_late_as_a_whole_is_shifted_as_a_whole():
    edits = edits_of("voice", (300.0,) * 6)
    assert edits.shift_ms == pytest.approx(-300, abs=15)
    assert edits.moves == ()


def test_a_take_of_another_tune_is_not_judged():
    other = heard(sing(5, again=1))
    found = compare_with_lead(heard(lead()), other, most_lag_s=4.0)
    assert not propose_phrase_edits(other, found, tolerance_ms=TOGETHER_MS).is_known


def lags(*phrases: tuple[int, int, float, float]) -> tuple[PhraseLag, ...]:
    """Phrases from their frames, lag, and lag by the verifying features."""
    edges = [(0, phrases[0][0]), *((a[1], b[0]) for a, b in pairwise(phrases)),
             (phrases[-1][1], 2000)]
    return tuple(PhraseLag(Phrase(start, stop, edges[n][0], edges[n + 1][1]), late_ms, verified_ms, 0.8, True,
                           (late_ms, late_ms))
                 for n, (start, stop, late_ms, verified_ms) in enumerate(phrases))


def still(frames: int = 2000) -> SustainedFeatures:
    level = np.zeros(frames, np.float32)
    return SustainedFeatures(level, np.zeros((frames, 12), np.float32), np.zeros((frames, 24), np.float32), level,
                             level, level)


def test_a_phrase_without_room_in_the_rest_stays():
    found = propose_phrase_edits(still(), LeadComparison(0.0, lags((50, 300, 0, 0), (310, 600, 90, 88))),
                                 tolerance_ms=TOGETHER_MS)
    assert found.moves == ()
    assert [one.late_ms for one in found.stuck] == [90]


def test_neighbours_without_a_rest_between_them_are_moved_together():
    found = propose_phrase_edits(still(), LeadComparison(0.0, lags((50, 300, 0, 0), (340, 600, 90, 88),
                                                                   (605, 800, 84, 80), (840, 1500, 0, 0))),
                                 tolerance_ms=TOGETHER_MS)
    (move,) = found.moves
    assert move.by_ms == pytest.approx(-87.4, abs=0.2)
    assert 3.0 < move.from_s - 0.087 < move.from_s < 3.4
    assert 8.0 < move.to_s < 8.4


def test_a_move_that_the_spectral_envelope_does_not_confirm_is_not_made():
    found = propose_phrase_edits(still(), LeadComparison(0.0, lags((50, 300, 0, 0), (340, 600, 32, 8))),
                                 tolerance_ms=TOGETHER_MS)
    assert found.moves == ()


@pytest.mark.parametrize(("late_ms", "changed", "by_ms"), [
    (50, {}, -50), (50, {"halves_ms": (60.0, 40.0)}, -50), (50, {"halves_ms": (60.0, -20.0)}, 0),
    (50, {"likeness": 0.5}, -38), (34, {"likeness": 0.5}, 0)],
    ids=["alike", "halves near it", "one half early", "little alike", "little alike and near"])
def test_a_phrase_is_moved_by_no_more_than_its_lag_is_certain(late_ms: float, changed: dict[str, Any], by_ms: float):
    # Half alike, a lag is wrong by up to 16 + 15 ms: one of 50 may be 19, and a move of 38 leaves it no farther away.
    first, second = lags((50, 300, 0, 0), (340, 600, late_ms, late_ms))
    found = LeadComparison(0.0, (first, replace(second, **changed)))
    moves = propose_phrase_edits(still(), found, tolerance_ms=TOGETHER_MS).moves
    assert [move.by_ms for move in moves] == [by_ms] * bool(by_ms)


def test_a_short_rest_shortens_a_move_if_little_is_left():
    # 190 ms of rest, less 20 ms on either side, have room for 150 ms between two phrases.
    found = LeadComparison(0.0, lags((50, 300, 0, 0), (400, 600, 70, 72), (619, 900, -95, -95), (1000, 1500, 0, 0)))
    edits = propose_phrase_edits(still(), found, tolerance_ms=TOGETHER_MS)
    assert [move.by_ms for move in edits.moves] == [pytest.approx(-55, abs=0.3), 95]
    assert edits.stuck == ()


@pytest.mark.parametrize(("whole_ms", "first_ms", "shift_ms"), [(36, 36, 0), (44, 44, -44), (50, 20, 0),
                                                                (150, 20, -150)])
def test_a_take_is_shifted_if_it_plainly_is_misplaced_as_a_whole(whole_ms: float, first_ms: float, shift_ms: float):
    # A small shift is not made if it moves the first phrase to the other side of the lead.
    found = LeadComparison(whole_ms, lags((50, 150, first_ms, first_ms), (340, 600, whole_ms, whole_ms),
                                          (640, 900, whole_ms, whole_ms)))
    assert propose_phrase_edits(still(), found, tolerance_ms=TOGETHER_MS).shift_ms == shift_ms


def test_what_is_frozen_is_not_moved():
    found = LeadComparison(0.0, lags((50, 300, 0, 0), (340, 600, 90, 88)))
    assert propose_phrase_edits(still(), found, tolerance_ms=TOGETHER_MS).moves
    assert not propose_phrase_edits(still(), found, tolerance_ms=TOGETHER_MS, frozen=[(5.0, 5.5)]).moves


def test_voices_bowed_and_plucked_strings_are_told_apart():
    assert recognise([heard(lead("voice"))]).kind == "voice"
    assert recognise([heard(lead("bowed")), heard(double("bowed"))]).kind == "bowed"
    strums = make_strums(3, bars=6)
    assert recognise([measure_features(ArraySound(strums.samples, strums.rate_hz))]).kind == "plucked"


def test_the_recipe_decides_what_a_layer_is_and_strings_rule_out_a_voice():
    sound, span = ArraySound(lead().samples, RATE_HZ), (0, len(lead().samples))

    def layer(**more: object) -> Layer:
        return Layer.of({"name": "a", "take": [{"name": "b", "file": "b.wav"}], **more})

    assert kind_of_layer(layer(kind="wind"), sound, span).words == "wind"
    assert kind_of_layer(layer(), sound, span).words == "heard as voice"
    assert kind_of_layer(layer(strings=["E2"]), sound, span).words == "heard as bowed"


def test_noises_of_one_voice_alone_are_told():
    noisy = sing(1, again=1, hiss_db=-12.0, breath_db=-20.0, pop_db=-6.0)
    features = heard(noisy)
    found = compare_with_lead(heard(lead()), features, most_lag_s=4.0)
    told = louder_noises(features, heard(lead()), found, take_is_lead=False)
    for kind, at_s in (("breath", -0.45), ("plosive", 0.3), ("sibilance", 0.6)):
        planted = [start_s + at_s for start_s, _ in noisy.phrases_s[::2]]
        np.testing.assert_allclose([one.at_s for one in told if one.kind == kind], planted, atol=0.1)
    assert louder_noises(heard(lead()), features, found, take_is_lead=True) == []


def test_noises_that_both_voices_have_are_not_told():
    both = [sing(1, again=again, hiss_db=-12.0, breath_db=-20.0, pop_db=-6.0) for again in (0, 1)]
    found = compare_with_lead(heard(both[0]), heard(both[1]), most_lag_s=4.0)
    assert louder_noises(heard(both[1]), heard(both[0]), found, take_is_lead=False) == []

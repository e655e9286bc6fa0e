"""Takes of a song beside each other: which one is misplaced, and which one plays other notes.

Truth: takes are strummed by `sounds.strums`, each anew with 8 ms of scatter, and moved or fretted wrong by known
amounts. Audibility of an offset (nothing below 10 ms, told from 20 ms on): Friberg and Sundberg, JASA 98, 1995.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.takes_compared.events import events_of
from layerpipe.analysis.takes_compared.matching import Events
from layerpipe.analysis.takes_compared.notes.compared import NoteLimits, WrongNotes, judge_notes
from layerpipe.analysis.takes_compared.notes.profiles import (
    PER_SEMITONE,
    STEP_S,
    NoteProfiles,
    note_profiles,
    step_times_s,
)
from layerpipe.analysis.takes_compared.offset import compare_offsets
from layerpipe.analysis.takes_compared.song_offsets import TakePlace, judge_offsets
from layerpipe.analysis.takes_compared.song_takes import ComparedPair, ComparedTake, compare_pairs
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from tests.support.examples import slow
from tests.support.sounds.strums import RATE_HZ, Fingering, Hand, make_strums

TEMPO, BARS = 92.0, 10
BEAT_S, BAR_S = 60 / TEMPO, 240 / TEMPO
TEMPO_MAP = TempoMap.of(Recipe.of({
    "song": {"title": "T", "tempo": TEMPO, "meter": "4/4", "bar_one_s": 0.6},
    "layer": [{"name": "a", "take": [{"name": "left", "file": "left.wav"}]}]}))
Chord = tuple[int, ...]


def heard(samples: np.ndarray, name: str) -> ComparedTake:
    """A take as it is heard; the first letter of its name is its layer."""
    take = ArraySound(samples, RATE_HZ)
    return ComparedTake(name, name[0], events_of(detect_onsets(take)), note_profiles(take, step_times_s(take)))


@cache
def strummed(seed: int, harmony: int = 3) -> np.ndarray:
    """One take of the song."""
    return make_strums(seed, voice="nylon", hand=Hand(scatter_ms=8.0), tempo=TEMPO, bars=BARS, harmony=harmony).samples


@cache
def song() -> tuple[ComparedTake, ...]:
    """Two layers of two takes."""
    return tuple(heard(strummed(seed), name) for seed, name in enumerate(("a0", "a1", "b0", "b1")))


def fretted(finger: Fingering) -> ComparedTake:
    """The first take with other notes."""
    return heard(make_strums(9, voice="nylon", hand=Hand(scatter_ms=8.0), tempo=TEMPO, bars=BARS, harmony=3,
                             fingering=finger).samples, "a0")


def at_times(take: ComparedTake, move: Callable[[np.ndarray], np.ndarray]) -> ComparedTake:
    """The take with its onsets elsewhere: a moved file is heard the same."""
    return replace(take, events=replace(take.events, time_s=move(take.events.time_s)))


def places(*takes: ComparedTake, tempo_map: TempoMap | None = TEMPO_MAP) -> dict[str, TakePlace]:
    """What is said of each take."""
    found = judge_offsets(takes, compare_pairs(takes, tempo_map), tempo_map)
    return {one.take: one for one in found}


def notes(*takes: ComparedTake, tempo_map: TempoMap | None = TEMPO_MAP) -> list[WrongNotes]:
    """What is said of wrong notes."""
    return judge_notes(takes, compare_pairs(takes, tempo_map), tempo_map)


def test_takes_that_are_in_place_are_left_alone() -> None:
    found = places(*song())
    assert [one.kind for one in found.values()] == ["none"] * 4
    assert all(one.shift_ms is None and one.confidence > 0.8 for one in found.values())
    assert notes(*song()) == []


def test_a_file_that_begins_later_is_told_by_the_offset_and_shifted_back() -> None:
    base_ms = places(*song())["a0"].offset_ms
    late = np.concatenate([np.zeros(round(0.12 * RATE_HZ)), strummed(0)])
    found = places(heard(late, "a0"), *song()[1:])
    assert found["a0"].kind == "offset"
    assert found["a0"].offset_ms == pytest.approx(120 + base_ms, abs=2)
    assert found["a0"].shift_ms == pytest.approx(-found["a0"].offset_ms, abs=0.1)
    assert [found[name].kind for name in ("a1", "b0", "b1")] == ["none"] * 3


@pytest.mark.parametrize(("late_ms", "count"), [
    (-2000.0, 2), (25.0, 2), (170.0, 4), slow(-2000.0, 4), slow(-300.0, 2), slow(-300.0, 4), slow(-41.0, 2),
    slow(-41.0, 4), slow(25.0, 4), slow(170.0, 2), slow(900.0, 2), slow(900.0, 4)])
def test_one_offset_is_one_shift(late_ms: float, count: int) -> None:
    takes = song()[:count]
    base_ms = places(*takes)["a0"].offset_ms
    found = places(at_times(takes[0], lambda at: at + (late_ms - base_ms) / 1000), *takes[1:])
    assert found["a0"].offset_ms == pytest.approx(late_ms, abs=2)
    if found["a0"].decided:
        assert found["a0"].shift_ms == pytest.approx(-late_ms, abs=2)
        assert found["a1"].kind == "none"
    else:
        # Two takes 25 ms apart fit the grid about equally well: both are named and nothing is proposed.
        assert count == 2
        assert abs(late_ms) < 60
        assert found["a0"].shift_ms is None
        assert found["a1"].kind == "offset"


@pytest.mark.parametrize(("move_s", "kind", "whole", "words"), [
    (BEAT_S, "beat", 1, "one beat late"), (-BEAT_S, "beat", -1, "one beat early"), (BAR_S, "bar", 1, "one bar late"),
    (2 * BEAT_S + 0.02, "beat", 2, "2 beats late and")])
def test_whole_beats_and_bars_are_told_as_such(move_s: float, kind: str, whole: int, words: str) -> None:
    found = places(at_times(song()[0], lambda at: at + move_s), *song()[1:])["a0"]
    assert (found.kind, found.whole) == (kind, whole)
    assert found.words.startswith(words)
    assert found.shift_ms == pytest.approx(-1000 * move_s, abs=8)


def test_without_a_tempo_a_majority_still_decides_and_two_takes_do_not() -> None:
    late = at_times(song()[0], lambda at: at + 0.4)
    found = places(late, *song()[1:], tempo_map=None)
    assert (found["a0"].kind, found["a0"].decided, found["b1"].kind) == ("offset", True, "none")
    two = places(late, song()[1], tempo_map=None)
    assert [(one.kind, one.decided, one.shift_ms) for one in two.values()] == [("offset", False, None)] * 2
    assert two["a0"].offset_ms == pytest.approx(-two["a1"].offset_ms)


@pytest.mark.parametrize("percent", [-2.0, 0.3, slow(1.0)])
def test_a_drift_is_told_with_its_pace_and_curve(percent: float) -> None:
    found = places(at_times(song()[0], lambda at: at * (1 + percent / 100)), *song()[1:])
    assert found["a0"].kind == "drift"
    assert found["a0"].drift_ms_per_min == pytest.approx(600 * percent, abs=25, rel=0.05)
    assert np.ptp([late for _, late in found["a0"].curve]) == pytest.approx(10 * abs(percent) * BARS * BAR_S, rel=0.25)
    assert found["a0"].shift_ms is None
    assert [found[name].kind for name in ("a1", "b0", "b1")] == ["none"] * 3


def test_a_tempo_that_sways_is_a_wobble() -> None:
    sway = 0.01 * 16 / (2 * np.pi)
    found = places(at_times(song()[0], lambda at: at + sway * np.sin(2 * np.pi * at / 16)), *song()[1:])
    assert found["a0"].kind == "wobble"
    assert found["a1"].kind == "none"


def test_two_takes_that_drift_against_each_other_and_no_other_take_are_not_blamed() -> None:
    takes = song()[1:]
    pairs = [replace(pair, found=replace(pair.found, course="drift")) if pair.doubles else pair
             for pair in compare_pairs(takes, TEMPO_MAP)]
    assert sum(pair.doubles for pair in pairs) == 1
    assert [one.kind for one in judge_offsets(takes, pairs, TEMPO_MAP)] == ["none"] * 3


def test_a_slow_drift_is_told_by_all_pairs_of_a_take() -> None:
    pairs = compare_pairs(song(), TEMPO_MAP)
    seconds = pairs[0].found.length_s

    def with_drift(pair: ComparedPair, drift_ms: float, error_ms: float) -> ComparedPair:
        return replace(pair, found=replace(pair.found, course="steady", drift_ms_per_min=60 * drift_ms / seconds,
                                           drift_error_ms_per_min=60 * error_ms / seconds))

    # Of each pair alone, the drift is too small or not sure (40 ms and five errors are asked for).
    slow = {(0, 1): (36.0, 8.0), (0, 2): (61.0, 13.0), (0, 3): (55.0, 7.0)}
    drifting = [with_drift(pair, *slow.get((pair.one, pair.other), (0.0, 7.0))) for pair in pairs]
    assert [one.kind for one in judge_offsets(song(), drifting, TEMPO_MAP)] == ["drift", "none", "none", "none"]
    calm = [with_drift(pair, *((36.0, 7.0) if pair.one == 0 else (0.0, 7.0))) for pair in pairs]
    assert [one.kind for one in judge_offsets(song(), calm, TEMPO_MAP)] == ["none"] * 4


def test_a_layer_that_pauses_for_some_strokes_is_in_place() -> None:
    layer = song()[2].events
    kept = np.arange(len(layer.time_s)) % 14 < 8
    found = compare_offsets(song()[0].events, Events(layer.time_s[kept], layer.level_db[kept], layer.chroma[kept],
                                                     layer.confidence[kept]), most_lag_s=2 * BAR_S)
    assert found.course == "steady"
    assert found.pairs > 0.9 * np.count_nonzero(kept)
    assert abs(found.offset_ms or 0.0) < 15


def test_where_the_grid_and_the_start_contradict_each_other_both_takes_are_named() -> None:
    sixteenth_s = BEAT_S / 4
    found = places(at_times(song()[0], lambda at: at - sixteenth_s), at_times(song()[1], lambda at: at - 0.04))
    assert [(one.kind, one.decided, one.shift_ms) for one in found.values()] == [("offset", False, None)] * 2


def test_the_grid_does_not_decide_where_no_take_is_on_it() -> None:
    # Two takes 80 ms apart, on either side of the grid and then 50 ms away from it.
    first, second = song()[:2]
    for by_s in (0.0, 0.05):
        apart = [at_times(take, lambda at, to_s=to_s: at + to_s) for take, to_s in
                 ((first, by_s), (second, by_s + 0.08))]
        assert places(*apart)["a1"].decided == (by_s == 0.0)


def test_an_overdub_that_starts_later_is_not_late() -> None:
    take = song()[0]
    kept = take.events.time_s > 0.5 + 5 * BAR_S
    events = Events(take.events.time_s[kept], take.events.level_db[kept], take.events.chroma[kept],
                    take.events.confidence[kept])
    found = places(replace(take, events=events, profiles=None), *song()[1:])
    assert found["a0"].kind == "none"


def test_a_muted_take_is_judged_but_judges_nobody() -> None:
    late = [replace(at_times(take, lambda at: at + 0.15), muted=True) for take in song()[1:3]]
    found = places(song()[0], *late, song()[3])
    assert (found["a0"].kind, found["b1"].kind) == ("none", "none")
    assert (found["a1"].kind, found["b0"].kind) == ("offset", "offset")
    assert set(found["a0"].against) == {"b1"}


def test_takes_of_different_songs_and_takes_hardly_heard_are_unknown() -> None:
    other = heard(make_strums(31, voice="nylon", tempo=71.0, meter="3/4", bars=BARS, harmony=8).samples, "a1")
    found = places(song()[0], other)
    assert [one.kind for one in found.values()] == ["unknown", "unknown"]
    assert all(one.confidence < 0.5 and one.shift_ms is None for one in found.values())
    random = np.random.default_rng(4)
    few = []
    for take in song()[:2]:
        kept = random.random(len(take.events.time_s)) < 0.12
        few.append(replace(take, profiles=None, events=Events(
            take.events.time_s[kept], take.events.level_db[kept], take.events.chroma[kept],
            take.events.confidence[kept])))
    assert [one.kind for one in places(*few).values()] == ["unknown", "unknown"]


@pytest.mark.parametrize("semitones", [-1, slow(2)])
def test_a_take_in_another_key_is_named_with_its_semitones(semitones: int) -> None:
    wrong = fretted(lambda _, chord: tuple(note + semitones for note in chord))
    (found,) = notes(wrong, *song()[1:])
    assert (found.take, found.what, found.semitones, found.decided) == ("a0", "all", semitones, True)
    assert set(found.bars) >= set(range(1, BARS + 1))
    assert places(wrong, *song()[1:])["a0"].kind == "none"
    # Where onsets tell nothing, the notes say how the takes lie, even if one begins later.
    takes = (replace(wrong, starts_s=0.8), *song()[1:])
    doubted = [replace(pair, found=replace(pair.found, confidence=0.0, course="unknown", semitones=0))
               for pair in compare_pairs(takes, TEMPO_MAP)]
    assert [(one.take, one.semitones) for one in judge_notes(takes, doubted, TEMPO_MAP)] == [("a0", semitones)]
    two = notes(wrong, song()[1])
    assert [(one.take, one.semitones, one.decided) for one in two] == [("a0", semitones, False),
                                                                      ("a1", -semitones, False)]


def test_a_wrong_chord_is_named_with_its_bars() -> None:
    def finger(bar: int, chord: Chord) -> Chord:
        return tuple(note + 5 for note in chord) if 4 <= bar <= 7 else chord

    (found,) = notes(fretted(finger), *song()[1:])
    assert (found.take, found.what, found.bars, found.semitones) == ("a0", "chords", (4, 5, 6, 7), 5)
    assert set(found.against) == {"a1", "b0", "b1"}


def test_what_sounds_before_bar_one_is_no_wrong_chord() -> None:
    rows = 15  # more than two bars
    talk = np.random.default_rng(1).random((2, rows, song()[0].profiles.profiles.shape[1]), np.float32) ** 4
    talk *= song()[0].profiles.profiles.max()
    takes = [replace(take, profiles=NoteProfiles(np.concatenate([talk[int(n > 0)], take.profiles.profiles])),
                     starts_s=-rows * STEP_S) for n, take in enumerate(song())]
    assert rows * STEP_S > 2 * BAR_S
    assert notes(*takes) == []


def test_between_takes_of_different_keys_chords_are_not_compared() -> None:
    higher, *rest = song()
    rows = np.roll(higher.profiles.profiles, PER_SEMITONE, axis=1)
    rows[20:28] = np.roll(rows[20:28], 4 * PER_SEMITONE, axis=1)
    takes = (replace(higher, profiles=NoteProfiles(rows)), *rest)
    pairs = [replace(pair, found=replace(pair.found, semitones=int(pair.one == 0)))
             for pair in compare_pairs(takes, TEMPO_MAP)]
    assert [(one.take, one.what, one.semitones) for one in judge_notes(takes, pairs, TEMPO_MAP)] == [("a0", "all", 1)]


@pytest.mark.parametrize("semitones", [-1, slow(1)])
def test_one_string_a_semitone_off_is_heard(semitones: int) -> None:
    wrong = fretted(lambda _, chord: (*chord[:2], chord[2] + semitones, *chord[3:]))
    (found,) = notes(wrong, *song()[1:])
    assert (found.take, found.what, found.semitones, found.decided) == ("a0", "string", semitones, True)
    assert len(found.bars) >= 0.7 * BARS
    # Layers that show less of it have no vote against the doubles.
    takes = (wrong, *song()[1:])
    (found,) = judge_notes(takes, compare_pairs(takes, TEMPO_MAP), TEMPO_MAP, NoteLimits(string_layers=50.0))
    assert (found.take, found.against, found.decided) == ("a0", ("a1",), True)


def test_results_are_plain_json_and_the_same_twice() -> None:
    late = at_times(song()[0], lambda at: at * 1.01)
    first, again = (json.dumps([one.as_json() for one in places(late, *song()[1:]).values()]) for _ in range(2))
    assert first == again
    assert json.loads(first)[0]["kind"] == "drift"

"""Places, feel, tightness, moves, what to play again, tempo: on onsets that are known, and on takes that are heard."""

from __future__ import annotations

import mir_eval
import numpy as np
import pytest

from layerpipe.analysis.onsets.detect import Heard, Onset, hear_strums
from layerpipe.analysis.timing.align import place_onsets, with_faint
from layerpipe.analysis.timing.crossfades import check_joints, choose_joints, choose_length
from layerpipe.analysis.timing.proposals import judge_take
from layerpipe.analysis.timing.retakes import Stretch
from layerpipe.analysis.timing.segments import loose_pieces
from layerpipe.analysis.timing.tempo import guess_clock, is_close
from layerpipe.analysis.timing.tightness import pair_from, pair_of
from layerpipe.core.sound import ArraySound
from layerpipe.dsp.splicing import FrameMove
from layerpipe.recipe.model import Recipe, Timing
from layerpipe.recipe.tempo_map import TempoMap
from tests.support.planted import compare_moves, judge, plant_song
from tests.support.strums import EASY, HARD, make_strums


def recipe_of(**song):
    take = {"name": "left", "file": "left.wav"}
    return Recipe.model_validate({"song": {"title": "T", **song}, "layer": [{"name": "a", "take": [take]}]})


def time_text(tempo=90.0, meter="4/4", bar_one_s=1.0):
    return TempoMap.of(recipe_of(tempo=tempo, meter=meter, bar_one_s=bar_one_s))


def placed_at(times_s, tempo_map, *, level_db=-20.0):
    onsets = [Onset(float(at), 1.0, 30.0, level_db) for at in times_s]
    return place_onsets(onsets, [onset.at_s for onset in onsets], tempo_map)


def eighths(rng, *, bars=16, scatter_ms=4.0, tempo=90.0, bar_one_s=1.0):
    """Every eighth of 4/4 bars, human."""
    at = bar_one_s + np.arange(bars * 8) * 30 / tempo
    return at + rng.normal(0, scatter_ms / 1000, len(at))


def scored(take, onsets):
    """Strums found within 50 ms, strums invented."""
    times = np.array([onset.at_s for onset in onsets])
    found = len(mir_eval.util.match_events(take.onsets_s, times, 0.05))
    return found, len(times) - found


WHOLE = [Stretch("the whole take", 1, 16)]


def test_onsets_are_matched_to_bar_beat_and_sixteenth():
    placed = placed_at([1.0, 1.0 + 1 / 3 + 0.01, 1.0 + 2 / 3, 1.0 + 8 / 3 - 0.02], time_text())
    assert [strum.spot.text for strum in placed.strums] == [
        "bar 1 beat 1", "bar 1 beat 1.5", "bar 1 beat 2", "bar 2 beat 1"]
    assert [round(strum.off_ms) for strum in placed.strums] == [0, 10, 0, -20]


def test_very_soft_strums_are_found_where_they_are_expected_and_are_not_sure():
    take = make_strums(24, voice="modal", hand=HARD, meter="4/4", tempo=84.0, bars=10)
    heard = hear_strums(ArraySound(take.samples, take.rate_hz))
    onsets = with_faint(heard, time_text(84.0, bar_one_s=take.bar_one_s))
    assert scored(take, onsets)[0] >= scored(take, heard.onsets)[0] + 2
    assert scored(take, onsets) == (len(take.onsets_s), 0)
    assert all(onset.sure < 0.35 for onset in onsets if onset not in heard.onsets)
    assert with_faint(heard, TempoMap.of(recipe_of())) == heard.onsets


@pytest.mark.parametrize("meter", ["6/8", "12/8"])
def test_bars_are_as_long_as_their_chords(meter):
    takes = [make_strums(seed, hand=EASY, meter=meter, tempo=57.0, bars=16 // (1 + (meter == "12/8")))
             for seed in (805, 855)]
    guesses = guess_clock([hear_strums(ArraySound(take.samples, take.rate_hz)).onsets for take in takes])
    assert (guesses[0].meter, guesses[0].tempo) == (meter, pytest.approx(57.0, rel=0.002))
    assert guesses[0].bar_one_s == pytest.approx(0.6, abs=0.02)
    assert {"6/8", "12/8"} <= {guess.meter for guess in guesses}


def test_a_strum_that_was_left_out_is_not_invented_where_it_is_expected():
    take = make_strums(5, hand=EASY, meter="4/4", tempo=84.0, bars=10, drop=((3, 4), (5, 6), (6, 2), (8, 0), (9, 4)))
    heard = hear_strums(ArraySound(take.samples, take.rate_hz))
    onsets = with_faint(heard, time_text(84.0, bar_one_s=take.bar_one_s))
    assert scored(take, onsets) == (len(take.onsets_s), 0)


def test_tempo_and_meter_changes_are_followed():
    recipe = Recipe.model_validate({
        "song": {"title": "T", "tempo": 120.0, "meter": "3/4"},
        "tempo": [{"from_bar": 2, "tempo": 60.0, "meter": "6/8"}],
        "layer": [{"name": "a", "take": [{"name": "left", "file": "left.wav"}]}]})
    placed = placed_at([0.0, 0.5, 1.0, 1.5, 1.5 + 1 / 3, 2.5, 3.5], TempoMap.of(recipe))
    assert [strum.spot.text for strum in placed.strums] == [
        "bar 1 beat 1", "bar 1 beat 2", "bar 1 beat 3", "bar 2 beat 1", "bar 2 beat 1+1/3", "bar 2 beat 2",
        "bar 3 beat 1"]


def test_a_constant_offset_is_feel_and_not_a_fault(rng):
    placed = placed_at(eighths(rng) + 0.022, time_text())
    assert placed.average_offset_ms == pytest.approx(22, abs=1.5)
    assert placed.scatter_ms == pytest.approx(4, abs=1)
    assert judge_take("left", placed, None, [], WHOLE, Timing()) == ([], [])


@pytest.mark.parametrize("late_s", [0.055, 1 / 9])
def test_a_swung_feel_is_feel_up_to_triplets(rng, late_s):
    times = eighths(rng)
    times[1::2] += late_s
    placed = placed_at(times, time_text())
    assert placed.feels_ms
    assert placed.scatter_ms < 7
    assert judge_take("left", placed, None, [], WHOLE, Timing()) == ([], [])


def test_a_free_intro_has_no_places_but_a_pick_up_has(rng):
    played = eighths(rng)
    free = placed_at([0.13, 0.41, 0.77, *played], time_text())
    assert free.free_intro == 3
    assert [strum.spot for strum in free.strums[:3]] == [None] * 3
    pick_up = placed_at([1 - 2 / 3 + 0.004, 1 - 1 / 3, *played], time_text())
    assert [strum.spot.text for strum in pick_up.strums[:2]] == ["bar 0 beat 4", "bar 0 beat 4.5"]


def test_a_strum_that_is_far_off_does_not_take_a_place_the_take_never_plays(rng):
    times = eighths(rng)
    times[40] += 0.1
    strum = placed_at(times, time_text()).strums[40]
    assert (strum.spot.text, round(strum.off_ms, -1)) == ("bar 6 beat 1", 100)


def test_runs_are_one_piece_and_single_strums_are_short_ones(rng):
    late = rng.normal(0, 4, 120)
    late[0] -= 34
    late[40:48] += 26
    late[90] += 45
    found = loose_pieces(late, 4.0, 15.0)
    assert [(piece.first, piece.last) for piece in found] == [(0, 0), (40, 47), (90, 90)]
    assert found[1].off_ms == pytest.approx(26, abs=4)


def test_nothing_below_the_tolerance_is_proposed(rng):
    late = rng.normal(0, 1.0, 200)
    late[50:60] += 13.0
    assert loose_pieces(late, 1.0, 15.0) == []


def test_a_move_goes_to_the_double_and_says_why(rng):
    times = eighths(rng)
    double = eighths(rng)
    times[0] = double[0] - 0.034
    tempo_map = time_text()
    mine, other = placed_at(times, tempo_map), placed_at(double, tempo_map)
    moves, again = judge_take("right", mine, ("the left", other), [other], WHOLE, Timing())
    assert again == []
    assert len(moves) == 1
    assert moves[0].why == "bar 1 beat 1, right: 34 ms early against the left; 1 move"
    assert moves[0].by_ms == pytest.approx(34.0, abs=0.11)
    assert moves[0].from_s < times[0] < moves[0].to_s < times[1]
    grid_moves, _ = judge_take("right", mine, ("the left", other), [other], WHOLE, Timing(toward="grid"))
    assert times[0] + grid_moves[0].by_ms / 1000 == pytest.approx(1.0 + mine.average_offset_ms / 1000, abs=0.001)


@pytest.mark.parametrize(("scatter_ms", "again"), [(4, False), (8, False), (16, True), (24, True)])
def test_a_take_that_is_loose_all_over_is_played_again_and_not_repaired(rng, scatter_ms, again):
    placed = placed_at(eighths(rng, scatter_ms=scatter_ms), time_text())
    moves, found = judge_take("left", placed, None, [], WHOLE, Timing())
    assert bool(found) is again
    if again:
        assert moves == []
        assert found[0].bars == (1, 16)


def test_a_strum_past_the_farthest_and_a_missing_one_are_played_again(rng):
    times, double = eighths(rng), eighths(rng)
    times[16] += 0.095
    tempo_map = time_text()
    mine, other = placed_at(np.delete(times, 72), tempo_map), placed_at(double, tempo_map)
    moves, again = judge_take("left", mine, ("the right", other), [other], WHOLE, Timing())
    assert moves == []
    assert [one.bars for one in again] == [(3, 3), (10, 10)]
    assert "missing" in again[1].why


def test_a_section_that_needs_too_many_moves_is_played_again_and_the_rest_is_repaired(rng):
    times = eighths(rng)
    times[[1, 5, 9, 14]] += 0.04
    times[100] += 0.04
    stretches = [Stretch("verse", 1, 4), Stretch("chorus", 5, 16)]
    moves, again = judge_take("left", placed_at(times, time_text()), None, [], stretches, Timing())
    assert [one.bars for one in again] == [(1, 4)]
    assert [move.strums[0].spot.bar for move in moves] == [13]


def test_pairs_tell_how_far_apart_and_whether_they_sound_as_one(rng):
    tempo_map = time_text()
    times = eighths(rng, scatter_ms=0.0)
    pair = pair_of(("a/left", "a/right"), placed_at(times, tempo_map), placed_at(times + 0.012, tempo_map))
    assert (pair.strums, round(pair.median_ms), round(pair.lag_ms)) == (128, 12, -12)
    assert [pair.within[limit] for limit in (5, 10, 20, 30)] == [0, 0, 1, 1]
    assert pair_from(("a", "b"), np.zeros(4)).as_one == 1.0
    assert pair_from(("a", "b"), np.full(4, 50.0)).as_one == 0.0


def test_takes_are_paired_without_a_tempo_too(rng):
    tempo_map = TempoMap.of(recipe_of())
    times = eighths(rng)
    pair = pair_of(("a/left", "a/right"), placed_at(times, tempo_map), placed_at(times + 0.01, tempo_map))
    assert (pair.strums, round(pair.median_ms)) == (128, 10)


@pytest.mark.parametrize("seed", [0, 1])
def test_planted_places_are_found_in_heard_takes_and_nothing_else_is_moved(seed):
    song = plant_song(seed, voice="steel", hand=EASY, bars=8, places=2)
    heard = [hear_strums(ArraySound(take.samples, take.rate_hz)) for take in song.takes]
    planted, found, false = compare_moves(song, judge(song, heard))
    assert (found, false) == (planted, 0)


def test_a_joint_that_dips_is_made_earlier_where_that_is_cleaner():
    t = np.arange(40_000) / 48_000
    # Half a period later the tone meets itself upside down; before it begins there is nothing to meet.
    tone = np.where((t > 0.42) & (t < 0.6), 0.3 * np.sin(2 * np.pi * 200 * t), 0.0)
    sound = ArraySound(tone + 1e-4 * np.random.default_rng(0).standard_normal(len(t)), 48_000)
    move = FrameMove(round(0.44 * 48_000), 34_000, 120, 240)
    assert any(check.dip_db > 1.5 for check in choose_length(sound, [], move)[1])
    kept, checks = choose_joints(sound, [], move)
    assert move.start - 0.012 * 48_000 <= kept.start < move.start
    assert (kept.stop, kept.by) == (move.stop, move.by)
    assert not any(check.is_heard for check in checks)
    # A neighbour is not run into.
    beside = FrameMove(move.start - 4_000, move.start, 48, 240)
    assert choose_joints(sound, [beside], move)[0].start == move.start


def test_a_crossfade_is_lengthened_until_its_joint_is_not_heard():
    t = np.arange(48_000) / 48_000
    sound = ArraySound(np.sin(2 * np.pi * 110 * t) * np.exp(-t), 48_000)
    move = FrameMove(20_000, 30_000, 1700, 1)
    rough = check_joints(sound, [FrameMove(20_000, 30_000, 1700, 2)])
    crossfade_ms, checks = choose_length(sound, [], move)
    assert max(check.click_db for check in rough) > 6
    assert not any(check.is_heard for check in checks)
    assert 5.0 <= crossfade_ms <= 30.0


def test_a_clock_is_guessed_from_strums():
    take = make_strums(2, hand=EASY, meter="4/4", tempo=96.0, bars=8, bar_one_s=0.9)
    best = guess_clock([hear_strums(ArraySound(take.samples, take.rate_hz)).onsets])[0]
    assert best.tempo == pytest.approx(96.0, rel=0.002)
    assert best.meter == "4/4"
    assert best.bar_one_s == pytest.approx(0.9, abs=0.02)
    assert 0 < best.sure <= 1


def test_a_bar_whose_halves_hardly_differ_is_six_eight_and_no_more_than_a_guess(rng):
    halves = [(1.0, 0.3, 0.45, 0.85, 0.3, 0.5), (0.94, 0.3, 0.45, 0.85, 0.3, 0.5)]
    strums = [Onset(0.5 + n * 60 / 58 / 3 + rng.normal(0, 0.004), 0.9, 15.0,
                    -20.0 + 20 * np.log10(halves[n // 6 % 2][n % 6]) + rng.normal(0, 0.5)) for n in range(96)]
    guesses = guess_clock([strums])
    assert (guesses[0].meter, guesses[0].tempo) == ("6/8", pytest.approx(58.0, rel=0.002))
    assert is_close(guesses)


def test_too_few_strums_give_no_clock():
    assert guess_clock([Heard([], []).onsets, [Onset(1.0, 1.0, 20.0, -20.0)]]) == []

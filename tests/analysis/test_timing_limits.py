"""Limits of onsets and timing, each from both sides. The limits are our own, tuned on takes with known faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from layerpipe.analysis.onsets.arrival import Arrival
from layerpipe.analysis.onsets.damping import is_cut_off, is_damped, is_falling
from layerpipe.analysis.onsets.onset import Detection, Onset, Onsets
from layerpipe.analysis.timing.edits.proposals import propose_edits
from layerpipe.analysis.timing.edits.retakes import BarRange, find_missing
from layerpipe.analysis.timing.edits.segments import partition, segment_penalties
from layerpipe.analysis.timing.grid.align import align_onsets
from layerpipe.analysis.timing.grid.expected import onsets_with_expected
from layerpipe.analysis.timing.grid.tempo import find_other_tempo, round_tempo
from layerpipe.analysis.timing.tightness import compare_takes, summarise_differences
from layerpipe.recipe.model.recipe import Recipe, Timing
from layerpipe.recipe.tempo_map import TempoMap

EIGHTH_S = 1 / 3


def map_of(**song):
    return TempoMap.of(Recipe.of({
        "song": {"title": "T", **song}, "layer": [{"name": "a", "take": [{"name": "left", "file": "left.wav"}]}]}))


GRID = map_of(tempo=90.0, meter="4/4", bar_one_s=1.0)


def onsets_at(times_s, **kinds):
    return [Onset(float(at), **{"confidence": 1.0, "rise_db": 30.0, "level_db": -20.0, **kinds}) for at in times_s]


def aligned(onsets, tempo_map=GRID, doubtful_s=()):
    return align_onsets(onsets, [onset.at_s for onset in onsets], tempo_map, doubtful_s)


def eighths(bars=16, *, spread_ms=4.0, seed=1):
    """Every eighth, with a spread that is the same whatever the seed."""
    scatter = np.random.default_rng(seed).permutation(np.linspace(-1, 1, bars * 8) * spread_ms * 1.35)
    return 1.0 + np.arange(bars * 8) * EIGHTH_S + scatter / 1000


@pytest.mark.parametrize(("apart_ms", "share"), [(0, 1.0), (10, 1.0), (25, 0.5), (40, 0.0), (60, 0.0)])
def test_sounds_as_one_falls_evenly_from_ten_to_forty_ms(apart_ms, share):
    assert summarise_differences(("a", "b"), np.full(4, -float(apart_ms))).sounds_as_one == pytest.approx(share)


@pytest.mark.parametrize(("apart_s", "pairs"), [(0.078, 128), (0.082, 0)])
def test_without_a_grid_onsets_up_to_80_ms_apart_are_a_pair(apart_s, pairs):
    times = 1.0 + np.arange(128) * EIGHTH_S
    free = map_of()
    one, other = aligned(onsets_at(times), free), aligned(onsets_at(times + apart_s), free)
    assert compare_takes(("a", "b"), one, other).onsets == pairs


@pytest.mark.parametrize(("spreads", "at", "found"), [(3.3, 40, 0), (3.6, 40, 1), (2.5, 0, 0), (2.8, 0, 1)])
def test_one_onset_is_displaced_from_3_5_spreads_on_and_from_2_6_at_the_first_downbeat(spreads, at, found):
    onsets = aligned(onsets_at(1.0 + np.arange(64) * EIGHTH_S)).onsets
    late_ms = np.zeros(64)
    late_ms[at] = 8.0 * spreads
    assert len(partition(late_ms, 8.0, 15.0, segment_penalties(onsets.heard_s, onsets.points.key))) == found


@pytest.mark.parametrize(("break_s", "penalty"), [(1.4, 12.0), (1.6, 7.0)])
def test_a_break_of_more_than_a_second_and_a_half_is_an_entry(break_s, penalty):
    times = 5.0 + np.arange(20) * EIGHTH_S
    times[10:] += break_s - EIGHTH_S
    onsets = aligned(onsets_at(times)).onsets
    assert segment_penalties(onsets.heard_s, onsets.points.key)[10] == penalty


def test_a_spread_below_4_ms_is_not_trusted():
    late_ms = np.zeros(64)
    late_ms[30] = 13.5
    assert partition(late_ms, 0.5, 10.0) == []


@pytest.mark.parametrize(("lag_ms", "by_ms"), [(10.0, -30.0), (20.0, -40.0)])
def test_a_take_keeps_a_usual_distance_of_more_than_15_ms(lag_ms, by_ms):
    double = eighths()
    times = double + lag_ms / 1000
    times[40] = double[40] + (40.0 + (lag_ms if lag_ms > 15 else -10.0)) / 1000
    mine, other = aligned(onsets_at(times)), aligned(onsets_at(double))
    (move,), rerecord = propose_edits("left", mine, ("right", other), [other], [BarRange("all", 1, 16)], Timing())
    assert move.by_ms == pytest.approx(by_ms, abs=0.11)
    assert rerecord == []


@pytest.mark.parametrize(("change", "missing"), [
    ({}, 1), ({"level_db": -30.0}, 0), ({"confidence": 0.7}, 0),
])
def test_an_onset_is_missing_where_the_other_take_certainly_plays_it(change, missing):
    times = eighths()
    theirs = onsets_at(times)
    theirs[43] = replace(theirs[43], **change)
    mine = aligned(onsets_at(np.delete(times, 43)))
    assert len(find_missing("left", mine, [aligned(theirs)])) == missing


@pytest.mark.parametrize(("apart_s", "missing"), [(0.07, 0), (0.09, 1)])
def test_an_onset_is_not_missing_where_something_was_detected(apart_s, missing):
    times = eighths()
    mine = aligned(onsets_at(np.delete(times, 43)), doubtful_s=[times[43] + apart_s])
    assert len(find_missing("left", mine, [aligned(onsets_at(times))])) == missing


@pytest.mark.parametrize(("played_bars", "missing"), [(13, 1), (10, 0)])
def test_an_onset_is_missing_only_where_the_take_nearly_always_plays(played_bars, missing):
    times = eighths()
    left_out = [8 * bar + 3 for bar in range(played_bars, 16)]
    mine = aligned(onsets_at(np.delete(times, left_out)))
    found = find_missing("left", mine, [aligned(onsets_at(times))])
    assert bool(found) is bool(missing)


@pytest.mark.parametrize(("share_of_sixteenth", "has_point"), [(0.25, True), (0.4, False)])
def test_a_fill_is_near_a_sixteenth_the_take_does_not_play(share_of_sixteenth, has_point):
    fill_s = 9.0 + EIGHTH_S / 2 * (1 + share_of_sixteenth)
    times = sorted([*eighths(spread_ms=0.0), fill_s])
    onset = aligned(onsets_at(times)).onsets[times.index(fill_s)]
    assert (onset.point is not None) is has_point


@pytest.mark.parametrize(("late_s", "free"), [(0.025, 0), (0.035, 1)])
def test_a_pick_up_is_within_30_ms(late_s, free):
    times = [1.0 - EIGHTH_S + late_s, *eighths(spread_ms=0.0)]
    assert aligned(onsets_at(times)).free_intro == free


@pytest.mark.parametrize(("late_ms", "swings"), [(10, False), (14, True)])
def test_an_eighth_that_is_always_12_ms_late_is_swung(late_ms, swings):
    times = eighths(spread_ms=1.0)
    times[1::2] += late_ms / 1000
    assert bool(aligned(onsets_at(times)).swing_ms) is swings


@pytest.mark.parametrize(("late_s", "rest_s", "added"), [(0.03, 0.0, 1), (0.04, 0.0, 0), (0.03, 0.08, 0)])
def test_a_faint_onset_counts_where_the_take_plays_and_nothing_else_is_near(late_s, rest_s, added):
    times = 1.0 + np.arange(64) * EIGHTH_S
    faint_s = times[43] + late_s
    certain = list(np.delete(times, 43))
    if rest_s:
        certain = sorted([*certain, faint_s + 0.05])
    found = Detection.of(onsets_at(certain), faint=Onsets.of(onsets_at([faint_s], confidence=0.3)))
    assert len(onsets_with_expected(found, GRID)) == len(certain) + added


@pytest.mark.parametrize("bars", [1, 7])
def test_light_onsets_show_that_a_take_plays_a_place_and_rejected_ones_do_not(bars):
    times = 1.0 + np.arange(64) * EIGHTH_S
    last = np.arange(64) % 8 == 7
    certain, weak = onsets_at(times[~last]), Onsets.of(onsets_at(times[last][:bars], confidence=0.3))
    assert len(onsets_with_expected(Detection.of(certain, light=weak), GRID)) == 56 + bars * (bars == 7)
    assert len(onsets_with_expected(Detection.of(certain, faint=weak), GRID)) == 56


@pytest.mark.parametrize(("elsewhere", "rise_db", "added"), [(0, 12.0, 4), (16, 12.0, 0), (16, 8.0, 4)])
def test_added_strokes_count_if_fewer_as_strong_are_where_the_take_does_not_play(elsewhere, rise_db, added):
    times = 1.0 + np.arange(64) * EIGHTH_S
    weak = np.isin(np.arange(64), [7, 23, 39, 55])
    there = onsets_at(times[weak], confidence=0.3, rise_db=10.0)
    beside = onsets_at(times[:elsewhere] + EIGHTH_S / 2, confidence=0.3, rise_db=rise_db)
    found = Detection.of(onsets_at(times[~weak]), added=Onsets.of(there + beside))
    assert len(onsets_with_expected(found, GRID)) == 60 + added


@pytest.mark.parametrize(("tempo", "span_s", "rounded"), [(90.002, 200.0, 90.0), (90.004, 200.0, 90.004)])
def test_a_tempo_is_rounded_where_no_one_could_hear_the_drift(tempo, span_s, rounded):
    assert round_tempo(tempo, span_s) == rounded


@pytest.mark.parametrize(("factor", "doubted"), [(1.0, False), (1.0005, False), (1.03, True), (1.2, True)])
def test_another_tempo_is_found_where_the_takes_drift_audibly(factor, doubted):
    times = eighths()
    tempo_map = map_of(tempo=90.0 * factor, meter="4/4", bar_one_s=1.0)
    onsets = [onset for onset in aligned(onsets_at(times), tempo_map).onsets if onset.point]
    found = find_other_tempo(np.array([onset.heard_s for onset in onsets]), np.ones(len(onsets)),
                             np.array([onset.offset_ms for onset in onsets]), 90.0 * factor, 2)
    assert (found is not None) is doubted
    if doubted:
        assert found == pytest.approx(90.0, rel=0.001)


SURE = Arrival(0, pickers_agree=True, late_rise_db=8.0, step_db=10.0, band_rise_db=8.0, crest_db=8.0)


@pytest.mark.parametrize(("change", "low", "high"), [
    ({}, 0.97, 1.0), ({"pickers_agree": False}, 0.9, 0.98), ({"band_rise_db": 0.0}, 0.3, 0.6),
    ({"step_db": 2.0}, 0.6, 0.9), ({"step_db": 0.0, "band_rise_db": -3.0, "pickers_agree": False}, 0.0, 0.01),
    ({"late_rise_db": 22.0}, 0.8, 0.99),
])
def test_confidence_needs_a_step_in_every_band_and_two_pickers_that_agree(change, low, high):
    assert low < replace(SURE, **change).confidence < high


@pytest.mark.parametrize(("change", "rise_db", "click"), [
    ({"late_rise_db": 0.5}, 5.0, False), ({"late_rise_db": 0.5, "band_rise_db": 5.0}, 5.0, True),
    ({"late_rise_db": 0.7, "band_rise_db": 5.0}, 5.0, False), ({"late_rise_db": 1.2, "band_rise_db": 5.0}, 11.0, True),
    ({"late_rise_db": 1.2, "band_rise_db": 5.0}, 9.0, False), ({"late_rise_db": 0.5, "crest_db": 13.0}, 5.0, True),
])
def test_a_click_is_over_before_strings_could_answer(change, rise_db, click):
    assert replace(SURE, **change).is_click(rise_db) is click


RATE_HZ = 24_000
RINGING = np.sin(0.1 * np.arange(RATE_HZ)) + 0.3 * np.sin(0.317 * np.arange(RATE_HZ))


def stepped(*levels_db):
    """Ringing that changes its level at 0.5 s, 0.52 s and 0.55 s."""
    gain_db = np.repeat([0.0, *levels_db], [12_000, 480, 720, 10_800])
    return RINGING * 10 ** (gain_db / 20)


@pytest.mark.parametrize(("levels_db", "damped", "cut"), [
    ((-3.0, -12.0, -20.0), True, True), ((-3.0, -8.0, -20.0), False, True), ((-3.0, -12.0, -14.0), True, False),
    ((3.0, -30.0, -30.0), False, False), ((0.0, 0.0, 0.0), False, False),
])
def test_damping_falls_by_10_db_and_a_cut_by_18(levels_db, damped, cut):
    samples = stepped(*levels_db)
    assert is_damped(samples, 12_000, RATE_HZ) is damped
    assert is_cut_off(samples, 12_000, RATE_HZ) is cut


@pytest.mark.parametrize(("level_db", "falling"), [(0.1, True), (0.5, False)])
def test_a_released_string_is_louder_than_what_rang(level_db, falling):
    assert is_falling(stepped(level_db, level_db, level_db)[:12_400], 12_000, 400) is falling

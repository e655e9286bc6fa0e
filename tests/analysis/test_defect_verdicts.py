"""The verdicts on drop-outs, clipping, band limits, copies, strings, noise and hum: evidence close to every limit.

Numbers of our own, as the limits are; where a limit has a source, it is named in its class.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from layerpipe.analysis.defects import band_limit, clipping, copies, dropouts, noise_and_hum
from layerpipe.analysis.defects.pitch import lowest_notes, tuning
from layerpipe.analysis.defects.single_pass import measure_take
from layerpipe.core.sound import ArraySound

SILENCE = dropouts.DropoutEvidence(length=96, length_s=0.002, value=0.0, quieter_side=0.01, before=0.01,
                                   under_loud_db=10.0, edges=(0.5, 0.5), jump_steps=50.0, looks_clipped=False,
                                   mean_move_steps=0.0)
LONG = {"length": 4800, "length_s": 0.1}
HELD = {"value": 0.01}
REPEAT = {"value": None, "mean_move_steps": 20.0}


@pytest.mark.parametrize(("dropout", "other", "reason"), [
    ({"length_s": 0.00066}, {"length_s": 0.00054}, "too short"),
    ({"length": 13, "length_s": 0.0008}, {"length": 10, "length_s": 0.0008}, "too short"),
    (HELD, HELD | {"looks_clipped": True}, "clipped"),
    ({"quieter_side": 3.4e-5}, {"quieter_side": 2.7e-5}, "silence on one side"),
    ({"edges": (0.11, 0.0)}, {"edges": (0.09, 0.09)}, "faded"),
    (LONG, LONG | {"edges": (0.5, 0.09)}, "between two phrases"),
    (LONG | {"under_loud_db": 27.0}, LONG | {"under_loud_db": 33.0}, "between two phrases"),
    ({"under_loud_db": 50.0, "length_s": 0.045}, {"under_loud_db": 50.0, "length_s": 0.055}, "between two phrases"),
    (HELD | {"jump_steps": 2.8}, HELD | {"jump_steps": 2.2}, "slope"),
    ({"jump_steps": 2.8}, {"jump_steps": 2.2}, "slope"),
    (REPEAT | {"mean_move_steps": 4.4}, REPEAT | {"mean_move_steps": 3.6}, "by chance"),
    (REPEAT | LONG | {"mean_move_steps": 2.0}, REPEAT | {"mean_move_steps": 2.0, "length_s": 0.045}, "by chance"),
    (REPEAT | LONG, REPEAT | LONG | {"under_loud_db": 40.0}, "room noise"),
])
def test_a_dropout_interrupts_sound(dropout, other, reason):
    limits = dropouts.DropoutLimits()
    assert dropouts.judge(replace(SILENCE, **dropout), limits, 0.0006).is_defect
    verdict = dropouts.judge(replace(SILENCE, **other), limits, 0.0006)
    assert not verdict.is_defect
    assert reason in verdict.reason


def peaks(*flatness: float) -> tuple[clipping.Peak, ...]:
    return tuple(clipping.Peak(1000 * n, 10, flat) for n, flat in enumerate(flatness))


ROUND = clipping.ClippingEvidence((), (), 0, False, peaks(*[0.41] * 20), peaks(*[0.41] * 40))


@pytest.mark.parametrize(("clipped", "other"), [
    ({"different": 3}, {"different": 2}),
    ({"different": 2, "is_full_scale": True}, {"different": 1, "is_full_scale": True}),
    ({"top": peaks(*[0.7] * 3, *[0.41] * 5)}, {"top": peaks(*[0.7] * 2, *[0.41] * 5)}),
    ({"top": peaks(*[0.5] * 5, 0.7)}, {"top": peaks(*[0.5] * 5, 0.6)}),
    ({"top": peaks(*[0.52] * 5, 0.7)}, {"top": peaks(*[0.45] * 5, 0.7)}),
    ({"top": peaks(*[0.7] * 6)}, {"top": peaks(*[0.7] * 6), "lower": peaks(*[0.7] * 20, *[0.41] * 20)}),
])
def test_only_a_ceiling_is_clipping(clipped, other):
    limits = clipping.ClippingLimits()
    assert clipping.judge(replace(ROUND, **clipped), limits).is_defect
    assert not clipping.judge(replace(ROUND, **other), limits).is_defect


@pytest.mark.parametrize(("edge_hz", "drop_db", "rate_hz", "is_cut"), [
    (15_000.0, 19.0, 32_000, True), (15_000.0, 17.0, 32_000, False), (9_900.0, 19.0, None, True),
    (8_100.0, 30.0, None, True), (8_100.0, 26.0, None, False),
])
def test_a_spectrum_that_ends_steeply_was_cut(edge_hz, drop_db, rate_hz, is_cut):
    found = band_limit.BandLimit(edge_hz, drop_db, rate_hz)
    assert band_limit.judge(found, band_limit.BandLimitLimits()).is_defect == is_cut


@pytest.mark.parametrize(("correlation", "agreeing", "is_copy"), [
    (0.95, 4, True), (-0.95, 4, True), (0.85, 6, False), (0.95, 3, False),
])
def test_a_copy_correlates_at_one_offset(correlation, agreeing, is_copy):
    assert copies.judge(copies.Similarity(correlation, 0.01, 0.0, agreeing, 6), 0.9).is_defect == is_copy


def test_of_a_sound_that_repeats_itself_a_copy_is_as_far_away_as_it_can_be_nearest():
    rate_hz = 48_000
    bar = np.convolve(np.random.default_rng(3).standard_normal(rate_hz // 2), np.ones(24) / 24, "same")
    one = np.tile(bar * np.exp(-np.linspace(0, 2, len(bar))), 14)
    late = ArraySound(np.concatenate([np.zeros(rate_hz // 100), one]), rate_hz)
    measured = measure_take(ArraySound(one, rate_hz))
    found = copies.measure_similarity(ArraySound(one, rate_hz), late, steps=measured.steps)
    assert found.offset_s == pytest.approx(0.01, abs=1e-4)
    assert copies.judge(found, 0.9).is_defect


@pytest.mark.parametrize(("shares", "windows", "implied", "is_wrong"), [
    ({40: 0.5}, 60, None, False), ({38: 0.13, 40: 0.5}, 60, None, True), ({38: 0.11, 40: 0.5}, 60, None, False),
    ({52: 0.5}, 60, None, True), ({52: 0.5}, 30, None, False), ({52: 0.5}, 60, 40, False), ({57: 0.5}, 60, None, False),
])
def test_low_notes_show_the_strings(shares, windows, implied, is_wrong):
    notes = lowest_notes.LowNotes(min(shares), shares, windows, implied)
    assert lowest_notes.judge(notes, 40, 0.12).is_defect == is_wrong


def test_noise_and_hum_are_compared_with_the_loudness():
    noise = noise_and_hum.Noise(-60.0, -58.0, 4.0, np.zeros(1), np.zeros(1))
    assert noise_and_hum.judge_noise(noise, -27.0, 32.0).is_defect
    assert not noise_and_hum.judge_noise(noise, -25.0, 32.0).is_defect
    assert not noise_and_hum.judge_noise(None, -25.0, 32.0).is_defect
    hum = noise_and_hum.Hum(50.0, -70.0, [])
    assert noise_and_hum.judge_hum(hum, -20.0, 55.0, -90.0).is_defect
    assert not noise_and_hum.judge_hum(hum, -10.0, 55.0, -90.0).is_defect
    assert not noise_and_hum.judge_hum(hum, -20.0, 55.0, -60.0).is_defect


def test_cents_are_counted_the_short_way_round():
    assert tuning.cents_between(-47.0, 48.0) == pytest.approx(-5.0)
    assert tuning.judge(5.1, 5.0).is_defect
    assert tuning.judge(-5.1, 5.0).reason == "5.1 cents flat"
    assert not tuning.judge(None, 5.0).is_defect

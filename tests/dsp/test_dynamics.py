"""The compressor against the published curve, its time constants and a plain construction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import ArraySound
from layerpipe.dsp import kernels
from layerpipe.dsp.dynamics.compressor import Curve, compress, reduction_db, smoothing_coefficient
from layerpipe.dsp.dynamics.hit_threshold import loudest_hits, peaks_of
from layerpipe.recipe.model.recipe import Chain, Compressor
from layerpipe.render.chain import find_threshold
from tests.support.examples import few

# Giannoulis, Massberg, Reiss, JAES 60(6), 2012, static curve evaluated by hand: (T, R, W): {x: y}, all dB.
CURVES = {
    (-20, 4, 0): {-22: -22, -18: -19.5, -10: -17.5, -8: -17, 0: -15},
    (-20, 4, 6): {-23: -23, -22: -22.0625, -20: -20.5625, -18: -19.5625, -17: -19.25, -10: -17.5},
    (-20, 4, 10): {-25: -25, -22: -22.3375, -20: -20.9375, -18: -19.8375, -15: -18.75},
    (-18, 2, 6): {-20: -20.0417, -18: -18.375, -16: -17.0417, -15: -16.5, 0: -9},
    (-24, 1.5, 12): {-26: -26.2222, -24: -24.5, -22: -22.8889, -18: -20, 0: -8},
}
# The same paper, smooth decoupled detector on a step of 9 dB of reduction that lasts 500 ms; 10 / 100 ms at 48 kHz:
# reduction in dB so many ms after the step begins, and after it ends.
ATTACK = {1: 0.8565, 5: 3.5412, 10: 5.6891, 20: 7.7820, 50: 8.9394}
RELEASE = {10: 8.6799, 50: 6.0579, 100: 3.6784, 110: 3.3283, 200: 1.3532}


def _curve(**changed):
    settings = {"threshold_db": -20.0, "ratio": 4.0, "knee_db": 6.0, "attack_ms": 10.0, "release_ms": 100.0,
                "makeup_db": 0.0, "rate_hz": 48_000}
    return Curve(**{**settings, **changed})


@pytest.mark.parametrize("curve", CURVES)
def test_static_curve_meets_the_published_table(curve):
    threshold_db, ratio, knee_db = curve
    levels = np.array(list(CURVES[curve]), dtype=float)
    made = levels - reduction_db(levels, threshold_db=threshold_db, ratio=ratio, knee_db=knee_db)
    assert made == pytest.approx(list(CURVES[curve].values()), abs=5e-5)


def test_knee_joins_its_lines_without_a_corner():
    def slope(at_db):
        ends = np.array([at_db - 1e-5, at_db + 1e-5])
        return 1 - np.diff(reduction_db(ends, threshold_db=-20, ratio=4, knee_db=6))[0] / 2e-5

    assert slope(-23) == pytest.approx(1, abs=1e-4)
    assert slope(-17) == pytest.approx(1 / 4, abs=1e-4)


def test_poles_follow_the_time_constant():
    # exp(-1 / (tau fs)), the paper's eq. 7 (number from memory).
    assert smoothing_coefficient(10, 48_000) == pytest.approx(0.9979188352993, abs=1e-12)
    assert smoothing_coefficient(100, 44_100) == pytest.approx(0.9997732683379, abs=1e-12)
    assert smoothing_coefficient(0, 48_000) == 0
    with pytest.raises(ParameterError, match="must not be negative"):
        smoothing_coefficient(-1, 48_000)


def test_detector_meets_the_step_table():
    # Full scale over a threshold of -9 dBFS, all of it taken off: a step of 9 dB.
    step = np.zeros(48_000)
    step[:24_000] = 1.0
    out, _ = _curve(threshold_db=-9, ratio=1e12, knee_db=0.0, attack_ms=10, release_ms=100).reduction_of(step)
    assert [out[48 * ms - 1] for ms in ATTACK] == pytest.approx(list(ATTACK.values()), abs=1e-3)
    assert [out[24_000 + 48 * ms - 1] for ms in RELEASE] == pytest.approx(list(RELEASE.values()), abs=1e-3)


def test_compression_equals_a_plain_construction(strum):
    held, smooth, expected = 0.0, 0.0, []
    attack, release = math.exp(-1 / 480), math.exp(-1 / 4800)
    for x in strum[:6000]:
        level = 20 * math.log10(abs(x)) if x else -1000.0
        over = level + 20.0
        wanted = 0.0 if over < -3 else 0.75 * (over + 3) ** 2 / 12 if over <= 3 else 0.75 * over
        held = max(wanted, release * held + (1 - release) * wanted)
        smooth = attack * smooth + (1 - attack) * held
        expected.append(x * 10 ** ((1.5 - smooth) / 20))
    out, _, _ = compress(_curve(makeup_db=1.5), strum[:6000])
    np.testing.assert_allclose(out, expected, atol=1e-12)


@settings(max_examples=few(10, 30))
@given(st.integers(1, 47_999), st.floats(-60, 0), st.floats(1, 20), st.sampled_from([0.0, 6.0, 12.0]))
def test_a_compressor_does_not_care_where_the_sound_is_cut(strum, cut, threshold_db, ratio, knee_db):
    curve = _curve(threshold_db=threshold_db, ratio=ratio, knee_db=knee_db)
    whole, reduced, _ = compress(curve, strum)
    head, reduced_head, state = compress(curve, strum[:cut])
    tail, reduced_tail, _ = compress(curve, strum[cut:], state)
    np.testing.assert_array_equal(np.concatenate([head, tail]), whole)
    np.testing.assert_array_equal(np.concatenate([reduced_head, reduced_tail]), reduced)
    assert (reduced >= 0).all()


def test_the_logarithm_and_the_exponential_are_those_of_the_mathematics_library(rng):
    # Reference: math.log10 and math.exp of the C library.
    levels = np.concatenate([10 ** rng.uniform(-6, 0.3, 3000), [1.0, 0.5, 0.7071067811865476, 1.4142135623730951]])
    sound = levels * rng.choice([-1.0, 1.0], len(levels))
    curve = Curve(threshold_db=-140, ratio=1e9, knee_db=0, attack_ms=0, release_ms=0, makeup_db=3, rate_hz=48_000)
    out, reduced, _ = compress(curve, sound)
    wanted = np.array([20 * math.log10(level) + 140 for level in levels]) * (1 - 1e-9)
    np.testing.assert_allclose(reduced, wanted, rtol=0, atol=2e-13)
    expected = [float(x) * math.exp((3 - r) * math.log(10) / 20) for x, r in zip(sound, reduced, strict=True)]
    np.testing.assert_allclose(out, expected, rtol=4e-15)


def test_the_compressors_loops_as_written_give_the_compiled_numbers(strum, monkeypatch):
    curve = Curve(threshold_db=-20, ratio=2, knee_db=6, attack_ms=5, release_ms=80, makeup_db=1, rate_hz=48_000)
    fast = compress(curve, strum[:2000])
    monkeypatch.setattr(kernels, "compress", kernels.compress.plain)
    for one, other in zip(fast, compress(curve, strum[:2000]), strict=True):
        np.testing.assert_array_equal(one, other)


def _played(strum, velocities, every_s=0.5):
    sound = np.zeros(int(48_000 * (every_s * len(velocities) + 1)))
    for n, velocity in enumerate(velocities):
        at = int(48_000 * (0.25 + n * every_s))
        sound[at : at + len(strum)] += velocity * strum
    return sound


def test_the_loudest_tenth_of_the_strums_are_the_hits(strum):
    velocities = [0.2] * 20
    velocities[4] = velocities[13] = 0.9
    sound = _played(strum, velocities)
    hits = loudest_hits(peaks_of([sound], 48_000))
    assert len(hits) == 2
    assert np.abs(hits / 48_000 - (0.25 + np.array([4, 13]) * 0.5)).max() < 0.05


@pytest.mark.parametrize("hits_db", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("knee_db", [0.0, 6.0])
def test_the_found_threshold_takes_the_wanted_amount_off_the_hits(strum, rng, hits_db, knee_db):
    sound = _played(strum, rng.uniform(0.2, 1.0, 40))
    asked = Compressor(hits_db=hits_db, ratio=2.0, knee_db=knee_db, attack_ms=5.0)
    threshold_db = find_threshold(ArraySound(sound, 48_000), Chain(compressor=asked))
    curve = _curve(threshold_db=threshold_db, ratio=2.0, knee_db=knee_db, attack_ms=5.0, release_ms=120.0)
    _, reduced, _ = compress(curve, sound)
    assert reduced[loudest_hits(peaks_of([sound], 48_000))].mean() == pytest.approx(hits_db, abs=0.01)


def test_peaks_do_not_depend_on_the_blocks_they_came_in(strum):
    whole = peaks_of([strum], 44_100)
    pieces = peaks_of([strum[:1], strum[1:5000], strum[5000:5001], strum[5001:]], 44_100)
    np.testing.assert_array_equal(whole.level, pieces.level)
    np.testing.assert_array_equal(whole.at_frame, pieces.at_frame)


def test_silence_has_no_hits_and_is_left_alone():
    asked = Chain(compressor=Compressor(hits_db=2.0))
    assert find_threshold(ArraySound(np.zeros(48_000), 48_000), asked) == 0.0


def test_an_amount_no_threshold_can_take_off_is_refused(strum):
    asked = Chain(compressor=Compressor(hits_db=2.0, ratio=1.0))
    with pytest.raises(ParameterError, match="cannot be reached"):
        find_threshold(ArraySound(_played(strum, [0.5] * 5), 48_000), asked)

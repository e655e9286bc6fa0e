"""Filters against the cookbook, the Butterworth law and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from layerpipe.core.errors import ParameterError
from layerpipe.dsp import kernels
from layerpipe.dsp.filters import (
    design_band_pass,
    design_bell,
    design_high_pass,
    design_shelf,
    response_db,
    run_sections,
)
from tests.support.examples import few

# W3C "Audio EQ Cookbook" HPF with Q = 1/sqrt(2), evaluated in double precision: b0, a1, a2.
HIGH_PASSES = {
    (80, 48_000): (0.992622542756, -1.985190657896, 0.985299513128),
    (40, 48_000): (0.996304442969, -1.992595228750, 0.992622543127),
    (80, 44_100): (0.991972739803, -1.983881041661, 0.984009917550),
    (40, 96_000): (0.998150511190, -1.996297601769, 0.996304442993),
}
# Butterworth law -10 log10(1 + (fc/f)^4) of stages at 40 and 80 Hz, and their sum, in dB (digital at 48 kHz: 0.0002).
CASCADE = {10: (-24.0993, -36.1247, -60.2240), 20: (-12.3045, -24.0993, -36.4038), 40: (-3.0103, -12.3045, -15.3148),
           80: (-0.2633, -3.0103, -3.2736), 160: (-0.0169, -0.2633, -0.2802), 320: (-0.0011, -0.0169, -0.0180)}


@pytest.mark.parametrize(("corner_hz", "rate_hz"), HIGH_PASSES)
def test_second_order_high_pass_has_the_cookbooks_coefficients(corner_hz, rate_hz):
    (row,) = design_high_pass(corner_hz, rate_hz)
    assert (row[0], row[4], row[5]) == pytest.approx(HIGH_PASSES[corner_hz, rate_hz], abs=1e-12)


@pytest.mark.parametrize("slope", [6, 12, 18, 24, 36, 48])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
def test_high_pass_of_every_slope_equals_scipys_butterworth(slope, rate_hz):
    at_hz = np.geomspace(5, rate_hz * 0.49, 200)
    reference = signal.butter(slope // 6, 80, "highpass", fs=rate_hz, output="sos")
    _, expected = signal.freqz_sos(reference, at_hz, fs=rate_hz)
    ours = response_db(design_high_pass(80, rate_hz, slope_db_per_octave=slope), at_hz, rate_hz)
    np.testing.assert_allclose(ours, 20 * np.log10(np.abs(expected)), atol=1e-6)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
@pytest.mark.parametrize(("low_hz", "high_hz"), [(250, 600), (1200, 3000), (100, 3900)])
def test_band_pass_equals_scipys_butterworth(order, low_hz, high_hz):
    at_hz = np.geomspace(20, 3990, 200)
    reference = signal.butter(order, (low_hz, high_hz), "bandpass", fs=8_000, output="sos")
    _, expected = signal.freqz_sos(reference, at_hz, fs=8_000)
    ours = response_db(design_band_pass(low_hz, high_hz, 8_000, order=order), at_hz, 8_000)
    np.testing.assert_allclose(ours, 20 * np.log10(np.abs(expected)), atol=1e-6)


@pytest.mark.parametrize("at_hz", CASCADE)
def test_cascade_of_40_and_80_hz_follows_the_butterworth_law(at_hz):
    low, high, both = CASCADE[at_hz]
    rows = np.concatenate([design_high_pass(40, 48_000), design_high_pass(80, 48_000)])
    found = [response_db(part, [at_hz], 48_000)[0] for part in (rows[:1], rows[1:], rows)]
    assert found == pytest.approx([low, high, both], abs=0.0003)


def test_cascade_is_3_db_down_at_82_27_hz_and_6_db_down_at_63_84_hz():
    rows = np.concatenate([design_high_pass(40, 48_000), design_high_pass(80, 48_000)])
    assert response_db(rows, [82.27, 63.84], 48_000) == pytest.approx([-3.0103, -6.0206], abs=0.002)


def test_high_pass_of_12_db_falls_12_04_db_an_octave_far_below_its_corner():
    level = response_db(design_high_pass(80, 48_000), [2.5, 5, 10], 48_000)
    assert np.diff(level) == pytest.approx([12.041, 12.040], abs=0.001)


# W3C "Audio EQ Cookbook", evaluated in double precision at 48 kHz: b0 b1 b2 a1 a2.
def test_shelves_and_bell_have_the_cookbooks_coefficients():
    low = design_shelf("low", 100, -3, 48_000)[0]
    high = design_shelf("high", 8_000, 3, 48_000)[0]
    bell = design_bell(3_000, 3, 48_000, q=1)[0]
    wanted = {
        "low": (low, [0.9984008830, -1.9798486606, 0.9815905049, -1.9798192204, 0.9800208282]),
        "high": (high, [1.2538291410, -0.8890963022, 0.3283827226, -0.5282183183, 0.2213338797]),
        "bell": (bell, [1.0572062095, -1.5915319806, 0.6654555928, -1.5915319806, 0.7226618023]),
    }
    for name, (row, expected) in wanted.items():
        assert row[[0, 1, 2, 4, 5]] == pytest.approx(expected, abs=1e-9), name


def test_shelves_reach_half_their_gain_at_the_midpoint():
    low = response_db(design_shelf("low", 100, -3, 48_000), [0.001, 100, 23_999], 48_000)
    high = response_db(design_shelf("high", 8_000, 3, 48_000), [0.001, 8_000, 23_999.9], 48_000)
    assert low == pytest.approx([-3, -1.5, 0], abs=1e-4)
    assert high == pytest.approx([0, 1.5, 3], abs=1e-4)


def test_a_bell_undoes_its_opposite(strum):
    # The cookbook on its Q of the peaking filter: a boost and a cut of the same size cancel.
    both = np.concatenate([design_bell(3_000, 6, 48_000), design_bell(3_000, -6, 48_000)])
    np.testing.assert_allclose(run_sections(both, strum)[0], strum, atol=1e-10)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 5])
def test_running_sections_equals_scipys_sosfilt_to_the_bit(count, strum):
    rows = np.concatenate([design_high_pass(40 + 20 * n, 48_000) for n in range(count)] or [np.zeros((0, 6))])
    expected = signal.sosfilt(rows, strum) if count else strum
    np.testing.assert_array_equal(run_sections(rows, strum)[0], expected)


@pytest.mark.parametrize("cut", [1, 137, 4095])
def test_a_filter_does_not_care_where_the_sound_is_cut(cut, strum):
    rows = np.concatenate([design_high_pass(40, 48_000), design_high_pass(80, 48_000, slope_db_per_octave=18)])
    whole, _ = run_sections(rows, strum)
    head, state = run_sections(rows, strum[:cut])
    tail, _ = run_sections(rows, strum[cut:], state)
    np.testing.assert_array_equal(np.concatenate([head, tail]), whole)


def test_the_plain_loops_give_the_compiled_numbers(strum):
    rows = np.concatenate([design_high_pass(40, 48_000), design_bell(800, 4, 48_000)])
    fast, plain = np.empty_like(strum[:3000]), np.empty_like(strum[:3000])
    kernels.run_two_sections(rows[0], rows[1], strum[:3000], np.zeros((2, 2)), fast)
    kernels.run_two_sections.plain(rows[0], rows[1], strum[:3000], np.zeros((2, 2)), plain)
    np.testing.assert_array_equal(fast, plain)


@settings(max_examples=few(15, 50))
@given(st.floats(10, 3_900), st.sampled_from([6, 12, 18, 24]), st.sampled_from([8_000, 44_100, 96_000]))
def test_every_high_pass_is_3_db_down_at_its_corner_and_stable(corner_hz, slope, rate_hz):
    rows = design_high_pass(corner_hz, rate_hz, slope_db_per_octave=slope)
    assert response_db(rows, [corner_hz], rate_hz)[0] == pytest.approx(-3.0103, abs=1e-4)
    assert all(np.abs(np.roots(row[3:])).max() < 1 for row in rows)


def test_corners_at_or_above_half_the_rate_are_refused():
    with pytest.raises(ParameterError, match=r"24000 Hz must be inside \(0, 24000\)"):
        design_high_pass(24_000, 48_000)
    with pytest.raises(ParameterError, match="must be a multiple of 6 up to 48"):
        design_high_pass(80, 48_000, slope_db_per_octave=20)
    with pytest.raises(ParameterError, match="in order"):
        design_band_pass(600, 250, 48_000)
    with pytest.raises(ParameterError, match="half the rate"):
        design_bell(0, 3, 48_000)

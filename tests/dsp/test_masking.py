"""The ear's bands and the masking model against the published formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

from layerpipe.dsp import masking

# Glasberg and Moore, Hearing Research 47 (1990), eq. 3 and 4: ERB = 24.7 (4.37 F + 1), F in kHz; their summary gives
# the ERB at 1 kHz as about 132 Hz. The figures below are the formula worked out by hand.
ERB_HZ = {0.0: 24.7, 100.0: 35.49, 500.0: 78.67, 1000.0: 132.64, 4000.0: 456.46, 10000.0: 1104.09}
ERB_NUMBER = {0.0: 0.0, 1000.0: 15.62, 4000.0: 27.11}


@pytest.mark.parametrize(("frequency_hz", "width_hz"), ERB_HZ.items())
def test_bandwidths_are_those_of_glasberg_and_moore(frequency_hz, width_hz):
    assert masking.erb_hz(frequency_hz) == pytest.approx(width_hz, abs=0.01)


@pytest.mark.parametrize(("frequency_hz", "place"), ERB_NUMBER.items())
def test_places_on_the_scale_are_those_of_glasberg_and_moore(frequency_hz, place):
    assert masking.erb_number(frequency_hz) == pytest.approx(place, abs=0.01)


@pytest.mark.parametrize("frequency_hz", [50.0, 1000.0, 12000.0])
def test_the_scale_counts_bandwidths(frequency_hz):
    # Eq. 4 is the integral of 1 / eq. 3; its 21.4 is rounded from 21.33.
    counted, _ = integrate.quad(lambda f: 1 / masking.erb_hz(f), 0, frequency_hz)
    assert masking.erb_number(frequency_hz) == pytest.approx(counted, rel=0.004)


def test_the_scale_can_be_turned_round():
    frequencies = np.geomspace(20, 20_000, 50)
    np.testing.assert_allclose(masking.hz_of_erb_number(masking.erb_number(frequencies)), frequencies, rtol=1e-12)


@pytest.mark.parametrize(("rate_hz", "highest_hz"), [(48_000, 16_000), (44_100, 16_000), (8_000, 4_000)])
def test_bands_are_one_erb_wide_and_end_where_the_sound_does(rate_hz, highest_hz):
    edges = masking.band_edges_hz(rate_hz)
    np.testing.assert_allclose(np.diff(masking.erb_number(edges)), 1.0, rtol=1e-12)
    assert edges[-1] <= highest_hz < masking.hz_of_erb_number(masking.erb_number(edges[-1]) + 1)


@pytest.mark.parametrize("centre_hz", [200.0, 1000.0, 8000.0])
def test_a_filter_passes_as_much_noise_as_one_erb(centre_hz):
    # The definition of the equivalent rectangular bandwidth.
    area, _ = integrate.quad(lambda f: float(masking.roex(f, centre_hz)), 0, 20 * centre_hz, points=[centre_hz],
                             limit=200)
    assert area == pytest.approx(float(masking.erb_hz(centre_hz)), rel=0.01)


def test_white_noise_reaches_every_filter_as_one_erb_of_it():
    edges = masking.band_edges_hz(48_000)
    noise = np.diff(edges)[None]
    reached = noise @ masking.spreading(edges).T
    # The outermost filters reach past the bands.
    np.testing.assert_allclose(reached[0, 2:-2], noise[0, 2:-2], rtol=0.08)


def test_spreading_is_strongest_at_home_and_falls_on_both_sides():
    spread = masking.spreading(masking.band_edges_hz(48_000))
    assert (spread.argmax(axis=1) == np.arange(len(spread))).all()
    for row, values in enumerate(spread):
        assert (np.diff(values[: row + 1]) > 0).all()
        assert (np.diff(values[row:]) <= 0).all()


# Terhardt, Hearing Research 1 (1979): the formula, worked out by hand.
@pytest.mark.parametrize(("frequency_hz", "level_db"), [(100, 22.95), (1000, 3.37), (3300, -4.98), (10_000, 10.58)])
def test_the_threshold_in_quiet_is_terhardts(frequency_hz, level_db):
    assert masking.quiet_threshold_db(frequency_hz) == pytest.approx(level_db, abs=0.01)


def test_in_silence_a_sound_is_heard_from_the_threshold_in_quiet_on():
    edges = masking.band_edges_hz(48_000)
    needed = masking.masked_thresholds(np.zeros((1, len(edges) - 1)), edges, 0.04)[0]
    places = masking.erb_number(edges)
    centres = masking.hz_of_erb_number((places[1:] + places[:-1]) / 2)
    levels_db = 10 * np.log10(needed / 0.5) + masking.FULL_SCALE_SPL_DB
    np.testing.assert_allclose(levels_db, masking.quiet_threshold_db(centres), atol=1e-9)


def test_over_noise_a_sound_is_heard_where_it_raises_the_excitation_by_one_db():
    edges = masking.band_edges_hz(48_000)
    noise = np.diff(edges)[None] * 1e-4
    needed = masking.masked_thresholds(noise, edges, 0.04)[0]
    excitation = (noise @ masking.spreading(edges).T)[0]
    raised_db = 10 * np.log10((excitation + needed) / excitation)
    np.testing.assert_allclose(raised_db[10:25], 1.0, atol=0.001)


def test_more_masker_never_helps(rng):
    edges = masking.band_edges_hz(48_000)
    masker = rng.exponential(1e-4, (20, len(edges) - 1))
    more = masker + rng.exponential(1e-5, masker.shape)
    assert (masking.masked_thresholds(more, edges, 0.04) >= masking.masked_thresholds(masker, edges, 0.04)).all()


# ITU-R BS.1387-1, time domain spreading of the FFT ear model: 8 ms + 100 Hz / f x 22 ms, worked out by hand.
@pytest.mark.parametrize(("centre_hz", "time_constant_s"), [(100.0, 0.030), (1000.0, 0.0102), (10_000.0, 0.00822)])
def test_masking_dies_away_with_the_time_constants_of_bs_1387(centre_hz, time_constant_s):
    burst = np.zeros((6, 1))
    burst[1] = 1.0
    masking_left = masking.lasting(burst, np.array([centre_hz]), 0.02)[:, 0]
    assert masking_left[0] == 0.0
    assert masking_left[1] == 1.0
    np.testing.assert_allclose(masking_left[3:] / masking_left[2:-1], np.exp(-0.02 / time_constant_s), rtol=1e-9)
    assert masking_left[2] == pytest.approx((1 - np.exp(-0.02 / time_constant_s)) * np.exp(-0.02 / time_constant_s))


def test_what_goes_on_masks_as_much_as_at_its_first_moment():
    steady = np.ones((40, 3))
    np.testing.assert_allclose(masking.lasting(steady, np.array([50.0, 500.0, 5000.0]), 0.043), 1.0, rtol=1e-9)

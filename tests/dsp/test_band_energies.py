"""Band energies add like energies; the peak envelope equals a true-peak meter at every gain."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from layerpipe.dsp.band_energies import band_grid, band_products, weights_of
from layerpipe.dsp.peaks.envelope import PeakEnvelope
from layerpipe.dsp.peaks.true_peak import TAPS, true_peak
from tests.support.examples import few

RATES_HZ = (8_000, 11_025, 22_050, 32_000, 44_100, 48_000, 50_000, 88_200, 96_000, 176_400, 192_000)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_every_band_holds_a_bin_at_any_rate(rate_hz):
    grid = band_grid(rate_hz)
    assert (np.diff(grid.first_bins) > 0).all()
    assert grid.first_bins[-1] <= grid.hop
    assert grid.of_band[-1] < grid.segments
    bright_hz = grid.first_bins[min(grid.bright, grid.segments - 1)] * rate_hz / (2 * grid.hop)
    assert bright_hz == pytest.approx(4000.0, abs=rate_hz / (2 * grid.hop))


def _sounds(rng, grid, steps, sounds=2):
    start, stop = grid.reach(0, steps)
    held = np.zeros((sounds, 2, stop - start), np.float32)
    # Silent where only one frame looks, so that every sample is in two.
    inside = slice(grid.hop, -grid.hop)
    held[..., inside] = rng.standard_normal(held[..., inside].shape) * 0.1
    return held


def test_all_bands_together_hold_the_energy_of_the_sound(rng):
    # Parseval's theorem.
    grid = band_grid(48_000)
    sounds = _sounds(rng, grid, 6)
    products = band_products(sounds, grid)
    for pair, sound in ((0, sounds[0]), (2, sounds[1])):
        assert products[pair].sum(dtype=np.float64) == pytest.approx(np.sum(sound.astype(np.float64) ** 2), rel=1e-5)


def test_the_energies_of_a_mix_are_sums_of_the_products(rng):
    grid = band_grid(44_100)
    sounds = _sounds(rng, grid, 4, sounds=3)
    # Sounds that have much in common: products across count.
    sounds[2] = 0.7 * sounds[0] - 0.5 * sounds[1]
    gains = np.array([0.8, -1.3, 2.0])
    mixed = np.tensordot(gains.astype(np.float32), sounds, axes=1)[None]
    expected = band_products(mixed, grid)[0]
    found = np.tensordot(weights_of(gains, gains), band_products(sounds, grid).astype(np.float64), axes=1)
    np.testing.assert_allclose(found, expected, rtol=2e-4, atol=1e-6 * expected.max())


def test_a_quadratic_in_the_gain_gives_every_level(rng):
    grid = band_grid(48_000)
    sounds = _sounds(rng, grid, 3)
    products = band_products(sounds, grid).astype(np.float64)
    rest, layer = np.array([0.5, 0.0]), np.array([0.0, 1.0])
    at_once = [np.tensordot(weights_of(a, b), products, axes=1) for a, b in ((rest, rest), (rest, layer),
                                                                            (layer, layer))]
    for gain in (0.0, 0.1, 1.0, 4.0):
        both = rest + gain * layer
        np.testing.assert_allclose(at_once[0] + 2 * gain * at_once[1] + gain**2 * at_once[2],
                                   np.tensordot(weights_of(both, both), products, axes=1), rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("frequency_hz", [60.0, 440.0, 3960.0, 4040.0, 15_500.0])
def test_a_sine_lies_in_its_band(frequency_hz):
    grid = band_grid(48_000)
    steps = 4
    start, stop = grid.reach(0, steps)
    sine = np.sin(2 * np.pi * frequency_hz * np.arange(stop - start) / 48_000).astype(np.float32)
    energies = band_products(np.stack([sine, 0 * sine])[None], grid)[0].sum(axis=0)
    edges_hz = np.append(grid.first_bins, grid.hop + 1) * 48_000 / (2 * grid.hop)
    at = int(np.searchsorted(edges_hz, frequency_hz, side="right")) - 1
    assert energies[max(0, at - 1) : at + 2].sum() > 0.99 * energies.sum()
    above = energies[grid.bright :].sum() / energies.sum()
    assert above > 0.9 if frequency_hz > 4000 else above < 0.1


def test_cutting_the_song_changes_no_step(rng):
    grid = band_grid(48_000)
    sounds = _sounds(rng, grid, 10)
    whole = band_products(sounds, grid)
    start = grid.reach(0, 10)[0]
    pieces = [band_products(sounds[..., grid.reach(a, b)[0] - start : grid.reach(a, b)[1] - start], grid)
              for a, b in ((0, 3), (3, 4), (4, 10))]
    np.testing.assert_array_equal(np.concatenate(pieces, axis=1), whole)


def _padded(sound):
    return np.pad(sound, (TAPS // 2 - 1 + 1, TAPS // 2))


def _strum(seed, frames=6000, rise=0.0):
    random = np.random.default_rng(seed)
    t = np.arange(frames)
    sound = random.standard_normal(frames) * np.exp(-t / 400)
    sound += np.sin(t * random.uniform(0.05, 1.5)) * np.exp(-t / 3000)
    return np.roll(sound, int(rise * frames)) * random.uniform(0.05, 0.9)


@pytest.mark.parametrize("seed", range(6))
def test_the_envelope_is_the_true_peak_at_every_gain(seed):
    rest, layer = _strum(seed), _strum(seed + 100, rise=0.1 * seed)
    envelope = PeakEnvelope()
    envelope.add(_padded(rest), _padded(layer))
    gains = np.concatenate([[0.0], np.geomspace(1e-3, 30, 25)])
    measured = [float(true_peak(rest + gain * layer)[0]) for gain in gains]
    np.testing.assert_allclose(envelope.peaks(gains), measured, rtol=1e-12)
    assert len(envelope.corners) < 60


def test_the_envelope_agrees_with_another_interpolator():
    # scipy's polyphase resampling by 16, as in BS.1770-5 Annex 2 but for its filter.
    rest, layer = _strum(3), _strum(4)
    smooth = signal.firwin(101, 0.7)
    rest, layer = np.convolve(rest, smooth), np.convolve(layer, smooth)
    envelope = PeakEnvelope()
    envelope.add(_padded(rest), _padded(layer))
    for gain in (0.1, 0.5, 1.0):
        other = np.abs(signal.resample_poly(np.pad(rest + gain * layer, 64), 16, 1)).max()
        assert envelope.peaks([gain])[0] == pytest.approx(other, rel=0.003)


@given(st.integers(0, 10_000), st.lists(st.integers(1, 5999), min_size=1, max_size=4))
@settings(max_examples=few(8, 25))
def test_pieces_in_any_order_have_the_same_corners(seed, cuts):
    rest, layer = _padded(_strum(seed)), _padded(_strum(seed + 1))
    whole = PeakEnvelope()
    whole.add(rest, layer)
    edges = [0, *sorted(set(cuts)), len(rest) - TAPS + 1]
    pieces = list(itertools.pairwise(edges))
    np.random.default_rng(seed).shuffle(pieces)
    parts = PeakEnvelope()
    for start, stop in pieces:
        piece = PeakEnvelope(parts.corners)
        piece.add(rest[start : stop + TAPS - 1], layer[start : stop + TAPS - 1])
        parts.merge(piece)
    np.testing.assert_array_equal(parts.corners, whole.corners)


def test_silence_has_no_corners_and_no_peak():
    envelope = PeakEnvelope()
    envelope.add(np.zeros(1000), np.zeros(1000))
    envelope.add(np.zeros(10), np.zeros(10))
    assert len(envelope.corners) == 0
    np.testing.assert_array_equal(envelope.peaks([0.0, 1.0]), 0.0)


def test_a_layer_that_cancels_the_rest_is_followed_through_nothing_and_out_again():
    rest = _strum(9)
    envelope = PeakEnvelope()
    envelope.add(_padded(rest), _padded(-rest))
    peak = float(true_peak(rest)[0])
    np.testing.assert_allclose(envelope.peaks([0.0, 0.5, 1.0, 3.0]), [peak, peak / 2, 0.0, 2 * peak],
                               rtol=1e-12, atol=1e-15)

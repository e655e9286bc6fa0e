"""The true peak of many mixes: the same as measuring each of them."""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.dsp.peaks.mixes import MixPeaks
from layerpipe.dsp.peaks.true_peak import true_peak


@pytest.fixture
def sounds(strum):
    """Three stereo sounds that share no length with any stretch."""
    left = np.stack([strum, np.roll(strum, 331)], axis=1)[:47_900]
    return [left, 0.5 * np.roll(left[::-1], 7_000, axis=0), 0.8 * np.roll(left, 12_345, axis=0) * [1.0, -1.0]]


def test_the_peak_of_a_mix_is_that_of_the_mixed_sound(sounds, rng):
    peaks = MixPeaks(sounds)
    for _ in range(20):
        mix = rng.uniform(0, 1.5, 3) * (rng.integers(0, 4, 3) > 0)
        blend = np.tensordot(mix, sounds, 1)
        assert peaks.true_peak(mix) == pytest.approx(true_peak(blend).max(), rel=1e-12)
        assert peaks.bound(mix) >= np.abs(blend).max()


def test_a_peak_at_either_end_is_found(rng):
    sound = 0.1 * rng.uniform(-1, 1, (1_000, 2))
    for frame, side in ((0, 0), (999, 1)):
        ended = sound.copy()
        ended[frame, side] = -0.9
        peaks = MixPeaks([ended])
        assert peaks.true_peak(np.array([1.0])) == pytest.approx(true_peak(ended).max(), rel=1e-12)


def test_between_its_frames_a_sine_of_a_quarter_of_the_rate_is_three_db_higher():
    # BS.1770-5, attachment to Annex 2: cos(pi f) for f = 1/4.
    sine = np.sin(np.pi / 2 * np.arange(4_800) + np.pi / 4)
    peaks = MixPeaks([np.stack([sine, sine], axis=1)])
    assert peaks.bound(np.array([1.0])) == pytest.approx(np.cos(np.pi / 4))
    assert peaks.true_peak(np.array([1.0])) == pytest.approx(true_peak(np.stack([sine, sine], axis=1)).max(), rel=1e-12)


def test_what_is_known_to_be_reached_is_the_least_that_is_told(sounds):
    peaks = MixPeaks(sounds)
    mix = np.array([1.0, 1.0, 0.0])
    peak = peaks.true_peak(mix)
    assert peaks.true_peak(mix, at_least=0.99 * peak) == peak
    assert peaks.true_peak(mix, at_least=1.01 * peak) == 1.01 * peak
    assert peaks.true_peak(np.zeros(3)) == 0.0

"""The look-ahead limiter: it cuts peaks to the ceiling, leaves the rest alone, and moves its gain as it says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from layerpipe.dsp.dynamics.limiter import LIMITER, PeakLimiter
from tests.support.examples import few

RATE_HZ = 48_000
LOOK_AHEAD = round(LIMITER.look_ahead_ms / 1000 * RATE_HZ)


def _limited(sound, gain, ceiling, cuts=()):
    limiter = PeakLimiter(RATE_HZ, gain, ceiling)
    pieces = [limiter.add(piece) for piece in np.split(sound, sorted(cuts))]
    return np.concatenate([*pieces, limiter.finish()]), limiter.lowest_gain


def _noise(seed, frames=RATE_HZ // 5):
    """Noise below 16 kHz with bursts, highest frame 1."""
    rng = np.random.default_rng(seed)
    sound = rng.standard_normal((frames, 2)) * np.repeat(rng.choice([0.05, 0.2, 1.0], (frames // 480, 1)), 480, axis=0)
    sound = signal.sosfilt(signal.butter(8, 16_000, fs=RATE_HZ, output="sos"), sound, axis=0)
    return sound / np.abs(sound).max()


def _true_peak_db(sound):
    """scipy's 8x conversion, an estimate that shares nothing with the package's meter."""
    return 20 * np.log10(np.abs(signal.resample_poly(sound, 8, 1, axis=0)).max())


@settings(max_examples=few(4, 10), deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.1, 6.0))
def test_peaks_of_noise_come_down_to_the_ceiling(seed, over_db):
    sound = _noise(seed)
    gain = 10 ** ((over_db - _true_peak_db(sound) - 1) / 20)
    limited, lowest = _limited(sound, gain, 10 ** (-1 / 20))
    # What the moving gain adds to a point between frames; the trim of the listening files takes it off.
    assert -1.4 < _true_peak_db(limited) < -0.8
    assert 20 * np.log10(lowest) == pytest.approx(-over_db, abs=0.15)


@settings(max_examples=few(3, 8), deadline=None)
@given(st.integers(0, 99), st.sets(st.integers(0, RATE_HZ // 5), max_size=5))
def test_where_the_sound_is_cut_changes_no_bit(seed, cuts):
    sound = _noise(seed)
    whole, _ = _limited(sound, 1.5, 0.7)
    pieces, _ = _limited(sound, 1.5, 0.7, cuts)
    assert pieces.shape == sound.shape
    np.testing.assert_array_equal(pieces, whole)


def test_sound_below_the_ceiling_is_only_raised():
    sound = _noise(1) * 0.3
    limited, lowest = _limited(sound, 1.25, 0.7)
    np.testing.assert_array_equal(limited, sound * 1.25)
    assert lowest == 1.0


def test_the_gain_is_down_in_time_and_recovers_as_stated():
    # A constant with one higher frame on the left: the gain can be read off the right side.
    sound = np.full((RATE_HZ, 2), 0.1)
    at = RATE_HZ // 2
    sound[at, 0] = 1.0
    limited, lowest = _limited(sound, 1.0, 0.5)
    gain_db = 20 * np.log10(limited[:, 1] / 0.1)
    assert gain_db[at] == pytest.approx(20 * np.log10(lowest), abs=1e-9)
    assert abs(limited[at, 0]) <= 0.5
    assert np.all(gain_db[: at - LOOK_AHEAD - 1] == 0)
    assert np.all(np.diff(gain_db[:at]) <= 1e-12), "down without a step back"
    assert np.abs(np.diff(gain_db)).max() < 0.1, "no jump"
    # 6.02 dB at 40 dB a second: back after 150 ms, and what the window smooths.
    back = at + round(RATE_HZ * 6.02 / LIMITER.release_db_per_s)
    assert gain_db[back + 2 * LOOK_AHEAD] == 0.0
    recovering = slice(at + LOOK_AHEAD, back - LOOK_AHEAD)
    slope = np.polyfit(np.arange(recovering.start, recovering.stop), gain_db[recovering], 1)[0] * RATE_HZ
    assert slope == pytest.approx(LIMITER.release_db_per_s, rel=0.01)


def test_both_sides_get_one_gain():
    sound = _noise(3) * [1.0, 0.2]
    limited, _ = _limited(sound, 1.0, 0.4)
    heard = np.abs(sound).min(axis=1) > 0.01
    np.testing.assert_allclose(limited[heard, 0] / sound[heard, 0], limited[heard, 1] / sound[heard, 1], rtol=1e-12)


def test_a_peak_between_frames_is_found():
    # EBU Tech 3341, test 16: a quarter of the rate at 45 degrees is 3.01 dB higher between its frames than at them.
    wave = np.sin(np.pi / 2 * np.arange(RATE_HZ) + np.pi / 4)
    sound = np.stack([wave, wave], axis=1) * signal.windows.tukey(RATE_HZ, 0.2)[:, None]
    limited, lowest = _limited(sound, 1.0, 0.8)
    assert _true_peak_db(limited) == pytest.approx(20 * np.log10(0.8), abs=0.05)
    assert lowest == pytest.approx(0.8, abs=0.005)


@pytest.mark.parametrize("frames", [0, 1, 23, 24, 47, 48, 300])
def test_a_sound_shorter_than_its_windows_comes_out_whole(frames):
    limited, _ = _limited(np.full((frames, 2), 0.9), 1.0, 0.5)
    assert limited.shape == (frames, 2)
    assert np.all(np.abs(limited) <= 0.5 + 1e-12)

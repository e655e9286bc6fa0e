"""Linear prediction and the analysis rate, against the normal equations and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from layerpipe.analysis.onsets.residual import pieces_of, read_chunk
from layerpipe.core.sound import ArraySound
from layerpipe.dsp.kernels import burg_predictor, extrapolate, solve_predictors


def test_predictors_are_those_of_the_normal_equations(rng):
    from scipy.linalg import solve_toeplitz

    sound = np.cumsum(rng.standard_normal(400))
    correlation = np.correlate(sound, sound, "full")[399 : 399 + 13]
    found = np.empty((1, 13))
    solve_predictors(correlation[np.newaxis].copy(), 0.0, found, np.empty(26))
    # The Yule-Walker equations (Makhoul 1975), solved by scipy.
    np.testing.assert_allclose(found[0, 1:], solve_toeplitz(correlation[:12], -correlation[1:]), rtol=1e-8, atol=1e-10)


def test_burg_predictor_finds_the_process_a_sound_was_made_by(rng):
    from scipy.signal import lfilter

    process = [1.0, -1.6, 0.95]
    sound = lfilter([1.0], process, rng.standard_normal(4000))
    found = np.empty(3)
    burg_predictor(sound.copy(), sound.copy(), found, np.empty(3))
    np.testing.assert_allclose(found, process, atol=0.02)
    # Two lags predict a sine: x[n] = 2 cos(w) x[n - 1] - x[n - 2].
    sine = np.sin(0.3 * np.arange(500))
    burg_predictor(sine.copy(), sine.copy(), found, np.empty(3))
    np.testing.assert_allclose(found, [1.0, -2 * np.cos(0.3), 1.0], atol=1e-3)


def test_burg_predictor_gives_the_numbers_of_the_plain_loop(rng):
    sound = np.convolve(rng.standard_normal(300), [1, -0.9, 0.4], mode="same")
    found, plain = np.empty(11), np.empty(11)
    burg_predictor(sound.copy(), sound.copy(), found, np.empty(11))
    burg_predictor.plain(sound.copy(), sound.copy(), plain, np.empty(11))
    np.testing.assert_array_equal(found, plain)


def test_a_sound_goes_on_as_scipys_recursive_filter_does(rng):
    predictor = np.array([1.0, -1.6, 0.9, -0.1])
    sound = np.concatenate([rng.standard_normal(3), np.zeros(200)])
    wanted = signal.lfilter([1.0], predictor, np.zeros(200),
                            zi=signal.lfiltic([1.0], predictor, sound[:3][::-1]))[0]
    extrapolate(predictor, sound)
    np.testing.assert_allclose(sound[3:], wanted, atol=1e-12)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_the_analysis_rate_is_reached_as_by_scipys_polyphase_filter(rng, rate_hz):
    samples = rng.standard_normal(rate_hz) * 0.1 * (np.arange(rate_hz) % (rate_hz // 2) < rate_hz // 4)
    step = round(rate_hz / 24_000)
    (piece,) = pieces_of(sound := ArraySound(samples, rate_hz))
    chunk = read_chunk(piece.of(sound), piece)
    low_pass = signal.firwin(24 * step + 1, 0.92 / step)
    heard = signal.upfirdn(low_pass, samples, down=step)[12:][: -(-rate_hz // step)]
    high_pass = signal.butter(6, 250, "highpass", fs=rate_hz / step, output="sos")
    context = (len(chunk.samples) - len(heard)) // 2
    wanted = signal.sosfilt(high_pass, heard)
    # Past what the noise before the beginning does to the high-pass.
    late = slice(len(heard) // 2, len(heard) - 100)
    np.testing.assert_allclose(chunk.samples[context:][late], wanted[late], atol=1e-8)

"""A move knows the sound it was made for: the same sound passes, another is refused. The limits are our own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from layerpipe.core.sound import ArraySound
from layerpipe.render.takes.attack import attack_text, is_same_attack
from tests.support.sounds.strums import EASY, make_strums

START_S = 0.592


@pytest.fixture(scope="module")
def take():
    return make_strums(17, hand=EASY, bars=1)


@pytest.fixture(scope="module")
def text(take):
    return attack_text(ArraySound(take.samples, take.rate_hz), START_S)


def test_the_fingerprint_is_short_and_of_plain_letters(text):
    assert len(text) == 36
    assert text.isascii()


def test_the_same_samples_fit_at_another_bit_depth(take, text):
    peak = np.abs(take.samples).max()
    loud = ArraySound(np.round(take.samples * 0.5 / peak * 32768) / 32768 * peak / 0.5, take.rate_hz)
    assert is_same_attack(text, loud, START_S)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_the_same_sound_fits_at_another_rate(take, text, rate_hz):
    # Polyphase conversion by scipy, an outside implementation.
    common = np.gcd(rate_hz, take.rate_hz)
    converted = signal.resample_poly(take.samples, rate_hz // common, take.rate_hz // common, window=("kaiser", 14.0))
    assert is_same_attack(text, ArraySound(converted, rate_hz), START_S)


@pytest.mark.parametrize("change", [
    lambda samples: np.roll(samples, 5), lambda samples: -samples, lambda samples: samples * 1.01,
    lambda samples: np.zeros(len(samples)), lambda samples: samples[: round(0.6 * 48_000)],
    lambda samples: samples[: round(0.1 * 48_000)],
    lambda samples: samples + 1e-3 * np.abs(samples).max() * np.random.default_rng(1).standard_normal(len(samples)),
    lambda samples: make_strums(18, hand=EASY, bars=1).samples,
], ids=["5 samples later", "inverted", "0.09 dB louder", "silent", "cut off", "shorter", "noise", "another take"])
def test_anything_else_does_not_fit(take, text, change):
    assert not is_same_attack(text, ArraySound(change(take.samples), take.rate_hz), START_S)


def test_digital_silence_fits_itself():
    silence = ArraySound(np.zeros(9_600), 48_000)
    assert is_same_attack(attack_text(silence, 0.1), silence, 0.1)


@pytest.mark.parametrize("text", ["", "abc", "====", "\u00e9" * 36, "AAAA", "A" * 64])
def test_text_that_is_no_fingerprint_fits_nothing(take, text):
    assert not is_same_attack(text, ArraySound(take.samples, take.rate_hz), START_S)

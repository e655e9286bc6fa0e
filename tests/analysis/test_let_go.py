"""Strings that are let go change the sound, too: the strum that follows begins later, or may have begun later."""

from __future__ import annotations

import numpy as np

from layerpipe.analysis.onsets.damping import new_share
from layerpipe.analysis.onsets.detect import find_onsets
from layerpipe.core.sound import ArraySound
from tests.support.sounds.strums import CHORDS, RATE_HZ, VOICES


def let_go(tone, after_s, fall_db_per_s):
    """A tone that falls faster from a moment on, as a string does whose note is let go."""
    return tone * 10 ** (-fall_db_per_s * np.clip(np.arange(len(tone)) / RATE_HZ - after_s, 0, None) / 20)


def lay(samples, at_s, tone):
    at = round(at_s * RATE_HZ)
    samples[at : at + len(tone)] += tone[: len(samples) - at]


def test_strings_let_go_before_a_strum_are_not_its_beginning():
    samples, struck_s = np.zeros(6 * RATE_HZ), 0.6 + np.arange(5.0)
    for n, (at_s, level) in enumerate(zip(struck_s, (1.0, 0.3, 1.0, 0.3, 1.0), strict=True)):
        for k, note in enumerate(CHORDS[n]):
            tone = VOICES["electric"](440 * 2 ** ((note - 69) / 12), 0.6, False, 0, RATE_HZ)
            lay(samples, at_s + 0.003 * k, let_go(level * tone, 0.98 + 0.001 * k, 300))
    samples *= 0.5 / np.abs(samples).max()
    samples += 1.26e-4 * np.random.default_rng(0).standard_normal(len(samples))
    found_s = [onset.at_s for onset in find_onsets(ArraySound(samples, RATE_HZ))]
    # The fourth was heard 11.5 ms early, where the third is let go.
    np.testing.assert_allclose(found_s, struck_s, atol=0.002)


def test_an_onset_says_by_how_much_it_may_be_too_early():
    rng = np.random.default_rng(1)
    struck_s = 0.5 + np.arange(6.0)
    samples, t = 1.26e-4 * rng.standard_normal(7 * RATE_HZ), np.arange(round(1.2 * RATE_HZ)) / RATE_HZ
    for n, at_s in enumerate(struck_s):
        for k, pitch in enumerate(rng.choice(np.arange(40, 70), 5, replace=False)):
            tone = sum(np.cos(2 * np.pi * 440 * 2 ** ((pitch - 69) / 12) * h * t * (1 + 1e-4 * h * h)
                              + rng.uniform(0, 6.28)) * np.exp(-t * (2 + 0.4 * h)) / h for h in range(1, 16))
            tone = let_go(tone * np.minimum(t / 0.001, 1), 0.976 + rng.uniform(-0.008, 0.012), 5000)
            lay(samples, at_s + 0.004 * k, 0.05 * (1, 0.5)[n % 2] * tone)
    found = find_onsets(ArraySound(samples, RATE_HZ))
    late_ms = 1000 * (np.array([one.at_s for one in found]) - struck_s)
    # One of them is heard where the chord before is let go.
    assert late_ms.min() < -15
    assert np.all(late_ms + [one.later_ms for one in found] > -2)
    assert sum(one.later_ms > 0 for one in found) == 1


def test_what_is_let_go_is_nothing_new_and_what_is_struck_is():
    t = np.arange(4_800) / 24_000
    partials = sum(np.sin(2 * np.pi * hz * t) * np.exp(-3 * t) for hz in (330, 495, 662, 991))
    after = np.clip(t - 0.15, 0, None)
    quiet = 1e-4 * np.random.default_rng(0).standard_normal(len(t))
    struck = partials + 2 * np.sin(2 * np.pi * 440 * after) * (after > 0)
    assert new_share(struck + quiet, 3_600, 240, 24_000) > 0.7
    assert new_share(partials * np.exp(-60 * after) + quiet, 3_600, 240, 24_000) < 0

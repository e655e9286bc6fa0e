"""A metronome's bleed in a take is found, timed to the sample and taken out; the strums at its ticks stay.

Ticks are made by our own code; `tests.bench.bench_strokes` plays those of sound fonts.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.onsets.metronome import comb as metronome_comb
from layerpipe.analysis.onsets.onset import Detection
from layerpipe.analysis.timing.grid.tempo import estimate_tempo
from layerpipe.core.sound import ArraySound
from tests.support.onset_scores import f_measure, match_onsets
from tests.support.sounds.strums import EASY, Strums, make_strums

TEMPO, RATE_HZ, BLEED_DB = 97.0, 48_000, -40.0


@cache
def played() -> Strums:
    """Eight bars with strums on most beats, as a hand spreads them."""
    return make_strums(3, hand=replace(EASY, scatter_ms=8.0), tempo=TEMPO, bars=8)


def with_ticks(take: Strums, spread_ms: float = 0.0) -> np.ndarray:
    """The take with a tick on each beat: 30 ms of 2 kHz."""
    at_s = np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
    tick = np.exp(-at_s / 0.006) * np.sin(2 * np.pi * 2000 * at_s)
    samples, late = take.samples.copy(), np.random.default_rng(1)
    for n in range(int((take.seconds - take.bar_one_s) * TEMPO / 60)):
        first = round((take.bar_one_s + n * 60 / TEMPO + late.normal(0, spread_ms / 1000)) * RATE_HZ)
        samples[first : first + len(tick)] += 10 ** (BLEED_DB / 20) * tick[: len(samples) - first]
    return samples


@cache
def heard(spread_ms: float | None) -> Detection:
    """What is heard with ticks, or without any (None)."""
    return detect_onsets(ArraySound(played().samples if spread_ms is None else with_ticks(played(), spread_ms),
                                    RATE_HZ))


def test_a_metronome_at_minus_40_dbfs_is_found_to_the_sample():
    metronome = heard(0.0).metronome
    assert metronome is not None
    assert 60 / metronome.apart_s == pytest.approx(TEMPO, abs=1e-3)
    assert metronome.first_s == pytest.approx(played().bar_one_s, abs=0.001)
    assert metronome.level_db == pytest.approx(BLEED_DB, abs=2.0)
    # The last strum rings out there.
    assert metronome.worst_s > played().onsets_s[-1]


def test_its_ticks_are_no_onsets_and_the_strums_at_them_keep_their_times():
    truth = played().onsets_s
    clean, bled = (np.array([onset.at_s for onset in heard(which).onsets]) for which in (None, 0.0))
    scores = [f_measure(truth, found, 0.025) for found in (clean, bled)]
    assert scores[1][1] >= scores[0][1] - 0.02
    assert scores[1][2] >= scores[0][2] - 0.02
    errors = [np.percentile([abs(found[j] - truth[i]) for i, j in match_onsets(truth, found, 0.025)], 90)
              for found in (clean, bled)]
    assert errors[1] < errors[0] + 0.002


def test_what_a_hand_plays_is_no_metronome():
    assert heard(None).metronome is None
    assert heard(5.0).metronome is None


def test_its_tempo_is_that_of_the_song():
    found = heard(0.0)
    assert found.metronome is not None
    best = estimate_tempo([found])[0]
    assert best.tempo == pytest.approx(TEMPO, abs=1e-3)
    assert best.bar_one_s == pytest.approx(played().bar_one_s, abs=0.002)


@pytest.mark.parametrize("apart_s", [0.3448276, 0.6896552, 1.1538462])
def test_in_a_long_take_ticks_are_followed_from_part_to_part(apart_s, rng, monkeypatch):
    monkeypatch.setattr(metronome_comb, "COMB", replace(metronome_comb.COMB, longest_s=100.0))
    first_s, length_s = 0.25, 650.0
    at_s = first_s + apart_s * np.arange(int((length_s - first_s) / apart_s))
    rises = np.clip(rng.exponential(1.2, round(1000 * length_s)) - 2.0, 0.0, 10.0)
    rises[np.rint(1000 * at_s).astype(int)] += 5.0
    # Hands play, and for three minutes only they do.
    rises[110_000:290_000] = np.clip(rng.exponential(1.2, 180_000) - 2.0, 0.0, 10.0)
    rises[rng.integers(0, len(rises), 2000)] = 10.0
    held = metronome_comb.Rises(np.array_split(rises.astype(np.float32), 41))
    np.testing.assert_array_equal(held.read(70_001, 333_333), rises[70_001:333_333].astype(np.float32))
    ticks = metronome_comb.find_ticks(held)
    assert ticks is not None
    np.testing.assert_allclose(ticks[0] + ticks[1] * np.arange(len(at_s)), at_s, rtol=0, atol=0.002)

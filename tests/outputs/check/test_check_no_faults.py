"""What looks like a fault and is none: silence that an editor made, rounded slopes, pasted choruses.

No outside source: the sounds are made like the edited files in which these were reported as faults.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.outputs.check.test_check import faults_of, written
from tests.support.examples import slow
from tests.support.sounds import faulty_takes as made

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def take() -> made.MadeTake:
    """A take with pauses."""
    return made.make_take(4, instrument="nylon", seconds=8, tempo=96)


def kinds_of(path, samples: np.ndarray, subtype: str = "PCM_24") -> list[str]:
    return [fault["kind"] for fault in faults_of(written(path, made.MadeTake(samples, RATE_HZ, (), (), 0.0), subtype))]


def in_phrases(samples: np.ndarray, fade_s: float) -> np.ndarray:
    """Digital silence for 0.4 s in every 2 s, also in the middle of ringing chords."""
    t = np.arange(len(samples)) / RATE_HZ % 2.0
    if fade_s == 0.0:
        return np.where(t < 1.6, samples, 0.0)
    gain = np.clip((1.6 - t) / fade_s, 0.0, 1.0) * np.clip(t / fade_s, 0.0, 1.0)
    return np.where(t < 1.6, gain * samples, 0.0)


@pytest.mark.parametrize(("subtype", "fade_s"), [("PCM_16", 0.3), ("PCM_24", 0.002), slow("PCM_16", 0.002),
                                                 slow("PCM_24", 0.3)])
def test_digital_silence_between_phrases_is_no_dropout(tmp_path, take, subtype, fade_s):
    assert "dropout" not in kinds_of(tmp_path / "take.wav", in_phrases(take.samples, fade_s), subtype)


@pytest.mark.slow
def test_silence_that_a_gate_cuts_into_room_noise_is_no_dropout(tmp_path, take):
    samples = take.samples + 1e-4 * np.random.default_rng(1).standard_normal(len(take.samples))
    for start_s, stop_s in take.gaps_s:
        # The gate opens and closes hard, in noise 40 dB and more under the playing.
        samples[round((start_s + 0.1) * RATE_HZ) : round((stop_s - 0.02) * RATE_HZ)] = 0.0
    assert "dropout" not in kinds_of(tmp_path / "take.wav", samples)


@pytest.mark.parametrize("length_s", [0.1, slow(0.002), slow(0.3)])
def test_silence_inside_ringing_strings_is_a_dropout(tmp_path, take, length_s):
    at_s = take.onsets_s[2] + 0.05
    (fault,) = faults_of(written(tmp_path / "take.wav", made.with_dropout(take, at_s, 1000 * length_s)))
    assert (fault["kind"], fault["at_s"]) == ("dropout", pytest.approx(at_s, abs=0.002))


def test_patterns_in_silence_that_come_again_are_no_repeated_buffer(tmp_path, take):
    # A rounded fade-out leaves single steps in digital silence, here at even distances.
    steps = np.zeros(round(0.4 * RATE_HZ))
    steps[:: round(0.1 * RATE_HZ)] = 2.0**-15
    samples = in_phrases(take.samples, 0.3)
    samples[round(1.6 * RATE_HZ) : round(2.0 * RATE_HZ)] = steps
    assert "dropout" not in kinds_of(tmp_path / "take.wav", samples, "PCM_16")


def test_a_slow_slope_in_steps_of_16_bits_is_no_held_value(tmp_path, rng):
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    voice = np.sin(2 * np.pi * 220 * t + np.sin(2 * np.pi * 5.3 * t)) + 0.01 * rng.standard_normal(len(t))
    sung = 0.1 * voice * np.clip(np.sin(np.pi * t) * 5, 0.0, 1.0)
    # Breath moves the membrane by 240 steps a second: one value for 4 ms.
    slope = 0.004 * np.sin(2 * np.pi * 0.3 * t)
    assert "dropout" not in kinds_of(tmp_path / "take.wav", sung + slope, "PCM_16")


def test_a_chorus_pasted_three_times_is_not_clipped_and_clipped_choruses_are(tmp_path, take):
    chorus = take.samples[round(take.onsets_s[0] * RATE_HZ) - 4800 :][: 3 * RATE_HZ].copy()
    chorus[:480] *= np.linspace(0, 1, 480)
    chorus[-480:] *= np.linspace(1, 0, 480)
    pasted = np.concatenate([chorus, chorus, chorus])
    assert "clipping" not in kinds_of(tmp_path / "pasted.wav", pasted)
    limit = 0.95 * np.abs(pasted).max()
    assert "clipping" in kinds_of(tmp_path / "clipped.wav", np.clip(pasted, -limit, limit))

"""Tuning against truth and against second opinions."""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.analysis.defects.pitch.low_band import LowBandMeter
from layerpipe.analysis.defects.pitch.tuning import tuning_of, unwrap_cents
from tests.support.examples import slow
from tests.support.sounds import faulty_takes as made
from tests.support.sounds.waves import Wave, sum_waves


def heard_cents(samples: np.ndarray, rate_hz: int = 48_000, a4_hz: float = 440.0) -> float | None:
    """Cents of a sound; None if unknown."""
    meter = LowBandMeter(rate_hz)
    for at in range(0, len(samples), rate_hz):
        meter.add(samples[at : at + rate_hz])
    tuning = tuning_of(meter.end(), a4_hz)
    return None if tuning is None else tuning.cents


def chord(cents: float, *, stiffness: float = 0.0, seconds: float = 6.0) -> np.ndarray:
    """An E major chord of decaying partials, exactly in equal temperament (ISO 16) but for `cents`."""
    rng = np.random.default_rng(2)
    frames, waves = round(seconds * 48_000), []
    for note in (40, 47, 52, 56, 59, 64):
        hz = 440 * 2 ** ((note - 69 + cents / 100) / 12)
        for n in range(1, 12):
            pitch = n * hz * np.sqrt((1 + stiffness * n * n) / (1 + stiffness))
            waves.append(Wave(1 / n, pitch, rng.uniform(0, 6.3), 0.5 + 0.1 * n, frames))
    return 0.05 * sum_waves(waves, frames, 48_000) + 1e-4 * rng.standard_normal(frames)


@pytest.mark.parametrize(("cents", "stiffness"), [
    (-38.0, 0.0), (0.0, 0.0), (-12.3, 1e-4), (4.9, 1e-4), (31.0, 1e-4)])
def test_a_chord_is_read_within_a_cent(cents, stiffness):
    assert heard_cents(chord(cents, stiffness=stiffness)) == pytest.approx(cents, abs=1.0)


@pytest.mark.parametrize("instrument", ["steel", "small", slow("nylon"), slow("electric")])
def test_ten_seconds_of_strumming_are_read_within_a_cent(instrument):
    take = made.make_take(71, instrument=instrument, seconds=12, cents=13.7)
    assert heard_cents(take.samples[48_000 : 11 * 48_000]) == pytest.approx(13.7, abs=1.0)


def test_another_a_moves_the_scale():
    # 443 Hz is 11.76 cents above 440 Hz.
    assert heard_cents(chord(11.76), a4_hz=443.0) == pytest.approx(0.0, abs=0.5)


@pytest.mark.slow
def test_librosa_hears_the_same_in_clean_tones():
    import librosa

    sound = chord(17.0)
    theirs = 100 * librosa.estimate_tuning(y=sound.astype(np.float32), sr=48_000, resolution=0.01, n_fft=8192)
    assert heard_cents(sound) == pytest.approx(theirs, abs=3.0)


@pytest.mark.slow
def test_pyin_hears_the_same_in_one_note():
    import librosa

    t = np.arange(4 * 48_000) / 48_000
    note = sum(0.2 / n * np.sin(2 * np.pi * 220.0 * 2 ** (8 / 1200) * n * t) for n in range(1, 6)) * np.exp(-0.3 * t)
    hz, voiced, _ = librosa.pyin(note.astype(np.float32)[::3], sr=16_000, fmin=180, fmax=270, resolution=0.02,
                                 hop_length=2048, max_transition_rate=2.0)
    theirs = float(np.median(1200 * np.log2(hz[voiced] / 220.0)))
    ours = heard_cents(note)
    assert ours == pytest.approx(8.0, abs=0.5)
    assert ours == pytest.approx(theirs, abs=2.0)


@pytest.mark.parametrize("seconds", [0.2, 20.0])
def test_noise_has_no_tuning(seconds):
    assert heard_cents(0.1 * np.random.default_rng(3).standard_normal(round(seconds * 48_000))) is None


def test_the_mean_of_a_drifting_take_is_read_and_the_drift_too():
    take = made.make_take(77, instrument="nylon", seconds=30, drift_cents=12.0, tempo=60)
    meter = LowBandMeter(48_000)
    for at in range(0, len(take.samples), 48_000):
        meter.add(take.samples[at : at + 48_000])
    tuning = tuning_of(meter.end(), 440.0)
    assert tuning is not None
    assert tuning.drift_cents == pytest.approx(8.0, abs=2.5)


@pytest.mark.parametrize(("mine", "doubles", "cents"), [
    (48.0, [-47.0], -52.0), (-47.0, [48.0], 53.0), (3.0, [1.0, -2.0], 3.0), (-49.0, [49.0, -50.0, 48.0], 51.0),
    (12.0, [], 12.0)])
def test_cents_are_read_next_to_those_of_the_doubles(mine: float, doubles: list[float], cents: float) -> None:
    assert unwrap_cents(mine, doubles) == pytest.approx(cents)

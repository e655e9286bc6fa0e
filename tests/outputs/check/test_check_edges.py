"""What `check` hears where faults and music are near each other: ticks under tones, leaning strings, loudspeakers."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import signal

from layerpipe.analysis.defects.pitch import low_band
from layerpipe.analysis.defects.pitch.tuning import tuning_of
from layerpipe.analysis.defects.single_pass import measure_take
from layerpipe.core.sound import ArraySound
from tests.outputs.check.test_check import faults_of, written
from tests.support.examples import slow
from tests.support.sounds import faulty_takes as made

RATE_HZ = 48_000


@pytest.fixture
def tones(rng: np.random.Generator) -> np.ndarray:
    """Ten seconds of tones that ring for two seconds each, strong near 3 kHz, over soft noise."""
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    ring = np.exp(-1.2 * (t % 2.0)) * np.minimum(1.0, (t % 2.0) / 0.02)
    partials = ((220.0, 0.1), (440.0, 0.05), (1320.0, 0.03), (2860.0, 0.02), (3080.0, 0.02))
    return sum(size * ring * np.sin(2 * np.pi * hz * t) for hz, size in partials) + 1e-4 * rng.standard_normal(len(t))


def as_take(samples: np.ndarray) -> made.MadeTake:
    return made.MadeTake(samples, RATE_HZ, (), (), 0.0)


def kinds_of(path, samples: np.ndarray) -> list[str]:
    return [fault["kind"] for fault in faults_of(written(path, as_take(samples)))]


@pytest.mark.parametrize("at_s", [2.71, slow(5.13), slow(7.02 + 0.6)])
def test_a_tick_is_heard_under_a_loud_tone_near_3_khz(tmp_path, tones, at_s):
    at = round(at_s * RATE_HZ)
    around = made.above_3k(tones, RATE_HZ)[at - 1200 : at + 1200]
    # 15 dB over the rms around, where the goal of the project lies; no outside source.
    tones[at : at + 2] += 10 ** (15 / 20) * np.sqrt(np.mean(around**2))
    clicks = [fault for fault in faults_of(written(tmp_path / "take.wav", as_take(tones))) if fault["kind"] == "click"]
    assert [fault["at_s"] for fault in clicks] == [pytest.approx(at_s, abs=0.003)]


def test_a_dull_knock_in_a_gap_is_heard_though_the_same_second_is_loud(tmp_path, tones, rng):
    t = np.arange(len(tones)) / RATE_HZ
    stopped = np.clip((0.4 - t % 1.0) / 0.02, 0.0, 1.0)
    sound = stopped * tones + 1e-4 * rng.standard_normal(len(tones))
    at_s = np.array([1.0, 3.0, 4.0, 6.0, 8.0]) + rng.uniform(0.6, 0.8, 5)
    knock = np.exp(-np.arange(100) / RATE_HZ / 0.0004) * np.sin(2 * np.pi * 4000 * np.arange(100) / RATE_HZ)
    for at in np.round(at_s * RATE_HZ).astype(int):
        around = made.above_3k(sound, RATE_HZ)[at - 1200 : at + 1200]
        # 20 dB over the rms around; no outside source.
        sound[at : at + 100] += 10 ** (20 / 20) * np.sqrt(np.mean(around**2)) * knock / np.abs(knock).max()
    clicks = [fault for fault in faults_of(written(tmp_path / "take.wav", as_take(sound))) if fault["kind"] == "click"]
    assert [fault["at_s"] for fault in clicks] == [pytest.approx(at, abs=0.003) for at in at_s]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [100, slow(108)])
def test_bright_takes_with_narrow_tops_show_an_analogue_clip(tmp_path, seed):
    take = made.make_take(seed, instrument="loop steel", tempo=90.0, seconds=14)
    clipped = made.with_clipping(take, 6.0, ceiling_db=-6.0, analogue=True)
    assert "clipping" not in [fault["kind"] for fault in faults_of(written(tmp_path / "take.wav", take))]
    assert "clipping" in [fault["kind"] for fault in faults_of(written(tmp_path / "clipped.wav", clipped))]


@pytest.mark.slow
def test_a_long_take_keeps_fewer_windows_and_is_tuned_the_same(monkeypatch):
    take = made.make_take(3, cents=2.0, seconds=40, string_cents=0.0)
    whole = measure_take(ArraySound(take.samples, take.rate_hz)).low
    settings = dataclasses.replace(low_band.SETTINGS, most_runs=4)
    monkeypatch.setattr(low_band, "SETTINGS", settings)
    thinned = measure_take(ArraySound(take.samples, take.rate_hz)).low
    assert whole.listed.all()
    assert 0 < thinned.listed.sum() <= 4 * settings.windows_per_run
    assert set(np.unique(thinned.partials[:, 0])) <= set(np.flatnonzero(thinned.listed))
    assert tuning_of(thinned, 440.0).cents == pytest.approx(tuning_of(whole, 440.0).cents, abs=1.0)


def test_tones_alone_are_no_clicks(tmp_path, tones):
    assert "click" not in kinds_of(tmp_path / "take.wav", tones)


@pytest.mark.slow
def test_strings_that_lean_only_while_they_sound_are_no_offset(tmp_path, tones):
    lean = np.convolve(np.abs(tones), np.ones(4800) / 4800, mode="same") * 0.5
    pauses = np.where(np.arange(len(tones)) % (4 * RATE_HZ) < 3 * RATE_HZ, 1.0, 0.0)
    noise = 1e-4 * np.random.default_rng(3).standard_normal(len(tones))
    assert "dc" not in kinds_of(tmp_path / "leaning.wav", (tones + lean) * pauses + noise)
    assert "dc" in kinds_of(tmp_path / "offset.wav", tones * pauses + noise + 0.01)


@pytest.mark.parametrize(("cut", "is_told"), [("speaker", False), ("converter", True)])
def test_a_loudspeaker_ends_steeply_and_is_no_converter(tmp_path, rng, cut, is_told):
    # A guitar's loudspeaker falls by 24 dB an octave or more from about 5 kHz on (common practice, no source).
    bright = 0.1 * rng.standard_normal(8 * RATE_HZ) * np.exp(-2.0 * (np.arange(8 * RATE_HZ) / RATE_HZ % 2.0))
    if cut == "speaker":
        dull = signal.sosfilt(signal.butter(2, 900, fs=RATE_HZ, output="sos"), bright)
        sound = signal.sosfilt(signal.cheby2(8, 18, 6300, fs=RATE_HZ, output="sos"), dull)
        sound = signal.sosfilt(signal.butter(1, 6500, fs=RATE_HZ, output="sos"), sound)
    else:
        sound = signal.resample_poly(signal.resample_poly(bright, 1, 3), 3, 1)
    assert ("band_limit" in kinds_of(tmp_path / "take.wav", sound + 1e-6 * rng.standard_normal(len(sound)))) == is_told

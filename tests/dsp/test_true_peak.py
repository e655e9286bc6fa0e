"""True peak: EBU Tech 3341 cases 15 to 23, the proof of what is skipped, and that cuts and shortcuts change no bit."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from layerpipe.core.errors import ParameterError
from layerpipe.dsp import kernels
from layerpipe.dsp.peaks import true_peak as peaks
from layerpipe.dsp.peaks.true_peak import TruePeakMeter, interpolate, interpolator, true_peak
from tests.support.examples import few, slow

TAPS = peaks.TAPS


def dbtp(sound: np.ndarray) -> float:
    """Highest true peak of all channels."""
    return 20 * math.log10(true_peak(sound).max())


def brute_force(sound: np.ndarray) -> tuple[float, int]:
    """Every point there is, and the frame before the first of the highest."""
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(sound, TAPS - 1), TAPS)
    points = np.concatenate([np.abs(interpolate(windows[at : at + 2048])).max(axis=1)
                             for at in range(0, len(windows), 2048)])
    highest = int(np.argmax(points))
    return float(points[highest]), min(max(0, highest - TAPS // 2), len(sound) - 1)


def materials(kind: str, frames: int, seed: int) -> np.ndarray:
    """Sounds that make skipping easy, hard and impossible."""
    rng = np.random.default_rng(seed)
    n = np.arange(frames)
    if kind == "noise":
        return rng.standard_normal(frames)
    if kind == "rumble":
        return np.cumsum(rng.standard_normal(frames)) / 50
    if kind == "sine":
        return np.sin(n * rng.uniform(0, np.pi) + rng.uniform(0, 6))
    if kind == "sine that repeats itself":
        return np.sin(2 * np.pi * (n % 48) / 48 + 0.05)
    if kind == "quarter of the rate":
        return np.sin(np.pi / 2 * n + np.pi / 4)
    if kind == "decay":
        return np.exp(-n / 700) * np.sin(0.01 * n) + np.exp(-n / 50) * rng.standard_normal(frames)
    if kind == "a crack beside a whisper":
        return np.where(n % 2500 == 2499, 1e9, 1e-3 * rng.standard_normal(frames))
    if kind == "clicks":
        return np.where(rng.random(frames) < 0.002, rng.standard_normal(frames), 0.0)
    return np.zeros(frames)


KINDS = ["noise", "rumble", "sine", "sine that repeats itself", "quarter of the rate", "decay", "clicks",
         "a crack beside a whisper", "silence"]


# EBU Tech 3341 version 4, table 1: dBTP, tolerance +0.2/-0.4 dB. (divisor of the rate, phase in degrees, amplitude)
SINES = {"case 15": (4, 0.0, 0.50, -6.0), "case 16": (4, 45.0, 0.50, -6.0), "case 17": (6, 60.0, 0.50, -6.0),
         "case 18": (8, 67.5, 0.50, -6.0), "case 19": (4, 45.0, 1.41, 3.0)}


@pytest.mark.parametrize(("divisor", "degrees", "amplitude", "expected"), SINES.values(), ids=SINES)
def test_true_peak_of_sines_meets_tech_3341(divisor, degrees, amplitude, expected):
    n = np.arange(24_000)
    fades = np.minimum(1, np.minimum(n, n[::-1]) / 2000)
    sound = amplitude * fades * np.sin(2 * np.pi * n / divisor + math.radians(degrees))
    assert expected - 0.4 <= dbtp(sound) <= expected + 0.2
    if degrees == 45.0:
        # The frames themselves all miss the crest by 3 dB.
        assert 20 * math.log10(np.abs(sound).max()) == pytest.approx(20 * math.log10(amplitude) - 3.01, abs=0.01)


@pytest.mark.parametrize("offset", [0, 1, 2, 3], ids=["case 20", "case 21", "case 22", "case 23"])
def test_true_peak_between_frames_meets_tech_3341(offset):
    # Made at four times the rate: one period of rate/4 at 1.00 inside rate/6 at 0.50, low-passed, every fourth kept.
    n = np.arange(19_200)
    sine = 0.5 * np.sin(2 * np.pi * n / 24)
    middle = len(n) // 48 * 24
    dense = np.concatenate([sine[:middle], np.sin(2 * np.pi * np.arange(16) / 16), sine[middle:]])
    fades = np.minimum(1, np.minimum(np.arange(len(dense)), np.arange(len(dense))[::-1]) / 2000)
    low_pass = signal.firwin(257, 0.24, window=("kaiser", 8.0))
    sound = np.convolve(dense * fades, low_pass, "same")[offset::4]
    assert -0.4 <= dbtp(sound) <= 0.2


def test_the_interpolator_is_flat_to_0_45_of_the_rate_and_keeps_the_frames():
    taps = interpolator().taps
    at = np.linspace(0, 0.45, 200)
    offsets = np.arange(TAPS) - (TAPS // 2 - 1)
    response = np.exp(2j * np.pi * at[:, None] * offsets) @ taps
    ideal = np.exp(2j * np.pi * at[:, None] * np.arange(peaks.PHASES) / peaks.PHASES)
    assert 20 * math.log10(1 + np.abs(response - ideal).max()) < 0.005
    np.testing.assert_array_equal(taps[:, 0], offsets == 0)


@pytest.mark.parametrize("at", [0.05, 0.21, 0.333, 0.45])
def test_what_is_missed_is_within_the_attachment_to_annex_2(at):
    # BS.1770-5, attachment to Annex 2: at most 20 log10 cos(pi f / n) under the crest, for n points a frame.
    worst_db = 20 * math.log10(math.cos(math.pi * at / peaks.PHASES))
    n = np.arange(4000)
    fades = np.sin(np.pi * n / len(n)) ** 2
    for phase in np.linspace(0, math.pi, 7):
        found = dbtp(fades * np.sin(2 * math.pi * at * (n - 2000) + phase))
        assert worst_db - 0.006 <= found <= 0.006
    assert worst_db >= -0.0345


def test_the_bounds_hold_for_the_worst_sound_there_is(rng):
    # Every point is a sum of the bound's own terms: the identity of the module's head, for random windows.
    design = interpolator()
    windows = rng.standard_normal((500, TAPS)) * 10 ** rng.uniform(-3, 0, (500, TAPS))
    points = np.abs(interpolate(windows)).max(axis=1)
    middle = TAPS // 2 - 1
    near = np.abs(windows[:, [middle, middle + 1]]).max(axis=1)
    bends = np.abs(np.diff(windows, 2, axis=1))
    assert (points <= design.near_bound * near + bends @ design.curve_bounds + 1e-12).all()
    assert (points <= design.sum_bound * np.abs(windows).max(axis=1) + 1e-12).all()
    # And they are not slack for nothing: signs chosen against the taps reach the first to the last digit.
    worst = np.sign(design.taps.T)
    assert np.abs(interpolate(worst)).max() == pytest.approx(design.sum_bound, rel=1e-12)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("frames", [1, 46, 127, 128, 5000, slow(40_000)])
def test_skipping_finds_what_brute_force_finds_to_the_bit(kind, frames):
    sound = materials(kind, frames, seed=frames)
    meter = TruePeakMeter()
    meter.add(sound)
    peak, place = brute_force(sound)
    assert meter.peak[0] == peak
    assert meter.place[0] == (place if peak > 0 else 0)


def test_the_compiled_loop_and_the_loop_as_written_agree_to_the_bit(monkeypatch):
    sound = materials("decay", 3000, seed=4)
    fast = true_peak(sound)
    monkeypatch.setattr(kernels, "find_true_peak", kernels.find_true_peak.plain)
    assert true_peak(sound) == fast


@settings(max_examples=few(15, 40))
@given(kind=st.sampled_from(KINDS), seed=st.integers(0, 1000), cuts=st.lists(st.integers(0, 3000), max_size=5))
def test_cutting_the_sound_anywhere_changes_no_bit(kind, seed, cuts):
    sound = materials(kind, 3000, seed)
    whole, pieces = TruePeakMeter(), TruePeakMeter()
    whole.add(sound)
    for piece in np.split(sound, sorted(cuts)):
        pieces.add(piece)
    assert pieces.peak[0] == whole.peak[0]
    assert pieces.place[0] == whole.place[0]


def test_reading_the_peak_on_the_way_does_not_disturb_the_meter(strum):
    asked, quiet = TruePeakMeter(), TruePeakMeter()
    for piece in np.split(strum, 7 * 1000 * np.arange(1, 6)):
        asked.add(piece)
        quiet.add(piece)
        assert asked.peak[0] > 0
    assert asked.peak[0] == quiet.peak[0] == true_peak(strum)[0]


def test_channels_are_followed_each_on_its_own(strum):
    both = np.stack([strum, -0.25 * np.roll(strum, 5000)], axis=1)
    meter = TruePeakMeter(2)
    meter.add(both.astype(np.float32)[:20_000])
    meter.add(both.astype(np.float32)[20_000:])
    one_by_one = [true_peak(both[:, side].astype(np.float32))[0] for side in (0, 1)]
    assert meter.peak.tolist() == one_by_one
    assert meter.peak_dbtp == pytest.approx(20 * math.log10(max(one_by_one)))


def test_the_place_is_the_frame_at_or_before_the_peak():
    sound = np.zeros(1000)
    sound[700] = -0.5
    meter = TruePeakMeter()
    meter.add(sound)
    assert meter.place[0] == 700
    assert meter.peak[0] == 0.5
    # Between two equal neighbours the crest lies in the middle: the frame before it is told.
    pulse = np.sinc(0.8 * (np.arange(1000) - 400.5))
    assert abs(true_peak(pulse)[0] - 1) < 0.001
    meter = TruePeakMeter()
    meter.add(pulse)
    assert meter.place[0] == 400


def test_silence_and_nothing_at_all_have_no_peak():
    assert true_peak(np.zeros((100, 2))).tolist() == [0.0, 0.0]
    assert true_peak(np.zeros(0)).tolist() == [0.0]
    assert TruePeakMeter(2).peak_dbtp == -math.inf


def test_a_block_with_another_number_of_channels_is_refused():
    with pytest.raises(ParameterError, match="2 channels"):
        TruePeakMeter(2).add(np.zeros((10, 3)))
    with pytest.raises(ParameterError, match="2 channels"):
        TruePeakMeter(2).add(np.zeros(10))


@pytest.mark.parametrize("kind", ["noise", "decay", "a crack beside a whisper"])
def test_parts_have_the_peaks_of_their_own_points(kind):
    sound = materials(kind, 20_000, seed=6)
    meter, found = TruePeakMeter(), []
    for piece in np.split(sound, [3000, 3001, 9000, 17_000]):
        meter.add(piece)
        found.append(meter.next_part()[0])
    found.append(meter.peak[0])
    points = np.abs(interpolate(np.lib.stride_tricks.sliding_window_view(np.pad(sound, TAPS - 1), TAPS))).max(axis=1)
    # Interval i begins 24 frames before frame i; a part ends where its taps end.
    ends = [0, 3000, 3001, 9000, 17_000, 20_000, len(points)]
    assert found == [points[start:stop].max() for start, stop in itertools.pairwise(ends)]
    assert max(found) == true_peak(sound)[0]

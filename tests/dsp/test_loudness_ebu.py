"""The minimum requirement test signals of EBU Tech 3341 and Tech 3342, synthesised, through our meters.

EBU Tech 3341 version 4 (11/2023), section 2.9, table 1, cases 1 to 6 and 9 to 14 (15 to 23 are true peaks, see
test_truepeak); EBU Tech 3342 version 4, section 4, table 1, cases 1 to 4. All tones are sines of 1000 Hz at 48 kHz, in
phase on both sides, levels are peak dBFS of one channel. Cases 7 and 8 are programme files and cannot be synthesised.
"""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.dsp.loudness import bs1770 as loudness
from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.render.energies.meter import EnergyMeter
from layerpipe.render.energies.mixes import Mix, read_mix
from tests.support.examples import slow

RATE_HZ = 48_000
# Twenty beginnings, of which the first, the last and two between are tried by default.
MOMENTS = [i if i in (0, 7, 13, 19) else slow(i) for i in range(20)]


def tone(*steps: tuple[float, float]) -> np.ndarray:
    """One channel of (seconds, dBFS) steps; -inf is silence. The phase runs on."""
    gain = np.concatenate([np.full(round(seconds * RATE_HZ), 10 ** (level / 20)) for seconds, level in steps])
    return gain * np.sin(2 * np.pi * 1000 * np.arange(len(gain)) / RATE_HZ)


def stereo(*steps: tuple[float, float]) -> np.ndarray:
    """Both sides, shape (frames, 2)."""
    one = tone(*steps)
    return np.stack([one, one], axis=1)


def blocks_of(sound: np.ndarray, width_steps: int, hop_steps: int) -> np.ndarray:
    """LUFS of every block of a stereo sound."""
    meter = EnergyMeter(2, RATE_HZ)
    meter.add(sound.T)
    energies = meter.finish()
    steps = np.concatenate([weighted[:, [0, 2]].sum(axis=1) for _, weighted, _ in energies.chunks(0, energies.steps)])
    return loudness.lufs_of_powers(loudness.powers(steps, np.full(len(steps), 480), width_steps, hop_steps))


# Case: steps, integrated loudness within 0.1 LU.
TECH_3341 = {
    "case 1": ([(20, -23.0)], -23.0),
    "case 2": ([(20, -33.0)], -33.0),
    "case 3": ([(10, -36), (60, -23), (10, -36)], -23.0),
    "case 4": ([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0),
    "case 5": ([(20, -26), (20.1, -20), (20, -26)], -23.0),
}


@pytest.mark.parametrize(("steps", "lufs"), TECH_3341.values(), ids=TECH_3341)
def test_integrated_loudness_meets_tech_3341(steps, lufs):
    assert measure(stereo(*steps), RATE_HZ).integrated_lufs == pytest.approx(lufs, abs=0.1)


@pytest.mark.parametrize(("steps", "lufs"), TECH_3341.values(), ids=TECH_3341)
def test_integrated_loudness_from_energies_meets_tech_3341(steps, lufs):
    meter = EnergyMeter(2, RATE_HZ)
    meter.add(stereo(*steps).T)
    found = read_mix(meter.finish(), Mix(np.array([1.0, 0.0]), np.array([0.0, 1.0])))
    assert found.integrated_lufs == pytest.approx(lufs, abs=0.1)


@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_momentary_and_short_term_loudness_of_a_steady_tone_meet_tech_3341_cases_1_and_2(level):
    found = measure(stereo((20, level)), RATE_HZ)
    assert found.momentary_max_lufs == pytest.approx(level, abs=0.1)
    assert found.short_term_max_lufs == pytest.approx(level, abs=0.1)


def test_five_channels_meet_tech_3341_case_6():
    # Left and right -28, centre -24, surrounds -30 dBFS; weights of BS.1770-5 table 3.
    sound = np.stack([tone((20, level)) for level in (-28, -28, -24, -30, -30)], axis=1)
    assert measure(sound, RATE_HZ, weights=[1, 1, 1, 1.41, 1.41]).integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_short_term_loudness_stands_still_in_tech_3341_case_9():
    heard = blocks_of(stereo(*[(1.34, -20), (1.66, -30)] * 5), loudness.SHORT_TERM_STEPS, 10)
    np.testing.assert_allclose(heard, -23.0, rtol=0, atol=0.1)


@pytest.mark.parametrize("i", MOMENTS)
def test_short_term_maximum_does_not_depend_on_where_the_tone_begins_tech_3341_case_10(i):
    found = measure(stereo((i * 0.15, -np.inf), (3, -23), (1, -np.inf)), RATE_HZ)
    assert found.short_term_max_lufs == pytest.approx(-23.0, abs=0.1)


def test_short_term_maximum_follows_rising_tones_tech_3341_case_11():
    steps = [step for i in range(20)
             for step in ((i * 0.15, -np.inf), (3, -38 + i), (3 - i * 0.15, -np.inf))]
    heard = blocks_of(stereo(*steps), loudness.SHORT_TERM_STEPS, 10)
    for i in range(20):
        # Blocks that end by the end of the i-th stretch of 6 s.
        assert heard[: (i + 1) * 60 - 29].max() == pytest.approx(-38 + i, abs=0.1)


def test_momentary_loudness_stands_still_in_tech_3341_case_12():
    heard = blocks_of(stereo(*[(0.18, -20), (0.22, -30)] * 25), loudness.MOMENTARY_STEPS, 1)
    np.testing.assert_allclose(heard[60:], -23.0, rtol=0, atol=0.1)


@pytest.mark.parametrize("i", MOMENTS)
def test_momentary_maximum_does_not_depend_on_where_the_tone_begins_tech_3341_case_13(i):
    found = measure(stereo((i * 0.02, -np.inf), (0.4, -23), (1, -np.inf)), RATE_HZ)
    assert found.momentary_max_lufs == pytest.approx(-23.0, abs=0.1)


def test_momentary_maximum_follows_rising_tones_tech_3341_case_14():
    steps = [step for i in range(20)
             for step in ((i * 0.02, -np.inf), (0.4, -38 + i), (0.4 - i * 0.02, -np.inf))]
    heard = blocks_of(stereo(*steps), loudness.MOMENTARY_STEPS, 1)
    for i in range(20):
        assert heard[: (i + 1) * 80 - 39].max() == pytest.approx(-38 + i, abs=0.1)


def test_a_stereo_tone_at_minus_18_reads_minus_18():
    # EBU Tech 3341, section 2.9, on the alignment tone.
    assert measure(stereo((5, -18)), RATE_HZ).integrated_lufs == pytest.approx(-18.0, abs=0.1)


# EBU Tech 3342: levels of stretches of 20 s each, loudness range within 1 LU.
TECH_3342 = {"case 1": ([-20, -30], 10), "case 2": ([-20, -15], 5), "case 3": ([-40, -20], 20),
             "case 4": ([-50, -35, -20, -35, -50], 15)}


@pytest.mark.parametrize(("levels", "range_lu"), TECH_3342.values(), ids=TECH_3342)
def test_loudness_range_meets_tech_3342(levels, range_lu):
    assert measure(stereo(*[(20, level) for level in levels]), RATE_HZ).range_lu == pytest.approx(range_lu, abs=1.0)

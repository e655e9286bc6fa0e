"""Clicks at the edge of what noise does by chance.

Chance is that of a Gaussian (any table of the normal distribution: 6 times the rms is passed once in 5e8 frames); the
size of a tick that peaks 15 dB over noise above 3 kHz follows from the filter alone.
"""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.analysis.defects.clicks import residual as click_residual
from layerpipe.analysis.defects.clicks.residual import SETTINGS, SLICES_PER_S
from layerpipe.analysis.defects.single_pass import HIGH_HZ, TICK_S, measure_take
from layerpipe.core.sound import ArraySound
from layerpipe.dsp.filters import design_high_pass, run_sections
from tests.outputs.check.test_check import faults_of, written
from tests.support.sounds import faulty_takes as made

RATE_HZ = 48_000


@pytest.mark.parametrize("frames", [2, pytest.param(4, marks=pytest.mark.slow)])
def test_ticks_15_db_over_noise_are_found_and_noise_has_none(frames):
    rng = np.random.default_rng(frames)
    noise = 1e-3 * rng.standard_normal(30 * RATE_HZ)
    tick = np.pad(np.ones(frames), RATE_HZ // 50)
    size = 10 ** (15 / 20) * np.std(made.above_3k(noise, RATE_HZ)) / np.abs(made.above_3k(tick, RATE_HZ)).max()
    places = np.round(np.arange(1.0, 29.0, 0.67) * RATE_HZ).astype(int)
    spoilt = noise.copy()
    for at in places:
        spoilt[at : at + frames] += size * rng.choice([-1, 1])

    found = np.array([click.at_s for click in measure_take(ArraySound(spoilt, RATE_HZ)).clicks])

    assert np.mean([np.abs(found - at / RATE_HZ).min() < 0.002 for at in places]) > 0.95
    assert len(found) <= len(places)
    assert not measure_take(ArraySound(noise, RATE_HZ)).clicks


def test_noise_in_the_hole_is_as_strong_as_noise_beside_it(rng):
    step = RATE_HZ // SLICES_PER_S
    rows = design_high_pass(HIGH_HZ, RATE_HZ, slope_db_per_octave=24)
    tick, _ = run_sections(rows, np.eye(1, round(TICK_S * RATE_HZ))[0])
    hole = slice(348 * step, 384 * step)
    inside, outside = [], []
    for _ in range(100):
        noise, _ = run_sections(rows, rng.standard_normal(RATE_HZ))
        whitened, heard = click_residual._whitened(noise[np.newaxis, : 720 * step], hole, len(tick))
        assert heard.tolist() == [0]
        both = whitened.residual[0], click_residual._ticks(whitened, 0, hole, tick)
        inside.append([np.mean(one[hole] ** 2) for one in both])
        outside.append([np.mean(one[SETTINGS.order : hole.start - SETTINGS.order] ** 2) for one in both])
    assert np.mean(inside, axis=0) / np.mean(outside, axis=0) == pytest.approx(1.0, abs=0.05)


def test_a_soft_stroke_into_steady_ringing_is_no_click(tmp_path):
    take = made.make_take(20204, instrument="electric", seconds=10, tempo=121.37, noise_db=-76.0,
                          room=0.25)
    faults = faults_of(written(tmp_path / "take.wav", take))
    assert [fault for fault in faults if fault["kind"] == "click"] == []

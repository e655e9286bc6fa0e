"""Many levels of a layer from the energies of one pass, against full measurements of the mix."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.mixes import Mix, read_mix
from layerpipe.render.energies.sweep import level_for_difference, sweep
from tests.render.test_energies import GAINS, RATE_HZ, TAKES, make_takes, meter_takes, mixed
from tests.support.examples import few


@pytest.fixture(scope="module")
def takes() -> np.ndarray:
    return make_takes(1)


@pytest.fixture(scope="module")
def energies(takes) -> Energies:
    return meter_takes(takes)


REST = np.array([1.0, 1.0, 0.0, 0.0])
LAYER = np.array([0.0, 0.0, 1.0, 1.0])


@settings(max_examples=few(5, 15))
@given(left=GAINS, right=GAINS, level_db=st.floats(-60, 20))
def test_a_sweep_reads_what_a_full_measurement_at_each_level_reads(takes, energies, left, right, level_db):
    swept = sweep(energies, Mix(left * REST, right * REST), Mix(left * LAYER, right * LAYER), [-math.inf, level_db])
    gain = 10 ** (level_db / 20)
    blend = mixed(takes, left * (REST + gain * LAYER), right * (REST + gain * LAYER))
    rest, layer = mixed(takes, left * REST, right * REST), mixed(takes, left * LAYER * gain, right * LAYER * gain)
    full, alone, of_layer = (measure(sound, RATE_HZ).integrated_lufs for sound in (blend, rest, layer))
    # 0.001 LU is promised; rounding only shows where takes nearly cancel.
    assert swept.integrated_lufs[1] == pytest.approx(full, abs=0.001)
    assert swept.integrated_lufs[0] == pytest.approx(alone, abs=0.001)
    assert swept.short_term_max_lufs[1] == pytest.approx(measure(blend, RATE_HZ).short_term_max_lufs, abs=0.001)
    if alone > -math.inf:
        assert swept.added_lu[1] == pytest.approx(full - alone, abs=0.001)
        assert swept.added_lu[0] == 0.0
        assert swept.relative_lu[1] == pytest.approx(of_layer - alone, abs=0.001)
        assert swept.relative_lu[0] == -math.inf


def test_a_thousand_levels_agree_with_a_thousand_readings(energies):
    left, right = np.array([0.9, 0.3, 0.8, 0.1]), np.array([0.2, 0.9, -0.4, 1.0])
    levels = np.linspace(-50, 12, 1000)
    swept = sweep(energies, Mix(left * REST, right * REST), Mix(left * LAYER, right * LAYER), levels, 10_000, 400_000)
    for at in range(0, 1000, 83):
        gains = REST + 10 ** (levels[at] / 20) * LAYER
        one = read_mix(energies, Mix(left * gains, right * gains), 10_000, 400_000)
        assert swept.integrated_lufs[at] == pytest.approx(one.integrated_lufs, abs=1e-6)
        assert swept.short_term_max_lufs[at] == pytest.approx(one.short_term_max_lufs, abs=1e-6)
        assert swept.mono_loss_lu[at] == pytest.approx(one.mono_loss_lu, abs=1e-6)


@pytest.mark.parametrize("under_lu", [-6.0, 0.0, 9.0, 25.0])
def test_the_level_for_a_difference_gives_that_difference(under_lu, energies):
    left, right = np.array([0.9, 0.3, 0.8, 0.1]), np.array([0.2, 0.9, -0.4, 1.0])
    mixes = Mix(left * REST, right * REST), Mix(left * LAYER, right * LAYER)
    level_db = level_for_difference(energies, *mixes, under_lu)
    assert level_db is not None
    assert sweep(energies, *mixes, [level_db]).relative_lu[0] == pytest.approx(-under_lu, abs=0.001)


def test_a_difference_inside_a_jump_of_the_gated_loudness_gives_the_lowest_level_past_it():
    # A layer of two bursts 30 LU apart: the quiet one passes the absolute gate at some level and changes the mean.
    t = np.arange(RATE_HZ * 4) / RATE_HZ
    rest = 0.1 * np.sin(2 * np.pi * 1000 * t)
    layer = 0.1 * np.sin(2 * np.pi * 1000 * t) * np.where(t < 2, 1.0, 0.5)
    energies = meter_takes(np.stack([rest, layer]))
    mixes = Mix(np.array([1.0, 0]), np.zeros(2)), Mix(np.array([0, 1.0]), np.zeros(2))
    for under_lu in np.arange(40.0, 52.0, 0.25):
        level_db = level_for_difference(energies, *mixes, float(under_lu))
        assert level_db is not None
        here, below = sweep(energies, *mixes, [level_db, level_db - 1e-6]).relative_lu
        assert here >= -under_lu - 1e-6
        assert below < -under_lu or below == -math.inf


def test_levels_for_a_silent_layer_or_rest_or_a_short_span_do_not_exist(energies):
    one, none = np.ones(TAKES), np.zeros(TAKES)
    assert level_for_difference(energies, Mix(one, one), Mix(none, none), 9.0) is None
    assert level_for_difference(energies, Mix(none, none), Mix(one, one), 9.0) is None
    assert level_for_difference(energies, Mix(one, one), Mix(one, one), 9.0, 0, 19_199) is None

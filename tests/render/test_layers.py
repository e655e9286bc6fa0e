"""Layers: sums, pans, and levels that end their ramps on the downbeat."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layerpipe.recipe.model.recipe import Layer, Take
from layerpipe.render.layers import plan_levels, sum_layer, take_pans

TAKE = {"name": "left", "file": "left.wav"}


def _layer(level_db=0.0):
    return Layer.of({"name": "octave", "level_db": level_db, "take": [TAKE]})


def test_a_level_ramps_for_20_ms_and_is_there_on_the_downbeat():
    plan = plan_levels(_layer(-6.0), [(10_000, 20_000, 0.0)], 48_000)
    gains = np.broadcast_to(plan.gains(0, 30_000), (30_000,))
    low = 10 ** (-6 / 20)
    assert (gains[: 10_000 - 960] == low).all()
    assert (gains[10_000 : 20_000 - 960] == 1.0).all()
    assert (gains[20_000:] == low).all()
    # A raised cosine passes half the way in the middle.
    assert gains[10_000 - 480] == pytest.approx((1 + low) / 2, abs=1e-9)
    assert np.abs(np.diff(gains)).max() < (1 - low) * np.pi / 2 / 960 * 1.01


def test_a_section_may_silence_a_layer_exactly():
    plan = plan_levels(_layer(), [(0, 9_600, -math.inf), (9_600, 19_200, -3.0)], 48_000)
    assert plan.gains(0, 8_000) == 0.0
    assert plan.gains(9_600, 18_000) == pytest.approx(10 ** (-3 / 20))


def test_sections_of_one_level_have_no_ramp_between_them():
    plan = plan_levels(_layer(-3.0), [(0, 9_600, -9.0), (9_600, 19_200, -9.0)], 48_000)
    assert plan.gains(5_000, 15_000) == 10 ** (-9 / 20)


@given(st.integers(1, 29_999), st.lists(st.floats(-60, 6) | st.just(-math.inf), min_size=3, max_size=3))
def test_levels_do_not_care_where_the_sound_is_cut(cut, levels_db):
    plan = plan_levels(_layer(-2.0), [(500, 9_000, levels_db[0]), (9_000, 9_500, levels_db[1]),
                                      (20_000, 25_000, levels_db[2])], 48_000)

    def gains(start, stop):
        return np.broadcast_to(plan.gains(start, stop), (stop - start,))

    np.testing.assert_array_equal(np.concatenate([gains(0, cut), gains(cut, 30_000)]), gains(0, 30_000))


def test_a_layer_is_the_sum_of_its_panned_takes(rng):
    one, two = (rng.standard_normal(1000).astype(np.float32) for _ in range(2))
    pans = [take_pans(Take.of({**TAKE, "pan": -100, "gain_db": -6})),
            take_pans(Take.of({**TAKE, "pan": 0, "invert_polarity": True}))]
    out = sum_layer([one, two], pans, 0.5)
    one, two = one.astype(float), two.astype(float) * math.sqrt(0.5)
    np.testing.assert_allclose(out[:, 0], 0.5 * (10 ** (-6 / 20) * one - two), atol=1e-12)
    np.testing.assert_allclose(out[:, 1], -0.5 * two, atol=1e-12)

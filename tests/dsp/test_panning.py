"""The pan law against its table."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layerpipe.core.errors import ParameterError
from layerpipe.dsp.panning import pan_gains

# Sine/cosine law evaluated: pan: (left, right) in dB.
TABLE = {0: (-3.0103, -3.0103), -25: (-1.6031, -5.1052), -50: (-0.6877, -8.3432), -75: (-0.1685, -14.1953)}


@pytest.mark.parametrize("pan", TABLE)
def test_pan_meets_the_sine_cosine_table_on_both_sides(pan):
    left, right = pan_gains(pan)
    assert (20 * math.log10(left), 20 * math.log10(right)) == pytest.approx(TABLE[pan], abs=1e-4)
    assert pan_gains(-pan) == pytest.approx((right, left))


def test_a_hard_pan_is_exactly_silent_on_the_far_side():
    assert pan_gains(-100) == (1.0, 0.0)
    assert pan_gains(100) == (0.0, 1.0)


@given(st.floats(-100, 100))
def test_panning_keeps_the_power(pan):
    left, right = pan_gains(pan)
    assert left**2 + right**2 == pytest.approx(1, abs=1e-12)


def test_pans_outside_the_range_are_refused():
    with pytest.raises(ParameterError, match=r"must be inside \[-100, 100\]"):
        pan_gains(101)

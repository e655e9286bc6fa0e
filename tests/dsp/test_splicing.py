"""Crossfade laws and the places of joints, against the published condition and against plain reasoning."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.core.errors import ParameterError
from layerpipe.dsp.splicing import FrameMove, Joint, correlation, crossfade_gains, plan_joints
from tests.support.examples import few

# Gain of both sides in the middle of the fade, from the condition g1^2 + g2^2 + 2 rho g1 g2 = 1 with g1 = g2:
# Fink, Holters, Zolzer, "Signal-Matched Power-Complementary Cross-Fading and Dry-Wet Mixing", DAFx-16, 2016.
MIDDLE_DB = {0.0: -3.0103, 0.25: -3.9794, 0.5: -4.7712, 0.75: -5.4407, 1.0: -6.0206, -0.5: 0.0}


@pytest.mark.parametrize(("rho", "middle_db"), MIDDLE_DB.items())
def test_the_middle_of_a_fade_has_the_gain_its_correlation_asks_for(rho: float, middle_db: float) -> None:
    going, coming = crossfade_gains(rho, 241)
    assert 20 * np.log10(going[120]) == pytest.approx(middle_db, abs=1e-4)
    assert coming[120] == pytest.approx(going[120], abs=1e-12)


@pytest.mark.parametrize("rho", [-0.5, -0.2, 0.0, 0.3, 0.9, 1.0])
@pytest.mark.parametrize("frames", [1, 2, 240])
def test_the_power_of_a_fade_is_even_throughout(rho: float, frames: int) -> None:
    going, coming = crossfade_gains(rho, frames)
    np.testing.assert_allclose(going**2 + coming**2 + 2 * rho * going * coming, 1.0, atol=1e-12)
    np.testing.assert_allclose(going, coming[::-1], atol=1e-12)


def test_equal_sides_add_up_to_themselves_and_strangers_keep_their_power() -> None:
    going, coming = crossfade_gains(1.0, 100)
    np.testing.assert_allclose(going + coming, 1.0, atol=1e-15)
    going, coming = crossfade_gains(0.0, 100)
    np.testing.assert_allclose(going**2 + coming**2, 1.0, atol=1e-15)


def test_opposed_sides_are_never_lifted_far() -> None:
    for rho in (-1.0, -0.9, -0.5):
        going, coming = crossfade_gains(rho, 1_000)
        assert max(going.max(), coming.max()) < 1.16
        np.testing.assert_array_equal(going, crossfade_gains(-0.5, 1_000)[0])


def test_a_measured_fade_of_related_noise_keeps_its_level(rng: np.random.Generator) -> None:
    for rho in (0.0, 0.4, 0.8):
        one, fresh = rng.standard_normal((2, 200_000))
        other = rho * one + np.sqrt(1 - rho**2) * fresh
        going, coming = crossfade_gains(correlation(one, other), 200_000)
        power = ((one * going + other * coming) ** 2).reshape(20, -1).mean(axis=1)
        assert np.abs(10 * np.log10(power)).max() < 0.25


def test_correlation_is_that_of_numpy_and_silence_has_none(rng: np.random.Generator) -> None:
    one = rng.standard_normal(500)
    other = 0.3 * one + rng.standard_normal(500)
    one, other = one - one.mean(), other - other.mean()
    assert correlation(one, other) == pytest.approx(np.corrcoef(one, other)[0, 1], abs=1e-12)
    assert correlation(one, 3 * one) == pytest.approx(1.0)
    assert correlation(one, -one) == pytest.approx(-1.0)
    assert correlation(one, np.zeros(500)) == 0.0


def test_a_later_piece_hands_over_before_its_old_and_its_next_place() -> None:
    assert plan_joints([FrameMove(1000, 2000, 100, 50)], 5000) == (0, [
        Joint(950, 1000, 0, 100, 50), Joint(1950, 2000, 100, 0, 50)])


def test_an_earlier_piece_hands_over_before_its_new_place_and_before_its_new_end() -> None:
    assert plan_joints([FrameMove(1000, 2000, -100, 50)], 5000) == (0, [
        Joint(850, 900, 0, -100, 50), Joint(1850, 1900, -100, 0, 50)])


def test_moves_that_touch_share_one_joint_of_the_longer_length() -> None:
    moves = [FrameMove(2000, 3000, -100, 20), FrameMove(1000, 2000, 100, 50)]
    assert plan_joints(moves, 5000)[1] == [
        Joint(950, 1000, 0, 100, 50), Joint(1850, 1900, 100, -100, 50), Joint(2880, 2900, -100, 0, 20)]


def test_moves_that_touch_and_go_alike_need_no_joint_between() -> None:
    moves = [FrameMove(1000, 2000, 30, 20), FrameMove(2000, 3000, 30, 20)]
    assert [joint.stop for joint in plan_joints(moves, 5000)[1]] == [1000, 3000]


def test_a_move_from_the_start_or_to_the_end_has_one_joint() -> None:
    assert plan_joints([FrameMove(0, 1000, 40, 50)], 5000) == (40, [Joint(950, 1000, 40, 0, 50)])
    assert plan_joints([FrameMove(30, 1000, -40, 50)], 5000) == (-40, [Joint(910, 960, -40, 0, 50)])
    assert plan_joints([FrameMove(4000, 9000, 40, 50)], 5000) == (0, [Joint(3950, 4000, 0, 40, 50)])


def test_a_joint_is_shortened_to_the_room_there_is() -> None:
    joints = plan_joints([FrameMove(30, 60, 10, 240)], 5000)[1]
    assert [(joint.start, joint.stop, joint.asked_frames) for joint in joints] == [(0, 30, 240), (30, 60, 240)]


@pytest.mark.parametrize(("moves", "words"), [
    ([FrameMove(1000, 2000, 5, 9), FrameMove(1999, 3000, 5, 9)], "overlap"),
    ([FrameMove(2000, 2000, 5, 9)], "end after its beginning"),
    ([FrameMove(-5, 2000, 5, 9)], "begin inside 0 to 5000"),
    ([FrameMove(5000, 6000, 5, 9)], "begin inside 0 to 5000"),
    ([FrameMove(100, 200, -200, 9)], "leaves the sound"),
    ([FrameMove(4000, 4500, 1000, 9)], "leaves the sound"),
    ([FrameMove(1000, 2000, 0, 9), FrameMove(2100, 3000, -200, 9)], "would play before what precedes it"),
    ([FrameMove(1000, 1050, 100, 9), FrameMove(1050, 3000, -200, 9)], "would play before what precedes it"),
])
def test_moves_that_cannot_be_played_are_refused(moves: list[FrameMove], words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        plan_joints(moves, 5000)


def test_gains_refuse_what_is_no_fade() -> None:
    with pytest.raises(ParameterError, match="frames=0"):
        crossfade_gains(0.0, 0)
    with pytest.raises(ParameterError, match=r"rho=1\.5"):
        crossfade_gains(1.5, 10)


@st.composite
def several_moves(draw: st.DrawFn) -> list[FrameMove]:
    """Moves that do not overlap, some of them touching."""
    places = sorted(draw(st.lists(st.integers(0, 6000), min_size=2, max_size=9, unique=True)))
    pairs = [pair for pair in pairwise(places) if draw(st.booleans())]
    return [FrameMove(start, stop, draw(st.integers(-300, 300)), draw(st.integers(1, 240))) for start, stop in pairs]


@settings(max_examples=few(40, 150))
@given(several_moves())
def test_no_hand_over_ever_plays_past_a_boundary_or_begins_behind_it(moves: list[FrameMove]) -> None:
    try:
        lag, joints = plan_joints(moves, 5000)
    except ParameterError:
        return
    boundaries = {b for move in moves for b in (move.start, min(move.stop, 5000))}
    for joint in joints:
        assert joint.before == lag
        assert joint.start < joint.stop
        assert max(joint.stop - joint.before, joint.stop - joint.after) in boundaries
        lag = joint.after
    assert all(one.stop <= two.start for one, two in pairwise(joints))

"""Moved takes, against plain constructions with numpy slices."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import ArraySound
from layerpipe.dsp.splicing import crossfade_gains
from layerpipe.recipe.model.recipe import Move, Take
from layerpipe.render.takes.moves import FrameMove, MovedTake, frame_moves
from tests.support.examples import few

RATE_HZ = 48_000
JOINT = 240


def moved(sound: np.ndarray, *moves: FrameMove) -> np.ndarray:
    """The whole of a moved take."""
    return MovedTake(ArraySound(sound, RATE_HZ), moves).read(0, len(sound))


def faded(going: np.ndarray, coming: np.ndarray) -> np.ndarray:
    """A joint, built by hand."""
    rho = np.dot(going, coming) / np.sqrt(np.dot(going, going) * np.dot(coming, coming))
    out, into = crossfade_gains(float(rho), len(going))
    return going * out + coming * into


def plucks(frames: int, at: list[int]) -> np.ndarray:
    """Decaying noise bursts that begin exactly at the given frames, over silence."""
    random = np.random.default_rng(5)
    sound = np.zeros(frames)
    for start in at:
        ring = random.standard_normal(frames - start) * np.exp(-np.arange(frames - start) / 2_000)
        sound[start:] = 0.2 * sound[start:] + ring
    return sound


def test_a_take_without_moves_is_itself(rng: np.random.Generator) -> None:
    sound = rng.standard_normal(5_000)
    np.testing.assert_array_equal(moved(sound), sound)
    assert MovedTake(ArraySound(sound, RATE_HZ), []).joints() == []


def test_a_piece_moved_later_is_exact_outside_its_joints(rng: np.random.Generator) -> None:
    x, start, stop, by = rng.standard_normal(40_000), 10_000, 20_000, 1_632
    plain = x.copy()
    plain[start:stop] = x[start - by : stop - by]
    plain[start - JOINT : start] = faded(x[start - JOINT : start], x[start - JOINT - by : start - by])
    plain[stop - JOINT : stop] = faded(x[stop - JOINT - by : stop - by], x[stop - JOINT : stop])
    y = moved(x, FrameMove(start, stop, by, JOINT))
    inside_joint = np.r_[start - JOINT : start, stop - JOINT : stop]
    np.testing.assert_array_equal(np.delete(y, inside_joint), np.delete(plain, inside_joint))
    np.testing.assert_allclose(y, plain, atol=1e-12)


def test_a_piece_moved_earlier_is_exact_outside_its_joints(rng: np.random.Generator) -> None:
    x, start, stop, by = rng.standard_normal(40_000), 10_000, 20_000, -777
    first, last = start + by, stop + by
    plain = x.copy()
    plain[first:last] = x[start:stop]
    plain[first - JOINT : first] = faded(x[first - JOINT : first], x[start - JOINT : start])
    plain[last - JOINT : last] = faded(x[stop - JOINT : stop], x[last - JOINT : last])
    y = moved(x, FrameMove(start, stop, by, JOINT))
    inside_joint = np.r_[first - JOINT : first, last - JOINT : last]
    np.testing.assert_array_equal(np.delete(y, inside_joint), np.delete(plain, inside_joint))
    np.testing.assert_allclose(y, plain, atol=1e-12)


def test_three_moves_two_of_them_touching_are_exact_outside_their_joints(rng: np.random.Generator) -> None:
    x = rng.standard_normal(60_000)
    y = moved(x, FrameMove(40_000, 50_000, -300, 100), FrameMove(10_000, 20_000, 500, JOINT),
              FrameMove(20_000, 30_000, -200, 480))
    plain = np.concatenate([x[:10_000], x[9_500:19_300], x[20_000:30_000], x[29_800:39_700], x[40_000:50_000],
                            x[49_700:]])
    assert len(plain) == len(x)
    inside_joint = np.r_[9_760:10_000, 19_320:19_800, 29_320:29_800, 39_600:39_700, 49_600:49_700]
    np.testing.assert_array_equal(np.delete(y, inside_joint), np.delete(plain, inside_joint))


@pytest.mark.parametrize("by", [-1_500, -60, 60, 1_500])
def test_every_attack_is_heard_once_whole_and_where_it_should_be(by: int) -> None:
    attacks = [2_000, 12_000, 22_000, 32_000]
    x = plucks(48_000, attacks)
    y = moved(x, FrameMove(12_000, 22_000, by, JOINT))
    wanted = [2_000, 12_000 + by, 22_000, 32_000]
    for attack, place in zip(attacks, wanted, strict=True):
        whole = min(5_000, 10_000 - abs(by) - JOINT)
        np.testing.assert_array_equal(y[place : place + whole], x[attack : attack + whole])
    # A sudden rise of the short-time level marks an attack: there are as many as were played, no more and no fewer.
    level = np.sqrt(np.convolve(y**2, np.ones(64) / 64)[: len(y)])
    rises = np.flatnonzero(level[128:] > 4 * (level[:-128] + 0.02))
    groups = 1 + np.count_nonzero(np.diff(rises) > 2_000)
    assert groups == len(attacks)


@pytest.mark.parametrize("by", [-1_500, 1_500])
def test_a_move_leaves_no_hole(by: int, rng: np.random.Generator) -> None:
    y = moved(rng.standard_normal(40_000), FrameMove(10_000, 20_000, by, JOINT))
    level = np.sqrt((y[: 40_000 // 120 * 120].reshape(-1, 120) ** 2).mean(axis=1))
    assert level.min() > 0.6


def test_steady_tones_pass_a_joint_without_a_dip_when_they_stay_in_phase() -> None:
    # 480 frames are whole periods of 100 Hz: both sides are equal and the fade must sum to one.
    x = np.sin(2 * np.pi * 100 * np.arange(20_000) / RATE_HZ)
    take = MovedTake(ArraySound(x, RATE_HZ), [FrameMove(8_000, 12_000, 480, JOINT)])
    assert [joint.rho for joint in take.joints()] == [pytest.approx(1.0)] * 2
    np.testing.assert_allclose(take.read(0, 20_000), x, atol=1e-9)


def test_moves_at_the_ends_of_a_file_are_played() -> None:
    x = np.arange(1.0, 5_001.0)
    later = moved(x, FrameMove(0, 3_000, 100, 50))
    np.testing.assert_array_equal(later[:100], 0.0)
    np.testing.assert_array_equal(later[100:2_950], x[:2_850])
    np.testing.assert_array_equal(later[3_000:], x[3_000:])
    earlier = moved(x, FrameMove(0, 3_000, -100, 50))
    np.testing.assert_array_equal(earlier[:2_850], x[100:2_950])
    np.testing.assert_array_equal(earlier[2_900:], x[2_900:])
    last = moved(x, FrameMove(3_000, 99_000, 100, 50))
    np.testing.assert_array_equal(last[3_000:], x[2_900:4_900])
    last = moved(x, FrameMove(3_000, 5_000, -100, 50))
    np.testing.assert_array_equal(last[2_900:4_850], x[3_000:4_950])
    np.testing.assert_array_equal(last[4_900:], x[4_900:])


def test_joints_say_where_they_are_and_what_they_follow(rng: np.random.Generator) -> None:
    take = MovedTake(ArraySound(rng.standard_normal(5_000), RATE_HZ), [FrameMove(100, 2_000, 30, 240)])
    first, second = take.joints()
    assert (first.start, first.stop, first.before, first.after, first.asked_frames) == (0, 100, 0, 30, 240)
    assert (second.start, second.stop, second.before, second.after) == (1_760, 2_000, 30, 0)
    assert -1 <= first.rho <= 1


@settings(max_examples=few(15, 60))
@given(st.lists(st.integers(0, 8_000), max_size=8), st.integers(-400, 400), st.integers(-400, 400))
def test_cutting_a_moved_take_anywhere_changes_no_bit(cuts: list[int], first_by: int, second_by: int) -> None:
    x = np.random.default_rng(3).standard_normal(8_000)
    moves = [FrameMove(1_000, 3_000, first_by, JOINT), FrameMove(4_000, 6_000, second_by, JOINT)]
    whole = moved(x, *moves)
    take = MovedTake(ArraySound(x, RATE_HZ), moves)
    edges = [0, *sorted(cuts), 8_000]
    pieces = [take.read(start, stop) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(pieces), whole)


def test_reading_outside_a_take_is_refused() -> None:
    with pytest.raises(ParameterError, match="inside 0 to 100"):
        MovedTake(ArraySound(np.zeros(100), RATE_HZ), []).read(50, 101)


class Metronome:
    """A clock of one second a bar, whose bar 1 begins at 0.5 s."""

    def seconds_of(self, position: str | float) -> float:
        """Whole bars only."""
        return float(position) - 0.5 if isinstance(position, str) else position


def take_with(*moves: Move) -> Take:
    """A take of these moves."""
    return Take(name="right", file=Path("right.wav"), move=list(moves))


def test_places_and_milliseconds_become_frames_in_order() -> None:
    take = take_with(Move(start=3.0, stop=4.0, by_ms=-12.5, crossfade_ms=0.1), Move(start="1", stop="2", by_ms=34.0))
    assert frame_moves(take, Metronome(), 48_000) == [
        FrameMove(24_000, 72_000, 1_632, 240), FrameMove(144_000, 192_000, -600, 5)]
    assert frame_moves(take, Metronome(), 44_100)[0] == FrameMove(22_050, 66_150, 1_499, 221)


def test_a_move_by_less_than_half_a_frame_is_none() -> None:
    assert frame_moves(take_with(Move(start=1.0, stop=2.0, by_ms=0.01)), Metronome(), 48_000) == []


@pytest.mark.parametrize(("moves", "words"), [
    ([Move(start=2.0, stop=3.0, by_ms=1), Move(start=1.0, stop=2.5, by_ms=1)],
     r'take "right", move 1 begins at 2.000 s, inside move 2, which ends at 2.500 s'),
    ([Move(start=2.0, stop=1.0, by_ms=1)], r"move 1: its end \(1.0\) must come after its beginning \(2.0\)"),
    ([Move(start=-0.5, stop=1.0, by_ms=1)], "move 1: -0.5 is before the start of the files"),
])
def test_moves_that_make_no_sense_are_refused_by_number(moves: list[Move], words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        frame_moves(take_with(*moves), Metronome(), 48_000)

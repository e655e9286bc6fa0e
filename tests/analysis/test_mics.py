"""Microphones of one performance: planted delays and polarities; and performances that are not one."""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.analysis.takes_compared.comp_joints import JOINT, joint_place, judge_attack
from layerpipe.analysis.takes_compared.mics import MicDistance, MicSettings, measure_mics
from layerpipe.core.sound import ArraySound
from tests.support.passes import make_mics
from tests.support.sounds.song_player import make_song, play_pass


def distance(one: np.ndarray, other: np.ndarray, rate_hz: int = 48_000) -> MicDistance | None:
    """One sound against another."""
    return measure_mics(ArraySound(one, rate_hz), ArraySound(other, rate_hz))


# Four timbres, and one in three inverted.
@pytest.mark.parametrize("seed", [*range(4), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(4, 12))])
def test_planted_delays_are_found_within_a_fiftieth_of_a_millisecond(seed: int) -> None:
    made = make_mics(seed, seconds=8.0)
    found = distance(made.samples[:, 0], made.samples[:, 1], made.rate_hz)
    assert found is not None
    assert found.delay_ms == pytest.approx(made.delay_ms, abs=0.02)
    assert found.is_inverted == made.inverted


@pytest.mark.parametrize("delay_ms", [-30.0, 12.5, 49.0])
def test_a_microphone_across_the_room_is_found_too(delay_ms: float) -> None:
    near = make_mics(1, seconds=6.0).samples[:, 0]
    far = np.roll(near, round(48 * delay_ms))
    found = distance(near, far)
    assert found is not None
    assert found.delay_ms == pytest.approx(delay_ms, abs=0.001)


def test_two_performances_of_one_part_are_not_one() -> None:
    song = make_song(5001)
    one, other = (play_pass(song, seed, voice="steel").samples[: 8 * 48_000] for seed in (1, 2))
    assert distance(one, other) is None
    agreement = measure_mics(ArraySound(one, 48_000), ArraySound(other, 48_000), MicSettings(least_agreement=0.0))
    assert agreement is not None
    assert agreement.agreement < 0.6 * MicSettings().least_agreement


def test_silence_and_noise_have_no_distance(rng: np.random.Generator) -> None:
    assert distance(np.zeros(48_000), np.zeros(48_000)) is None
    assert distance(np.zeros(48_000), rng.standard_normal(48_000)) is None
    assert distance(rng.standard_normal(480_000), rng.standard_normal(480_000)) is None
    assert distance(rng.standard_normal(100), rng.standard_normal(100)) is None


@pytest.mark.parametrize(("outgoing", "incoming", "words"), [
    ([4.010], [4.020], ""), ([3.9], [3.85], ""), ([3.980], [4.015], "doubled"), ([4.010], [3.980], "missing"),
    ([4.010], [3.997], "cut"), ([3.997], [4.2], "cut"), ([], [], ""), ([], [4.001], ""),
])
def test_what_happens_to_a_strum_at_a_joint(outgoing: list[float], incoming: list[float], words: str) -> None:
    assert judge_attack(outgoing, incoming, 4.0, 0.005) == words


def test_a_joint_is_best_just_before_the_earlier_of_both_strums() -> None:
    assert joint_place([3.980, 4.5], [4.015, 4.52], 4.0) == pytest.approx(3.980 - JOINT.before_s)
    assert joint_place([3.980], [3.5], 4.0) == 4.0
    assert joint_place([], [], 4.0) == 4.0
    place = joint_place([3.980], [4.015], 4.0)
    assert judge_attack([3.980], [4.015], place, 0.005) == ""

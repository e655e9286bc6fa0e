"""Pasted sections of a take: found where they are, and not where the same part is played again.

Truth: takes are strummed anew for every bar (`sounds.strums`, `sounds.song_player`); a paste is put in.
"""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.analysis.defects.repeats import find_repeats
from layerpipe.core.sound import ArraySound
from tests.support.sounds.song_player import Playing, make_song, play_pass
from tests.support.sounds.strums import RATE_HZ, Hand, make_strums

BAR_S, BAR_ONE_S = 2.4, 0.6


def found_in(samples: np.ndarray, rate_hz: int = RATE_HZ):
    step = rate_hz // 100
    power = np.mean(samples[: len(samples) // step * step].reshape(-1, step) ** 2, axis=1)
    return find_repeats(ArraySound(samples, rate_hz), power=lambda: power)


def bar_frame(bar: int) -> int:
    """Just before a downbeat."""
    return round((BAR_ONE_S + (bar - 1) * BAR_S - 0.02) * RATE_HZ)


@pytest.fixture(scope="module")
def strummed() -> np.ndarray:
    """16 bars of one chord in one pattern: as alike as a player makes them."""
    return make_strums(3, hand=Hand(scatter_ms=3.0), tempo=100.0, bars=16, harmony=1).samples


@pytest.mark.parametrize(("later", "gain", "noise"), [(0, 1.0, 0.0), (483, -0.5, 0.0), (17, 1.0, 1e-4)])
def test_a_pasted_section_is_found_with_its_ends(strummed, later, gain, noise):
    first, last, there = bar_frame(3), bar_frame(6), bar_frame(9) + later
    pasted = strummed.copy()
    pasted[there : there + last - first] = abs(gain) * strummed[first:last]
    pasted += noise * np.random.default_rng(1).standard_normal(len(pasted))
    (one,) = found_in(pasted)
    assert one.start_s == pytest.approx(there / RATE_HZ, abs=0.15)
    assert one.stop_s == pytest.approx((there + last - first) / RATE_HZ, abs=0.15)
    assert one.start_s - one.of_s == pytest.approx((there - first) / RATE_HZ, abs=1e-4)


def test_a_section_pasted_twice_is_found_twice(strummed):
    first, last = bar_frame(3), bar_frame(5)
    pasted = strummed.copy()
    for bar in (7, 11):
        pasted[bar_frame(bar) : bar_frame(bar) + last - first] = strummed[first:last]
    assert [round(one.start_s - BAR_ONE_S) for one in found_in(pasted)] == [round(6 * BAR_S), round(10 * BAR_S)]


def test_what_is_played_again_is_not_a_paste(strummed):
    assert found_in(strummed) == []
    assert found_in(np.zeros(RATE_HZ * 20)) == []
    assert found_in(strummed[: RATE_HZ // 50]) == []


@pytest.mark.parametrize("voice", ["nylon", "electric", "modal"])
def test_tight_players_of_other_instruments_do_not_paste(voice):
    song = make_song(4100, sections=3, bars=4, meter="4/4")
    played = play_pass(song, 8, voice=voice, playing=Playing(1.0))
    assert found_in(played.samples, played.rate_hz) == []

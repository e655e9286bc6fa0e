"""Slow spreads are judged by what they aim at, and what is cut off is no strum."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from layerpipe.analysis.onsets.detect import find_onsets
from layerpipe.analysis.onsets.onset import Onset
from layerpipe.analysis.onsets.residual import extrapolate
from layerpipe.analysis.timing.edits.proposals import propose_edits
from layerpipe.analysis.timing.edits.retakes import BarRange
from layerpipe.analysis.timing.grid.align import AlignedTake, align_onsets
from layerpipe.analysis.timing.tightness import compare_takes
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import Recipe, Timing
from layerpipe.recipe.tempo_map import TempoMap
from tests.support.examples import slow
from tests.support.sounds.strums import EASY, RATE_HZ, VOICES, Hand, make_strums

STRINGS_HZ = (82.4, 110.0, 146.8, 196.0, 246.9, 329.6)
CLOCK = TempoMap.of(Recipe.of({
    "song": {"title": "T", "tempo": 90.0, "meter": "4/4", "bar_one_s": 1.0},
    "layer": [{"name": "a", "take": [{"name": "left", "file": "left.wav"}]}]}))

TRIED = ["steel", "modal", *(slow(voice) for voice in VOICES if voice not in ("steel", "modal"))]


@functools.lru_cache
def raked(voice: str, spread_s: float) -> np.ndarray:
    """Six strings let go evenly over `spread_s`, the first at 0.5 s, each a little louder than the one before."""
    sound = 1e-4 * np.random.default_rng(8).standard_normal(2 * RATE_HZ)
    for n, hz in enumerate(STRINGS_HZ):
        note = VOICES[voice](hz, 0.5 + 0.08 * n, False, 0, RATE_HZ)
        at = round((0.5 + spread_s * n / 5) * RATE_HZ)
        note = note[: len(sound) - at]
        sound[at : at + len(note)] += 0.1 * note
    return sound


@pytest.mark.parametrize("voice", TRIED)
@pytest.mark.parametrize("spread_s", [0.1, 0.125])
def test_the_last_string_of_a_slow_spread_is_found(voice, spread_s):
    onsets = find_onsets(ArraySound(raked(voice, spread_s), RATE_HZ))
    assert len(onsets) == 1
    assert onsets[0].at_s == pytest.approx(0.5, abs=0.003)
    assert onsets[0].rake_ms == pytest.approx(1000 * spread_s, abs=10)


@pytest.mark.slow
@pytest.mark.parametrize("voice", TRIED)
def test_strums_that_are_let_go_at_once_are_no_slow_spreads(voice):
    take = make_strums(41, voice=voice, hand=Hand(strum_ms=(8.0, 40.0)), meter="4/4", tempo=96, bars=6)
    onsets = find_onsets(ArraySound(take.samples, take.rate_hz))
    assert sum(onset.rake_ms > 0 for onset in onsets) <= len(onsets) // 20


def rakes(rng: np.random.Generator, *, last_on_the_beat: bool) -> AlignedTake:
    """Every beat of 16 bars raked over 90 to 130 ms, a plain strum on every other eighth between."""
    beats = 1.0 + np.arange(64) * 60 / 90 + rng.normal(0, 0.004, 64)
    spread_s = rng.uniform(0.09, 0.13, 64)
    first_s = beats - spread_s * last_on_the_beat
    between = 1.0 + (np.arange(0, 64, 2) + 0.5) * 60 / 90 + rng.normal(0, 0.004, 32)
    onsets = [Onset(at, 1.0, 30.0, -20.0, rake_ms=1000 * spread)
              for at, spread in zip(first_s, spread_s, strict=True)]
    onsets += [Onset(at, 1.0, 30.0, -20.0) for at in between]
    onsets.sort(key=lambda onset: onset.at_s)
    return align_onsets(onsets, [onset.at_s for onset in onsets], CLOCK)


@pytest.mark.parametrize("last_on_the_beat", [True, False])
def test_a_take_of_rakes_is_judged_by_the_string_it_aims(rng, last_on_the_beat):
    one, other = rakes(rng, last_on_the_beat=last_on_the_beat), rakes(rng, last_on_the_beat=last_on_the_beat)
    assert one.spread_ms < 6
    assert all(strum.point.sixteenth == (3 if strum.onset.rake_ms == 0 else 1) for strum in one.onsets)
    moves, again = propose_edits("left", one, ("right", other), [other], [BarRange("all", 1, 16)], Timing())
    assert not moves
    assert not again


def test_a_rake_and_a_plain_strum_of_one_place_are_compared_where_they_aim(rng):
    raked_take = rakes(rng, last_on_the_beat=True)
    beats = 1.0 + np.arange(64) * 60 / 90
    plain = align_onsets([Onset(at, 1.0, 30.0, -20.0) for at in beats], list(beats), CLOCK)
    assert compare_takes(("a", "b"), raked_take, plain).p95_ms < 12


@pytest.mark.parametrize("voice", TRIED)
@pytest.mark.parametrize("fade_ms", [0, slow(1), 5])
def test_what_is_cut_off_is_no_strum(voice, fade_ms):
    take = make_strums(43, voice=voice, hand=EASY, meter="3/4", tempo=72, bars=4)
    cut, places = take.samples.copy(), take.onsets_s[2:-1:3] + 0.17
    fade = round(fade_ms / 1000 * take.rate_hz)
    for at_s, next_s in zip(places, take.onsets_s[3::3], strict=True):
        at, stop = round(at_s * take.rate_hz), round((next_s - 0.01) * take.rate_hz)
        cut[at : at + fade] *= np.linspace(1, 0, fade)
        cut[at + fade : stop] = 0
    found = np.array([onset.at_s for onset in find_onsets(ArraySound(cut, take.rate_hz))])
    assert all(np.min(np.abs(found - at_s)) > 0.03 for at_s in places)
    assert all(np.min(np.abs(found - at_s)) < 0.03 for at_s in take.onsets_s)


def test_a_sine_is_extrapolate():
    """A sine follows from two of its samples: x[n] = 2 cos(w) x[n - 1] - x[n - 2]."""
    sine = np.sin(0.3 * np.arange(3000))
    np.testing.assert_allclose(extrapolate(sine[:2500], 200, 24_000), sine[2500:2700], atol=0.02)
    assert not extrapolate(sine[:3], 5, 24_000).any()

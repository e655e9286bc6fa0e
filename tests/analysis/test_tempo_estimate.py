"""Tempo, meter and bar 1 estimated from onsets, and when an estimate is not sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.onsets.onset import Detection, Onset
from layerpipe.analysis.timing.grid import tempo
from layerpipe.analysis.timing.grid.align import align_onsets
from layerpipe.analysis.timing.grid.tempo import estimate_tempo, phase_strength
from layerpipe.core.sound import ArraySound
from tests.analysis.test_timing import eighths, map_of
from tests.support.sounds.strums import EASY, make_strums


def test_tempo_meter_and_bar_one_are_estimated_from_onsets():
    take = make_strums(2, hand=EASY, meter="4/4", tempo=96.0, bars=8, bar_one_s=0.9)
    best = estimate_tempo([detect_onsets(ArraySound(take.samples, take.rate_hz))])[0]
    assert best.tempo == pytest.approx(96.0, rel=0.002)
    assert best.meter == "4/4"
    assert best.bar_one_s == pytest.approx(0.9, abs=0.02)
    assert 0 < best.odds <= 1


def strums_on(pattern, tempo, bars, rng, first_s=0.5, chords=None):
    """Onsets of a pattern of velocities, eighth by eighth; chords are pitch classes, one a bar."""
    eighth_s = 60 / tempo / (3 if len(pattern) in (6, 12) else 2)
    found = []
    for bar in range(bars):
        pitches = {0, 4, 7} if chords is None else chords[bar % len(chords)]
        chroma = tuple((1.0 if n in pitches else 0.1) / 4 for n in range(12))
        found += [Onset(first_s + (bar * len(pattern) + n) * eighth_s + rng.normal(0, 0.005), 0.9, 15.0,
                        -20.0 + 20 * np.log10(velocity) + rng.normal(0, 0.5), chroma, before_db=-30.0)
                  for n, velocity in enumerate(pattern) if velocity]
    return found


def test_where_two_meters_explain_the_takes_both_are_given_and_none_is_sure(rng):
    # Accents of two and of three weigh the same here: 3/4 at 81 and 6/8 at 54 are one and the same sound.
    estimates = estimate_tempo([Detection.of(strums_on((1.0, 0.5, 0.55, 0.55, 0.55, 0.5), 54.0, 16, rng))])
    assert {(one.meter, round(one.tempo)) for one in estimates[:2]} == {("6/8", 54), ("3/4", 81)}
    assert not estimates[0].sure
    assert sum(one.odds for one in estimates) == pytest.approx(1.0, abs=0.05)


def test_bars_that_nothing_else_explains_are_sure(rng):
    chords = ({0, 4, 7}, {5, 9, 0}, {7, 11, 2}, {9, 0, 4})
    strums = strums_on((1.0, 0.3, 0.5, 0.35, 0.7, 0.3, 0.5, 0.4), 92.0, 24, rng, chords=chords)
    best = estimate_tempo([Detection.of(strums)])[0]
    assert (best.meter, best.tempo, best.sure) == ("4/4", pytest.approx(92.0, rel=0.001), True)
    assert best.bar_one_s == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("strokes", [2, 4, 8])
def test_bar_one_is_not_the_count_in(rng, strokes):
    song = strums_on((1.0, 0.3, 0.5, 0.35, 0.7, 0.3, 0.5, 0.4), 92.0, 16, rng, first_s=8.0,
                     chords=({0, 4, 7}, {5, 9, 0}))
    taps = [Onset(8.0 - (strokes - n) * 60 / 92 + rng.normal(0, 0.008), 0.8, 15.0, -22.0, before_db=-75.0)
            for n in range(strokes)]
    best = estimate_tempo([Detection.of([*taps, replace(song[0], before_db=-75.0), *song[1:]])])[0]
    assert (best.meter, best.tempo) == ("4/4", pytest.approx(92.0, rel=0.001))
    assert best.bar_one_s == pytest.approx(8.0, abs=0.01)


def test_a_pick_up_has_a_grid_also_after_a_count_in(rng):
    beat_s = 60 / 90
    taps_s = 5.0 - beat_s * np.array([6, 5, 4, 3])
    song_s = [*(5.0 - beat_s / 2 * np.array([3, 2, 1])), *eighths(rng, bar_one_s=5.0)]
    onsets = [Onset(at, 0.9, 15.0, -20.0, before_db=-75.0) for at in (*taps_s, song_s[0])]
    onsets += [Onset(at, 0.9, 15.0, -20.0, before_db=-30.0) for at in song_s[1:]]
    placed = align_onsets(onsets, [one.at_s for one in onsets], map_of(bar_one_s=5.0))
    assert [onset.point.bar if onset.point else None for onset in placed.onsets[:8]] == [None] * 4 + [0, 0, 0, 1]
    assert placed.free_intro == 4


def test_too_few_onsets_give_no_estimate():
    assert estimate_tempo([Detection.of([]), Detection.of([Onset(1.0, 1.0, 20.0, -20.0)])]) == []


@pytest.mark.parametrize(("span_s", "onsets"), [(0.8, 12), (61.3, 40), (1500.0, 300)])
def test_the_phase_strength_at_many_rates_is_that_of_each(span_s, onsets, rng):
    times_s, weights = rng.uniform(7.0, 7.0 + span_s, onsets), rng.uniform(0.1, 1.0, onsets)
    step, count = 0.2 / max(span_s, 1.0), int(7.7 * max(span_s, 1.0) / 0.2)
    found = tempo._strengths(times_s, weights, 1.34, step, count)
    some = np.unique(np.geomspace(1, count, 40).astype(int)) - 1
    one_by_one = [abs(phase_strength(times_s, weights, 1 / (1.34 + n * step))) for n in some]
    np.testing.assert_allclose(found[some], one_by_one, rtol=0, atol=1e-9)

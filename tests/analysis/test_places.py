"""Places of moments: the nearest sixteenth, how late, and the grid between two moments."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.core.errors import ParameterError
from layerpipe.recipe.position import Position
from layerpipe.recipe.tempo_map import TempoMap
from tests.analysis.test_tempo import METERS, map_of, section
from tests.support.examples import few

STEADY = settings(max_examples=few(25, 80))


def test_a_place_is_the_nearest_sixteenth_and_how_late():
    tempo_map = map_of(60.0, "4/4", bar_one_s=0.5)
    assert tempo_map.place_of(0.51)[:3] == (1, 1, 1)
    assert tempo_map.place_of(0.51).late_s == pytest.approx(0.01)
    early = tempo_map.place_of(4.49)
    assert early[:3] == (2, 1, 1)
    assert early.late_s == pytest.approx(-0.01)
    assert tempo_map.place_of(2.26).text == "bar 1 beat 2.75"
    assert tempo_map.text_of(1.49) == "bar 1 beat 2"


def test_just_before_a_change_of_meter_the_nearest_place_is_its_downbeat():
    tempo_map = map_of(60.0, "5/8", changes=[{"from_bar": 3, "meter": "6/8", "tempo": 40.0}])
    late = tempo_map.place_of(10.0 - 0.02)
    assert late[:3] == (3, 1, 1)
    assert late.late_s == pytest.approx(-0.02)


def test_without_a_tempo_places_are_minutes_and_seconds():
    tempo_map = map_of(None)
    assert not tempo_map.has_grid
    assert [tempo_map.text_of(s) for s in (0.0, 61.5, 3599.9996, -0.5, -0.0001)] == [
        "0:00.000", "1:01.500", "60:00.000", "-0:00.500", "0:00.000"]
    assert tempo_map.seconds_of(3.25) == 3.25
    assert tempo_map.meter_at(4).meter == "4/4"


@pytest.mark.parametrize("ask", [
    lambda tempo_map: tempo_map.downbeat_s(1), lambda tempo_map: tempo_map.beat_s(1),
    lambda tempo_map: tempo_map.place_of(1.0),
    lambda tempo_map: tempo_map.bar_at(1.0), lambda tempo_map: tempo_map.span_s(section(1, 2)),
    lambda tempo_map: tempo_map.grid_s(0, 1),
    lambda tempo_map: tempo_map.seconds_of("bar 1 beat 2"),
    lambda tempo_map: tempo_map.quarter_tempo(1),
])
def test_without_a_tempo_bars_are_refused(ask):
    with pytest.raises(ParameterError, match="has no tempo"):
        ask(map_of(None))


def test_the_grid_lists_every_sixteenth_between_two_moments():
    tempo_map = map_of(60.0, "6/8", bar_one_s=0.5)
    grid = tempo_map.grid_s(0.5, 2.5)
    np.testing.assert_allclose(grid.time_s, 0.5 + np.arange(12) / 6)
    assert grid.bar.tolist() == [1] * 12
    assert grid.beat.tolist() == [1] * 6 + [2] * 6
    assert grid.sixteenth.tolist() == [1, 2, 3, 4, 5, 6] * 2


def test_the_grid_may_begin_before_bar_one():
    tempo_map = map_of(60.0, "2/4", bar_one_s=1.0)
    grid = tempo_map.grid_s(0.5, 1.5)
    np.testing.assert_allclose(grid.time_s, [0.5, 0.75, 1.0, 1.25])
    assert grid.bar.tolist() == [0, 0, 1, 1]
    assert grid.beat.tolist() == [2, 2, 1, 1]
    assert grid.sixteenth.tolist() == [3, 4, 1, 2]


def test_an_empty_stretch_has_an_empty_grid():
    grid = map_of().grid_s(3.0, 3.0)
    assert all(len(column) == 0 for column in grid)


@st.composite
def tempo_maps(draw: st.DrawFn) -> TempoMap:
    """A song with up to four changes."""
    tempos = st.floats(10.0, 400.0)
    from_bars = sorted(draw(st.sets(st.integers(1, 60), max_size=4)))
    changes = [{"from_bar": bar, "tempo": draw(tempos), "meter": draw(st.sampled_from(METERS))} for bar in from_bars]
    return map_of(draw(tempos), draw(st.sampled_from(METERS)), draw(st.floats(-60.0, 60.0)), changes)


@STEADY
@given(tempo_map=tempo_maps(), data=st.data())
def test_a_place_comes_back_from_its_seconds(tempo_map, data):
    bar = data.draw(st.integers(-20, 80))
    shape = tempo_map.meter_at(bar)
    place = (bar, data.draw(st.integers(1, shape.beats)), data.draw(st.integers(1, shape.sixteenths)))
    seconds = tempo_map.seconds_of(Position(bar, place[1], shape.parts[place[2] - 1]).text)
    found = tempo_map.place_of(seconds)
    assert found[:3] == place
    assert abs(found.late_s) < 1e-9
    assert tempo_map.seconds_of(tempo_map.text_of(seconds)) == seconds


@STEADY
@given(tempo_map=tempo_maps(), seconds=st.floats(-100.0, 300.0))
def test_every_moment_has_a_place_and_the_lateness_leads_back_to_it(tempo_map, seconds):
    found = tempo_map.place_of(seconds)
    there = tempo_map.seconds_of(found.text)
    assert there + found.late_s == pytest.approx(seconds, abs=1e-9)
    bar = tempo_map.bar_at(seconds)
    assert tempo_map.downbeat_s(bar) <= seconds < tempo_map.downbeat_s(bar + 1)
    sixteenth_s = tempo_map.beat_s(bar) / (tempo_map.meter_at(bar).beat_notes * 16)
    assert abs(found.late_s) <= sixteenth_s / 2 + 1e-9


@STEADY
@given(tempo_map=tempo_maps(), start_s=st.floats(-30.0, 100.0), length_s=st.floats(0.0, 20.0))
def test_the_grid_is_the_tempo_map_place_by_place(tempo_map, start_s, length_s):
    grid = tempo_map.grid_s(start_s, start_s + length_s)
    assert all(later > earlier for earlier, later in pairwise(grid.time_s))
    for time_s, bar, beat, sixteenth in zip(*(column.tolist() for column in grid), strict=True):
        part = tempo_map.meter_at(bar).parts[sixteenth - 1]
        assert tempo_map.seconds_of(Position(bar, beat, part).text) == time_s
    downbeats = [bar for bar in range(-400, 2000) if start_s <= tempo_map.downbeat_s(bar) < start_s + length_s]
    assert grid.bar[(grid.beat == 1) & (grid.sixteenth == 1)].tolist() == downbeats

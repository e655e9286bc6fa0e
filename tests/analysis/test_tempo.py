"""The tempo map: counting in simple and compound meters, before bar 1, across tempo changes, and back again."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from layerpipe.core.errors import ParameterError
from layerpipe.recipe.model.recipe import Recipe, Section
from layerpipe.recipe.position import BarShape, Position, parse_position
from layerpipe.recipe.tempo_map import TempoMap

LAYERS = [{"name": "regular", "take": [{"name": "left", "file": "left.wav"}]}]
METERS = ["4/4", "3/4", "2/2", "5/4", "7/8", "3/8", "6/8", "9/8", "12/8", "6/4", "9/16", "6/16", "5/16", "7/32", "6/32",
          "1/1"]


def map_of(tempo: float | None = 60.0, meter: str = "4/4", bar_one_s: float = 0.0, changes: Any = (),
           beat_note: str | None = None) -> TempoMap:
    song: dict[str, Any] = {"title": "Lantern on the Pier", "meter": meter, "bar_one_s": bar_one_s, "tempo": tempo,
                            "beat_note": beat_note}
    return TempoMap.of(Recipe.of({"song": song, "tempo": list(changes), "layer": LAYERS}))


def section(first: int, last: int) -> Section:
    return Section(name="part", bars=[first, last])


# Arithmetic of compound time, common practice: a dotted quarter is three eighths. In 6/8 at 60 an eighth lasts a third
# of a second and a bar two seconds; at 100, 0.2 and 1.2 seconds.
@pytest.mark.parametrize(("tempo", "eighth_s", "bar_s"), [(60.0, 1 / 3, 2.0), (100.0, 0.2, 1.2)])
def test_six_eight_counts_two_dotted_beats(tempo, eighth_s, bar_s):
    tempo_map = map_of(tempo, "6/8")
    assert tempo_map.downbeat_s(2) == pytest.approx(bar_s, abs=1e-12)
    assert tempo_map.seconds_of("bar 1 beat 2") == pytest.approx(bar_s / 2, abs=1e-12)
    assert tempo_map.seconds_of("bar 1 beat 1+1/3") == pytest.approx(eighth_s, abs=1e-12)
    assert tempo_map.seconds_of("bar 1 beat 2+5/6") == pytest.approx(bar_s - eighth_s / 2, abs=1e-12)


@pytest.mark.parametrize(("meter", "beats", "sixteenths", "compound"), [
    ("4/4", 4, 4, False), ("3/4", 3, 4, False), ("2/2", 2, 8, False), ("5/4", 5, 4, False), ("7/8", 7, 2, False),
    ("3/8", 3, 2, False), ("6/8", 2, 6, True), ("9/8", 3, 6, True), ("12/8", 4, 6, True), ("15/8", 5, 6, True),
    ("6/4", 2, 12, True), ("9/16", 3, 3, True), ("3/16", 3, 1, False), ("1/1", 1, 16, False),
])
def test_a_meter_is_counted_as_players_count_it(meter, beats, sixteenths, compound):
    shape = BarShape.of(meter)
    assert (shape.beats, shape.sixteenths, shape.compound) == (beats, sixteenths, compound)


@pytest.mark.parametrize("meter", ["", "4", "4/0", "0/4", "a/b", "-3/4", "6/8/2"])
def test_what_is_no_meter_is_refused(meter):
    with pytest.raises(ParameterError, match='two numbers such as "6/8"'):
        BarShape.of(meter)


def test_positions_count_from_bar_one_wherever_it_lies():
    tempo_map = map_of(120.0, "4/4", bar_one_s=0.5)
    assert tempo_map.seconds_of("bar 1") == 0.5
    assert tempo_map.seconds_of("bar 3 beat 2") == pytest.approx(0.5 + 2 * 2.0 + 0.5)
    assert tempo_map.seconds_of("bar 3 beat 2.5") == pytest.approx(0.5 + 2 * 2.0 + 0.75)


def test_numbers_are_seconds_and_text_is_bars():
    tempo_map = map_of(120.0, "4/4", bar_one_s=0.5)
    assert tempo_map.seconds_of(1.2) == 1.2
    assert tempo_map.seconds_of(7) == 7.0
    assert tempo_map.seconds_of("bar 1 beat 2") == 1.0


@pytest.mark.parametrize(("part", "text"), [
    (Fraction(0), "bar 5 beat 2"), (Fraction(1, 4), "bar 5 beat 2.25"), (Fraction(1, 2), "bar 5 beat 2.5"),
    (Fraction(3, 4), "bar 5 beat 2.75"), (Fraction(1, 3), "bar 5 beat 2+1/3"), (Fraction(4, 6), "bar 5 beat 2+2/3"),
    (Fraction(1, 8), "bar 5 beat 2+1/8"), (Fraction(5, 6), "bar 5 beat 2+5/6"), (Fraction(3, 7), "bar 5 beat 2+3/7"),
])
def test_a_position_is_written_shortest_and_exactly(part, text):
    assert Position(5, 2, part).text == text
    assert parse_position(text) == (5, 2, part)


@pytest.mark.parametrize("text", ["Bar 5 Beat 2.5", " bar  5  beat 2.50 ", "BAR 5\tBEAT 2 + 2/4", "bar 05 beat 2.5"])
def test_case_and_spaces_of_a_position_do_not_count(text):
    assert parse_position(text) == (5, 2, Fraction(1, 2))


def test_any_subdivision_of_a_beat_is_exact():
    tempo_map = map_of(60.0, "4/4")
    for over, under in ((1, 3), (2, 5), (6, 7), (999_999_998, 999_999_999)):
        assert tempo_map.seconds_of(f"bar 1 beat 3+{over}/{under}") == float(2 + Fraction(over, under))
    assert tempo_map.seconds_of("bar 1 beat 3.123456789") == 2.123456789


# Note values, common practice: a dotted quarter is 3/8 of a whole note, so dotted quarter = 58 is quarter = 87.
@pytest.mark.parametrize(("meter", "beat_note", "beats", "words", "quarter_tempo"), [
    ("6/8", None, 2, "dotted quarter note", 87.0), ("6/8", "1/8", 6, "eighth note", 29.0),
    ("6/8", "1/4", 3, "quarter note", 58.0), ("4/4", None, 4, "quarter note", 58.0),
    ("4/4", "1/2", 2, "half note", 116.0), ("7/8", None, 7, "eighth note", 29.0), ("3/8", "3/8", 1,
    "dotted quarter note", 87.0), ("12/16", None, 4, "dotted eighth note", 43.5), ("6/4", None, 2, "dotted half note",
    174.0), ("1/1", None, 1, "whole note", 232.0), ("6/32", None, 2, "dotted sixteenth note", 21.75),
])
def test_the_beat_note_says_what_is_counted(meter, beat_note, beats, words, quarter_tempo):
    tempo_map = map_of(58.0, meter, beat_note=beat_note)
    shape = tempo_map.meter_at(1)
    assert (shape.beats, shape.beat_words) == (beats, words)
    assert tempo_map.quarter_tempo(1) == pytest.approx(quarter_tempo)
    assert tempo_map.beat_s(1) == 60.0 / 58.0
    assert tempo_map.seconds_of("bar 2") == pytest.approx(beats * 60.0 / 58.0)


def test_eighths_and_dotted_quarters_of_one_tempo_are_the_same_grid():
    eighths, dotted = map_of(174.0, "6/8", beat_note="1/8"), map_of(58.0, "6/8")
    assert eighths.seconds_of("bar 3 beat 4") == pytest.approx(dotted.seconds_of("bar 3 beat 2"))
    assert eighths.seconds_of("bar 3 beat 2.5") == pytest.approx(dotted.seconds_of("bar 3 beat 1.5"))
    np.testing.assert_allclose(eighths.grid_s(0, 20).time_s, dotted.grid_s(0, 20).time_s)


def test_the_beat_note_stays_until_a_change_gives_another():
    changes = [{"from_bar": 2, "meter": "9/8"}, {"from_bar": 3, "meter": "4/4", "beat_note": "1/4", "tempo": 90.0}]
    tempo_map = map_of(120.0, "6/8", changes=changes, beat_note="1/8")
    assert [tempo_map.meter_at(bar).beats for bar in (1, 2, 3)] == [6, 9, 4]
    assert [segment.quarter_tempo for segment in tempo_map.segments] == pytest.approx([60.0, 60.0, 90.0])
    assert [segment.tempo for segment in tempo_map.segments] == pytest.approx([120.0, 120.0, 90.0])
    assert [segment.first_bar for segment in tempo_map.segments] == [1, 2, 3]


def test_a_bar_has_a_whole_number_of_beats():
    with pytest.raises(ParameterError, match='found beat_note "1/4", which does not divide a bar of 7/8'):
        map_of(120.0, "7/8", beat_note="1/4")


def test_bars_before_bar_one_count_zero_and_down():
    tempo_map = map_of(120.0, "3/4", bar_one_s=4.0)
    assert tempo_map.seconds_of("bar 0") == pytest.approx(2.5)
    assert tempo_map.seconds_of("bar -1 beat 3") == pytest.approx(2.0)
    assert tempo_map.place_of(2.0)[:3] == (-1, 3, 1)
    assert tempo_map.text_of(2.5) == "bar 0 beat 1"


@pytest.mark.parametrize(("position", "said"), [
    ("bar 1 beat 5", "found beat 5, allowed are 1 to 4; bar 1 is in 4/4 and its beat is a quarter note"),
    ("bar 1 beat 0.5", "found beat 0, allowed are 1 to 4"),
    ("bar 9 beat 3", "found beat 3, allowed are 1 to 2; bar 9 is in 6/8 and its beat is a dotted quarter note"),
    ("bar 1 beat 2+3/3", "allowed is a part of the beat below 1, such as +1/3"),
    ("bar 1 beat 2+0/0", "allowed is a part of the beat below 1, such as +1/3"),
    ("bar 100001", "found bar 100001, allowed are -1000 to 100000"),
    *((text, 'allowed is "bar 3", "bar 3 beat 2", "bar 3 beat 2.5"') for text in (
        "one", "", "1.", "1.2.3.4", "1,2", "+1", "1.-2", "\u0663.\u0661", "bar", "bar1", "bar 1.5", "beat 2",
        "bar 1 beat", "bar 1 beat 2.", "bar 1 beat -2", "bar 1 beat 2+1", "bar \u0663")),
    ("bar 1\x1b[2J", 'found "bar 1\\u001B[2J", allowed is'),
    ("3.2.1", 'found "3.2.1"; positions are written in words: write "bar 3 beat 2"'),
    ("3.2.3", 'write "bar 3 beat 2.5"'), ("3.2", 'write "bar 3 beat 2"'), ("-1", 'write "bar -1 beat 1"'),
    ("9.2.2", 'write "bar 9 beat 2+1/6"'), ("9.1.4", 'write "bar 9 beat 1.5"'),
    ("1.5.1", 'positions are written in words: "bar 3", "bar 3 beat 2"'),
    (float("nan"), "a number of seconds"), (float("inf"), "a number of seconds"),
])
def test_a_position_outside_its_bar_is_refused_with_what_is_allowed(position, said):
    tempo_map = map_of(120.0, "4/4", changes=[{"from_bar": 9, "meter": "6/8"}])
    with pytest.raises(ParameterError, match=re.escape(said)):
        tempo_map.seconds_of(position)


def test_tempo_changes_hold_from_their_downbeat_on():
    changes = [{"from_bar": 3, "tempo": 120.0}, {"from_bar": 5, "meter": "3/4"}]
    tempo_map = map_of(60.0, "4/4", bar_one_s=1.0, changes=changes)
    assert [tempo_map.downbeat_s(bar) for bar in (0, 1, 2, 3, 4, 5, 6)] == pytest.approx([-3, 1, 5, 9, 11, 13, 14.5])
    assert [tempo_map.beat_s(bar) for bar in (2, 3, 5)] == [1.0, 0.5, 0.5]
    assert [tempo_map.meter_at(bar).meter for bar in (-7, 2, 4, 5, 90)] == ["4/4", "4/4", "4/4", "3/4", "3/4"]
    assert tempo_map.bar_at(8.999) == 2
    assert tempo_map.bar_at(9.0) == 3


def test_a_change_at_bar_one_leaves_the_bars_before_it_as_the_song_says():
    tempo_map = map_of(60.0, "4/4", changes=[{"from_bar": 1, "tempo": 120.0}])
    assert [tempo_map.downbeat_s(bar) for bar in (0, 1, 2)] == [-4.0, 0.0, 2.0]


def test_the_beat_keeps_its_tempo_when_the_meter_turns_compound():
    tempo_map = map_of(90.0, "4/4", changes=[{"from_bar": 2, "meter": "12/8"}])
    assert tempo_map.beat_s(1) == tempo_map.beat_s(2)
    assert tempo_map.bar_s(1) == tempo_map.bar_s(2)


def test_a_section_spans_its_last_bar_too():
    tempo_map = map_of(60.0, "6/8", bar_one_s=0.5, changes=[{"from_bar": 5, "tempo": 120.0}])
    assert tempo_map.span_s(section(1, 4)) == pytest.approx((0.5, 8.5))
    assert tempo_map.span_s(section(4, 6)) == pytest.approx((6.5, 8.5 + 2.0))
    assert tempo_map.span_s(section(1, 4))[1] == tempo_map.span_s(section(5, 5))[0]

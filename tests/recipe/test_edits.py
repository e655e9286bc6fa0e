"""Changing a recipe's file: what was asked for and nothing else, comments and order kept, whole or not at all."""

from __future__ import annotations

import math
import tomllib
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from layerpipe.core.errors import OutputError, RecipeError
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.edit.moves_and_levels import NewMove, add_moves, marked_moves, remove_moves, set_level, set_song
from layerpipe.recipe.reader import read_recipe
from tests.support.examples import few
from tests.support.recipe_texts import BRACES, TABLES, WAYS

LATE = NewMove("bar 2", "bar 2 beat 2", -20.0, "bar 2 beat 1, left: 20 ms behind the right take")
LATER = NewMove(9.25, 9.5, 12.5, "a single\nlate strum \u202e", crossfade_ms=3.0)


def lines_changed(change: Change) -> list[str]:
    """The lines of a diff that go and come."""
    return [line for line in change.diff[2:] if line[:1] in "+-"]


def test_a_level_is_set_where_it_stands_and_its_remark_stays(recipe):
    change = set_level(recipe(TABLES), "octave", -7.5)
    assert lines_changed(change) == ["-level_db = -9  # to taste", "+level_db = -7.5  # to taste"]


def test_a_level_that_was_left_out_comes_below_the_name(recipe):
    change = set_level(recipe(TABLES), "regular", -1)
    assert lines_changed(change) == ["+level_db = -1.0"]
    assert '[[layer]]\nname = "regular"\nlevel_db = -1.0\n[layer.chain]' in change.after.text


def test_a_level_of_a_section_is_set_in_every_way_of_writing_it(recipe):
    path = recipe(TABLES)
    assert lines_changed(set_level(path, "octave", -8, "verse")) == [
        "-levels_db = { octave = -inf }   # waits", "+levels_db = { octave = -8.0 }   # waits"]
    assert lines_changed(set_level(path, "regular", -math.inf, "verse")) == [
        "-levels_db = { octave = -inf }   # waits", "+levels_db = { octave = -inf, regular = -inf }   # waits"]
    new = set_level(path, "octave", -8, "chorus")
    assert lines_changed(new) == ["+levels_db = { octave = -8.0 }"]
    assert "    8,\n]\nlevels_db = { octave = -8.0 }\n\n# the octave rests here" in new.after.text
    assert lines_changed(set_level(path, "octave", 0, "end")) == [
        "-octave = -12.0  # hardly there", "+octave = 0.0  # hardly there"]
    below = set_level(path, "regular", -0.0, "end")
    assert "octave = -12.0  # hardly there\nregular = 0.0\n\n# the pair" in below.after.text


def test_layer_names_are_quoted_where_they_must_be(recipe):
    text = TABLES.replace('"octave"', '"oct \u00e9 #1"').replace("octave = -inf", '"oct \u00e9 #1" = -1')
    text = text.replace("octave = -12.0", '"oct \u00e9 #1" = -1')
    change = set_level(recipe(text), "oct \u00e9 #1", -8, "chorus")
    assert lines_changed(change) == ['+levels_db = { "oct \u00e9 #1" = -8.0 }']


def test_the_songs_clock_is_filled_in_below_its_title(recipe):
    path = recipe(TABLES.replace('tempo = 58.0      # slow\nmeter = "6/8"\n', "").split("# where")[0]
                  + '[[layer]]\nname = "a"\ntake = [{ name = "b", file = "c" }]')
    change = set_song(path, tempo=58.25, meter="6/8", bar_one_s=0.5)
    assert lines_changed(change) == ["+tempo = 58.25", '+meter = "6/8"', "+bar_one_s = 0.5"]
    assert '# the pier at night\ntempo = 58.25\nmeter = "6/8"\nbar_one_s = 0.5\n' in change.after.text
    assert set_song(path).is_empty


def test_a_tempo_is_written_in_the_songs_beat_note(recipe):
    # Note values, common practice: a dotted quarter is three eighths.
    path = recipe(TABLES.replace('meter = "6/8"', 'meter = "6/8"\nbeat_note = "1/8"').replace(
        'to = "bar 1 beat 2"', 'to = "bar 1 beat 4"'))
    assert lines_changed(set_song(path, tempo=60.0)) == ["-tempo = 58.0      # slow", "+tempo = 180.0      # slow"]
    assert lines_changed(set_song(path, tempo=60.0, meter="4/4")) == [
        "-tempo = 58.0      # slow", '-meter = "6/8"', "+tempo = 120.0      # slow", '+meter = "4/4"']


def test_moves_come_below_their_take_with_the_reason(recipe):
    change = add_moves(recipe(TABLES), "regular", "left", [LATE, LATER])
    assert change.after.text == TABLES.replace('strings = "regular"\n', '''strings = "regular"

[[layer.take.move]]  # timing: bar 2 beat 1, left: 20 ms behind the right take
from = "bar 2"
to = "bar 2 beat 2"
by_ms = -20.0

[[layer.take.move]]  # timing: a single late strum
from = 9.25
to = 9.5
by_ms = 12.5
crossfade_ms = 3.0
''')


def test_moves_come_after_those_written_by_hand(recipe):
    change = add_moves(recipe(TABLES), "regular", "right", [LATE])
    assert "by_ms = 5\n\n[[layer.take.move]]  # timing: bar 2" in change.after.text
    listed = add_moves(recipe(TABLES), "octave", "left", [LATE])
    assert lines_changed(listed) == [
        '+    { from = "bar 2", to = "bar 2 beat 2", by_ms = -20.0 }, '
        '# timing: bar 2 beat 1, left: 20 ms behind the right take']


@pytest.mark.parametrize("text", WAYS.values(), ids=WAYS)
@pytest.mark.parametrize(("layer", "take"), [("regular", "left"), ("regular", "right"), ("octave", "left")])
@pytest.mark.parametrize("ends", ["\n", "\r\n", ""])
def test_what_timing_wrote_can_be_taken_out_again(recipe, text, layer, take, ends):
    text = text.rstrip("\n") if not ends else text.replace("\n", ends)
    path = recipe(text)
    before = read_recipe(path)
    added = add_moves(add_moves(path, layer, take, [LATE]), layer, take, [LATER])
    assert len(marked_moves(added)) == 2
    assert added.write().recipe != before.recipe
    assert all(line.endswith("\r\n") == (ends == "\r\n")
               for line in path.read_bytes().decode().splitlines(keepends=True)[:-1])
    removed = remove_moves(path)
    removed.write()
    assert read_recipe(path).recipe == before.recipe
    assert "timing:" not in path.read_text("utf-8")
    assert path.read_bytes().decode().rstrip() == text.rstrip()


def test_only_the_named_takes_moves_are_taken_out(recipe):
    change = add_moves(add_moves(recipe(TABLES), "regular", "left", [LATE]), "octave", "left", [LATER])
    assert marked_moves(remove_moves(change, "octave")) == [("layer", 0, "take", 0, "move", 0)]
    assert marked_moves(remove_moves(change, "regular", "left")) == [("layer", 1, "take", 0, "move", 1)]
    assert marked_moves(remove_moves(change, "regular", "right")) == marked_moves(change)


def test_a_move_that_shares_its_line_is_left_to_the_writer(recipe):
    text = BRACES.replace('file = "c"', 'file = "c", move = [{ from = 1, to = 2, by_ms = 3 }, # timing: x\n]')
    with pytest.raises(OutputError, match='line 5, layer "octave", take 1, move 1: shares its line'):
        remove_moves(recipe(text))


@pytest.mark.parametrize(("ask", "said"), [
    (lambda path: set_level(path, "octav", 0), 'there is no layer "octav"; did you mean "octave"\\?'),
    (lambda path: set_level(path, "x", 0), 'there is no layer "x"; there are "regular", "octave"'),
    (lambda path: set_level(path, "octave", 0, "vers"), 'there is no section "vers"; did you mean "verse"\\?'),
    (lambda path: set_level(path, "octave", 61), "found 61, allowed is a number up to 60"),
    (lambda path: set_level(path, "octave", math.nan), "found nan, allowed is a number up to 60"),
    (lambda path: add_moves(path, "regular", "lft", [LATE]), 'layer "regular": there is no take "lft"; did you'),
    (lambda path: add_moves(path, "regular", "left", [LATE, LATE]), "move 2, from: begins at 2.069 s, inside move 1"),
    (lambda path: set_song(path, tempo=5), "song, tempo: found 5(.0)?, allowed is a number from 10 to 400"),
    (lambda path: set_song(path, meter="1/4"), "bar 1 beat 2.5\": found beat 2, allowed are 1 to 1"),
])
def test_what_cannot_be_is_refused_and_the_file_stays(recipe, ask, said):
    path = recipe(TABLES.replace('to = "bar 1 beat 2"', 'to = "bar 1 beat 2.5"'))
    before = path.read_bytes()
    with pytest.raises(RecipeError, match=said):
        ask(path)
    assert path.read_bytes() == before


LEVELS = st.floats(-100, 60) | st.just(-math.inf)
EDITS = st.one_of(
    st.tuples(st.just("level"), st.sampled_from(["regular", "octave"]), LEVELS, st.sampled_from([None, "verse"])),
    st.tuples(st.just("song"), st.floats(20, 300), st.floats(0, 5)),
    st.tuples(st.just("move"), st.sampled_from(["regular", "octave"]), st.text(max_size=20)),
)


@settings(max_examples=few(12, 50),
          suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(text=st.sampled_from(list(WAYS.values())), edits=st.lists(EDITS, min_size=1, max_size=5))
def test_any_run_of_changes_says_what_was_asked_and_keeps_every_remark(recipe, text, edits):
    change: Any = recipe(text)
    wanted = tomllib.loads(text)
    for n, (kind, *how) in enumerate(edits):
        if kind == "level":
            layer, level_db, section = how
            change = set_level(change, layer, level_db, section)
            owner = wanted["section"][0].setdefault("levels_db", {}) if section else wanted["layer"][layer == "octave"]
            owner[layer if section else "level_db"] = level_db
        elif kind == "song":
            change = set_song(change, tempo=how[0], bar_one_s=how[1])
            wanted["song"].update(tempo=how[0], bar_one_s=how[1])
        else:
            move = NewMove(20.0 + n, 20.5 + n, 3.0, how[1])
            change = add_moves(change, how[0], "left", [move])
            take = wanted["layer"][how[0] == "octave"]["take"][0]
            take.setdefault("move", []).append({"from": 20.0 + n, "to": 20.5 + n, "by_ms": 3.0})
    assert tomllib.loads(change.after.text) == wanted
    remarks = [line[line.index("#"):] for line in text.split("\n") if "#" in line]
    kept = [line[line.index("#"):] for line in change.after.text.split("\n") if "#" in line and "# timing:" not in line]
    assert kept == remarks

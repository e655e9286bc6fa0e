"""Shifts of whole takes in any way a take is written: what follows them, and that removing them restores the text."""

from __future__ import annotations

import pytest

from layerpipe.core.errors import OutputError
from layerpipe.recipe.edit.shifts import marked_shifts, remove_shifts, write_shift

SONG = '[song]\ntitle = "T"\ntempo = 100\n\n[[layer]]\nname = "steel"\n\n[[layer.take]]\nname = "left"\n'
LISTED = SONG + """passes = [
  { name = "1", file = "a.wav" },  # the first
  { name = "2", file = "b.wav", shift_ms = 2.5, move = [{ from = 3.0, to = 4.0, by_ms = 10 }] },
]
comp = [  # choose: other passes
  { from = 0.0, to = 2.4, pass = "2" },
  { from = 4.797, to = 9.6, pass = "2" },  # chorus
  { from = "bar 9", to = "bar 11", pass = "2" },
]
"""
HEADERS = SONG + """
[[layer.take.passes]]
name = "1"
file = "a.wav"
shift_ms = 4   # by ear

[[layer.take.passes.move]]
from = "bar 2"   # the pick-up
to = 5.5
by_ms = 20

[[layer.take.passes]]
name = "2"
file = "b.wav"
"""
PLAIN = SONG + 'file = "a.wav"\nmove = [{ from = 1.0, to = 2.0, by_ms = 5 }, { from = 2.0, to = 3.0, by_ms = 9 }]\n'


@pytest.fixture
def written(tmp_path):
    def write(text):
        (tmp_path / "song.toml").write_text(text)
        return tmp_path / "song.toml"

    return write


def take_of(change):
    return change.after.recipe.layer[0].take[0]


@pytest.mark.parametrize("later_ms", [-117.0, 30.0])
@pytest.mark.parametrize(("text", "passes"), [(LISTED, ["1", "2"]), (HEADERS, ["1", "2"]), (PLAIN, [])],
                         ids=["listed", "headers", "plain"])
def test_a_shift_and_what_follows_it_are_written_twice_and_taken_back(text, passes, later_ms, written):
    path = written(text)
    write_shift(path, "steel", "left", later_ms, "late", passes).write()
    change = write_shift(path, "steel", "left", 1.0, "late again", passes)
    assert [one.shift_ms for one in take_of(change).every_pass] == [
        was + later_ms + 1 for was in {LISTED: (0, 2.5), HEADERS: (4, 0), PLAIN: (0,)}[text]]
    change.write()
    assert len(marked_shifts(path)) == max(len(passes), 1)
    remove_shifts(path).write()
    assert path.read_text() == text


def test_moves_and_seconds_of_a_comp_go_with_the_sound_and_bars_of_a_comp_stay(written):
    left = take_of(write_shift(written(LISTED), "steel", "left", -100.0, "late", ["1", "2"]))
    assert [(move.start, move.stop) for move in left.passes[1].move] == [(2.9, 3.9)]
    assert [(part.start, part.stop) for part in left.comp] == [(0.0, 2.3), (4.697, 9.5), ("bar 9", "bar 11")]
    # Bar 2 begins at 2.4 s: 100 beats a minute, four to a bar.
    first = take_of(write_shift(written(HEADERS), "steel", "left", 50.0, "early", ["1"])).passes[0]
    assert [(move.start, move.stop) for move in first.move] == [(2.45, 5.55)]


def test_where_no_comment_fits_it_is_said_what_to_write(written):
    in_one_line = SONG.partition("\n[[layer.take]]")[0] + 'take = [{ name = "left", file = "a.wav" }]\n'
    with pytest.raises(OutputError, match=r"take 1: is written in one line .* set shift_ms = -9\.0 there by hand"):
        write_shift(written(in_one_line), "steel", "left", -9.0, "late")
    with pytest.raises(OutputError, match=r"has its place in bars.* give from = 2\.391 there by hand"):
        write_shift(written(PLAIN.replace("from = 2.0", 'from = "bar 2"').replace("to = 2.0", "to = 2.2")), "steel",
                    "left", -9.0, "late")


@pytest.mark.parametrize("text", [LISTED, HEADERS], ids=["listed", "headers"])
def test_a_comment_that_was_changed_by_hand_is_not_guessed_at(text, written):
    path = written(text)
    write_shift(path, "steel", "left", -9.0, "late", ["1", "2"]).write()
    path.write_text(path.read_text().replace("it was 2.5", "it was = 2,5").replace("it was 4", "it was = 4"))
    with pytest.raises(OutputError, match="the comment no longer says what shift_ms was"):
        remove_shifts(path)

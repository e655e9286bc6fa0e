"""Edits of played passes and comps: what is added, replaced and taken back, and what stays as it was."""

from __future__ import annotations

import pytest

from layerpipe.core.errors import RecipeError
from layerpipe.recipe.edit.comps import NewPart, marked_comps, remove_comps, set_comp

HEAD = '[song]\ntitle = "T"\ntempo = 100\n\n[[layer]]\nname = "steel"\n'
LISTED = HEAD + """
[[layer.take]]   # mine
name = "left"
passes = [
  { name = "1", file = "a.wav" },  # the first
  { name = "2", file = "b.wav" },
]
pan = -100
"""
HEADERS = HEAD + """
[[layer.take]]
name = "left"
pan = -100

[[layer.take.passes]]
name = "1"
file = "a.wav"

[[layer.take.passes]]
name = "2"
file = "b.wav"
"""
INLINE = HEAD + ('take = [ { name = "left", passes = [ { name = "1", file = "a.wav" }, '
                 '{ name = "2", file = "b.wav" } ] } ]\n')
PARTS = [NewPart(4.797, 9.6, "1", "chorus (bars 3 to 4)")]


@pytest.fixture
def written(tmp_path):
    def write(text):
        path = tmp_path / "song.toml"
        path.write_text(text, "utf-8")
        return path

    return write


@pytest.mark.parametrize("text", [LISTED, HEADERS, INLINE], ids=["listed", "headers", "inline"])
def test_a_comp_is_added_in_any_way_a_take_is_written(text, written):
    change = set_comp(written(text), "steel", "left", "2", PARTS)
    (take,) = change.after.recipe.layer[0].take
    assert take.play == "2"
    assert [(part.start, part.stop, part.played) for part in take.comp] == [(4.797, 9.6, "1")]
    assert set(text.split("\n")) <= set(change.after.text.split("\n")) or text is INLINE


@pytest.mark.parametrize("text", [LISTED, HEADERS], ids=["listed", "headers"])
def test_what_was_added_can_be_taken_back_and_the_file_is_as_before(text, written):
    path = written(text)
    set_comp(path, "steel", "left", "2", PARTS).write()
    assert len(marked_comps(path)) == 2
    remove_comps(path).write()
    assert path.read_text("utf-8") == text


def test_a_second_choice_replaces_the_first_and_the_same_changes_nothing(written):
    path = written(LISTED)
    set_comp(path, "steel", "left", "2", PARTS).write()
    assert set_comp(path, "steel", "left", "2", PARTS).is_empty
    again = set_comp(path, "steel", "left", "1", [])
    (take,) = again.after.recipe.layer[0].take
    assert (take.play, take.comp) == ("1", [])


def test_a_choice_made_by_hand_is_not_taken_back(written):
    by_hand = LISTED + 'play = "2"\ncomp = [ { from = "bar 3", to = "bar 5", pass = "1" } ]\n'
    assert remove_comps(written(by_hand)).is_empty


def test_the_first_pass_throughout_needs_no_key(written):
    assert set_comp(written(LISTED), "steel", "left", "1", []).is_empty


def test_a_pass_that_is_not_there_is_refused(written):
    with pytest.raises(RecipeError, match="there is no passes"):
        set_comp(written(LISTED), "steel", "left", "7", [])

"""Reading a recipe: what comes out of a good one, and what is said about a bad one."""

from __future__ import annotations

import math
import pickle
from pathlib import Path

import pytest

from layerpipe.core.errors import RecipeError
from layerpipe.recipe.model.recipe import Move, Recipe, Song
from layerpipe.recipe.reader import parse_recipe, read_recipe

PROJECT = Path(__file__).resolve().parents[2]
RECIPES = sorted((PROJECT / "recipes").glob("*.toml"))

GOOD = """\
[song]
title = "Lantern on the Pier"
tempo = 58
meter = "6/8"
sample_rate_hz = 44100

[[section]]
name = "verse"
bars = [1, 4]
levels_db = { octave = -inf }

[[section]]
name = "chorus"
bars = [5, 8]

[[layer]]
name = "regular"
chain = { high_pass = [{ hz = 40 }, { hz = 80 }] }
take = [
    { name = "left", file = "takes/left.wav", pan = -100 },
    { name = "right", file = "takes/right.wav", pan = 100 },
]

[[layer]]
name = "octave"
level_db = -9
[[layer.take]]
name = "left"
file = "takes/octave.wav"
channel = 2
[[layer.take.move]]
from = "bar 1"
to = "bar 1 beat 2"
by_ms = 34
[[layer.take.move]]
from = 9.5
to = 10
by_ms = -20.0
"""

MANY_FAULTS = """\
[song]
title = "Lantern on the Pier"
tempo = "58"
sample_rate_hz = 44100

[[section]]
name = "verse"
bars = [4, 1]
levels_db = { octav = -inf }

[[section]]
name = "chorus"
bars = [5, 8]

[[section]]
name = "Chorus"
bars = [8, 9]

[[layer]]
name = "octave"
strings = ["E2", "H3"]
level_db = 90
chain = { high_pass = [{ hz = 40 },
    { hz = 30000 }], compressor = { threshold_db = -10, hits_db = 2 } }

[[layer.take]]
name = "left/right"

[[layer.take]]
name = "right"
file = "right.wav"
pan = 150
mute = 1
invert_polarity = "yes"
pann = 3
move = [
    { from = 3, to = 2.5, by_ms = 3 },
    { start = true, to = true, by_ms = 1e4 },
]

[preview]
format = "ogg"
bit_depth = 24

[bounce]
over_ful_scale = "lower"
date = 2023-02-28T10:00:00
"""

THE_LETTER = """\
song.toml: 24 faults
  line 3, song, tempo: found "58", allowed is a number from 10 to 400
  line 8, section "verse", bars: found [4, 1], allowed is a last bar that is not before the first
  line 9, section "verse", levels_db, octav: there is no such layer; did you mean "octave"?
  line 16, section "Chorus", name: found "Chorus", but another section has "chorus", which makes the same file
  line 17, section "Chorus", bars: found [8, 9], which overlaps section "chorus" in bars 5 to 8
  line 21, layer "octave", strings 2: found "H3", allowed is text such as "E2" or "F#3" or "Bb2"
  line 22, layer "octave", level_db: found 90, allowed is a number up to 60, or -inf for silence
  line 24, layer "octave", chain, compressor: has both threshold_db and hits_db; give one of them
  line 24, layer "octave", chain, high_pass 2, hz: found 30000, allowed is below 22050, half of sample_rate_hz
  line 26, layer "octave", take 1, file: missing; give file, mics or passes; a file is text such as "takes/left.wav"
  line 27, layer "octave", take 1, name: found "left/right", which becomes a file name; it cannot contain /
  line 32, layer "octave", take 2, pan: found 150, allowed is a number from -100 to 100
  line 33, layer "octave", take 2, mute: found 1, allowed is true or false
  line 34, layer "octave", take 2, invert_polarity: found "yes", allowed is true or false
  line 35, layer "octave", take 2, pann: there is no such setting; did you mean "pan"?
  line 37, layer "octave", take 2, move 1, to: found 2.5, allowed is a position after from, 3.0
  line 38, layer "octave", take 2, move 2, from: missing; it takes "bar 3", "bar 3 beat 2", "bar 3 beat 2.5", \
"bar 3 beat 2+1/3" or a number of seconds without quotes
  line 38, layer "octave", take 2, move 2, to: found true, allowed is "bar 3", "bar 3 beat 2", "bar 3 beat 2.5", \
"bar 3 beat 2+1/3" or a number of seconds without quotes
  line 38, layer "octave", take 2, move 2, by_ms: found 10000.0, allowed is a number from -2000 to 2000
  line 38, layer "octave", take 2, move 2, start: there is no such setting here; "starts" belongs in \
[bed] or [layer.take] or [layer.take.passes]
  line 42, preview, format: found "ogg", allowed is "mp3" or "m4a" or "flac" or "wav"
  line 43, preview, bit_depth: there is no such setting here; "bit_depth" belongs in [bounce]
  line 46, bounce, over_ful_scale: there is no such setting; did you mean "over_full_scale"?
  line 47, bounce, date: found the date 2023-02-28 10:00:00, allowed is text such as "2024-05-31"
"""


def letter(text: str, name: str = "song.toml") -> str:
    """What is said about a recipe that must be refused."""
    with pytest.raises(RecipeError) as refusal:
        parse_recipe(Path(name), text)
    return str(refusal.value)


def changed(old: str, new: str) -> str:
    """The good recipe with one change."""
    assert old in GOOD
    return GOOD.replace(old, new)


def test_a_good_recipe_comes_out_with_its_values_and_defaults():
    file = parse_recipe(Path("song.toml"), GOOD)
    recipe = file.recipe
    assert recipe.song.tempo == 58.0
    assert recipe.section[0].levels_db == {"octave": -math.inf}
    assert recipe.level_db(recipe.layer[1], recipe.section[0]) == -math.inf
    assert recipe.level_db(recipe.layer[1], None) == -9.0
    assert [take.pan for take in recipe.layer[0].take] == [-100.0, 100.0]
    assert recipe.layer[1].take[0].move[0].start == "bar 1"
    assert recipe.layer[1].take[0].move[1].start == 9.5
    assert recipe.preview.loudness_lufs == -16.0
    assert recipe.bounce.bit_depth == 24


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.stem)
def test_the_recipes_that_come_along_are_faultless(path):
    assert read_recipe(path).recipe.layer


def test_files_are_seen_from_the_recipes_folder(tmp_path, monkeypatch):
    folder = tmp_path / "songs"
    folder.mkdir()
    (folder / "one.toml").write_text(GOOD.replace("takes/right.wav", "../else/./right.wav"), "utf-8")
    monkeypatch.chdir(tmp_path)
    takes = read_recipe(Path("songs/one.toml")).recipe.layer[0].take
    assert takes[0].file == tmp_path.resolve() / "songs/takes/left.wav"
    assert takes[1].file == tmp_path.resolve() / "else/right.wav"


def test_a_byte_order_mark_and_carriage_returns_are_taken(tmp_path):
    path = tmp_path / "song.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    file = read_recipe(path)
    assert file.recipe.song.title == "Lantern on the Pier"
    assert file.line_of(("layer", 0, "take", 1, "pan")) == 21


def test_all_faults_come_in_one_letter():
    assert letter(MANY_FAULTS) + "\n" == THE_LETTER


def test_a_fault_can_be_told_by_location_later():
    file = parse_recipe(Path("song.toml"), GOOD)
    fault = file.fault(("layer", 1, "take", 0, "channel"), "found 2, but the file has one channel")
    assert str(fault) == 'line 30, layer "octave", take 1, channel: found 2, but the file has one channel'
    assert file.line_of(("layer", 1, "take", 0, "pan")) == 27
    assert file.line_of(("preview", "format")) is None


def test_every_take_may_be_muted():
    muted = GOOD.replace("pan =", "mute = true, pan =").replace("channel = 2", "mute = true")
    recipe = parse_recipe(Path("song.toml"), muted).recipe
    assert all(take.mute for layer in recipe.layer for take in layer.take)


def test_a_date_of_toml_counts_as_its_text_and_must_be_in_the_calendar():
    assert parse_recipe(Path("song.toml"), GOOD + "[bounce]\ndate = 2024-05-31").recipe.bounce.date == "2024-05-31"
    wrong = GOOD + '[bounce]\ndate = "2023-02-29"'
    assert 'bounce, date: found "2023-02-29", which is not in the calendar' in letter(wrong)
    assert "bounce, date: found the date 2024-05-31 10:00:00" in letter(GOOD + "[bounce]\ndate = 2024-05-31T10:00:00")


def test_a_move_may_touch_the_next_and_keep_its_order():
    moves = "[[layer.take.move]]\nfrom = 10\nto = 11\nby_ms = {}\n"
    assert parse_recipe(Path("song.toml"), GOOD + moves.format(-20))
    assert parse_recipe(Path("song.toml"), GOOD + moves.format(50))
    assert "move 3, by_ms: found -600, so that this is played at 9.400 s" in letter(GOOD + moves.format(-600))


def test_nothing_that_is_said_is_the_librarys_own_wording():
    said = letter(MANY_FAULTS)
    for jargon in ("Input should", "validation", "msgspec", "Expected `", "unknown field", "Input should"):
        assert jargon not in said


def test_nouns_are_values_that_never_change():
    one, other = (parse_recipe(Path("song.toml"), GOOD).recipe for _ in range(2))
    assert one == other == pickle.loads(pickle.dumps(one))
    assert one != parse_recipe(Path("song.toml"), changed("tempo = 58", "tempo = 59")).recipe
    assert one.page.range_db is not other.page.range_db
    with pytest.raises(AttributeError):
        one.song.tempo = 60.0


def test_nouns_made_in_python_take_their_own_names():
    song = Song(title="x", tempo=60)
    assert song.tempo == 60.0
    with pytest.raises(ValueError, match="invisible"):
        Song(title="a\nb")
    layer = {"name": "a", "take": [{"name": "b", "file": Path("c")}]}
    assert Recipe.of({"song": {"title": "x"}, "layer": [layer]}).layer[0].take[0].file == Path("c")
    assert Move(start="bar 1", stop=3, by_ms=1).stop == 3.0


@pytest.mark.parametrize(("old", "new"), [
    ("channel = 2", '"\\u001B[2J\\n" = 2'), ("octave = -inf", '"\\u001B[2J\\noctave" = -inf'),
    ('from = "bar 1"', 'from = "\\u001B[2J\\n"'), ('from = "bar 1"', 'from = "bar 1\\u001B[2J\\n"'),
    ('name = "verse"', 'name = "\\u001B[2J\\n"'), ('meter = "6/8"', 'meter = "\\u001B[2J\\n"'),
    ("[[section]]", '["\\u001B[2J\\n".x]\n[[section]]'), ('name = "left"', 'name = "\\u202E\\n"'),
    ('title = "Lantern', 'title = "\\u001B[2J\\n'), ('file = "takes/right.wav"', 'file = "\\u001B[2J\\n"'),
    ("[song]", '[song]\n"\\u001B\\n" = 1\n"\\u001B\\n" = 2'), ("pan = 100", 'pan = "\\u001B[2J\\n"'),
])
def test_nothing_from_a_recipe_reaches_a_terminal_unescaped(old, new):
    said = letter(changed(old, new), "a\x1b\nb.toml")
    assert "\x1b" not in said
    assert "\u202e" not in said
    assert said.startswith("a\\u001B\\nb.toml: ")
    assert all(line.startswith("  ") for line in said.split("\n")[1:])


def test_a_beat_note_that_does_not_fit_a_meter_is_refused_where_it_stops_fitting():
    change = '[[tempo]]\nfrom_bar = 3\nmeter = "{}"\n'
    eighths = changed('meter = "6/8"', 'meter = "6/8"\nbeat_note = "1/4"')
    assert 'tempo change 1, meter: found beat_note "1/4", which does not divide a bar of 7/8; allowed is a note that ' \
           'does, such as "1/8"' in letter(eighths + change.format("7/8"))
    assert parse_recipe(Path("song.toml"), eighths + change.format("3/4")).recipe.song.beat_note == "1/4"
    assert parse_recipe(Path("song.toml"), eighths + change.format("7/8") + 'beat_note = "1/8"\ntempo = 90\n')
    assert "has beat_note without tempo; give the beats per minute of the new beat" in letter(
        eighths + change.format("7/8") + 'beat_note = "1/8"\n')

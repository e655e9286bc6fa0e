"""One fault at a time in a good recipe: its place, what was found, and what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest
import tomlkit

from layerpipe.recipe.reader import parse_recipe
from tests.recipe.test_reader import GOOD, changed, letter


@pytest.mark.parametrize(("old", "new", "said"), [
    ('meter = "6/8"', 'metre = "6/8"', 'line 4, song, metre: there is no such setting; did you mean "meter"?'),
    ('meter = "6/8"', "Tempo = 3", 'song, Tempo: there is no such setting; did you mean "tempo"?'),
    ('meter = "6/8"', "pan = 3", 'song, pan: there is no such setting here; "pan" belongs in [layer.take]'),
    ('meter = "6/8"', "zzz = 3", "song, zzz: there is no such setting; known here are title, artist, tempo,"),
    ('meter = "6/8"', 'meter = "6/7"', 'song, meter: found "6/7", allowed is text such as "4/4" or "6/8"'),
    ("tempo = 58", "tempo = true", "song, tempo: found true, allowed is a number from 10 to 400"),
    ("tempo = 58", "tempo = nan", "song, tempo: found nan, allowed is a number from 10 to 400"),
    ('meter = "6/8"', 'meter = "6/8\\n"', 'song, meter: found "6/8\\n", allowed is text such as "4/4" or "6/8"'),
    ("[song]", "[check]\nrumble_dbfs = -inf\n[song]", "check, rumble_dbfs: found -inf, allowed is a number"),
    ("[song]", "[bounce]\nbit_depth = 24.0\n[song]", "bounce, bit_depth: found 24.0, allowed is 16 or 24"),
    ("[song]", f"[[page.setting]]\nname = '{'x' * 81}'\nlevels_db = {{ octave = 0 }}\n[song]",
     "page, setting 1, name: found 81 characters, allowed are at most 80"),
    ("tempo = 58", "tempo = 5", "song, tempo: found 5, allowed is a number from 10 to 400"),
    ("sample_rate_hz = 44100", "sample_rate_hz = 44100.0", "found 44100.0, allowed is a whole number from 8000"),
    ('title = "Lantern on the Pier"', "", 'line 1, song, title: missing; it takes text of 1 to 200 characters'),
    ('title = "Lantern on the Pier"', 'title = "a\\u202eb"', "song, title: found the invisible character U+202E"),
    ('title = "Lantern on the Pier"', 'title = ""', 'found "", allowed is text of 1 to 200 characters'),
    ("[song]", "[[song]]", "song: found [[song]], allowed is [song], a table"),
    ("tempo = 58\n", "", 'line 1, song, tempo: missing, but section "verse" counts bars; give beats per minute'),
    ("bars = [1, 4]", "bars = [1, 2, 4]", 'section "verse", bars: found 3, allowed are exactly 2'),
    ("bars = [1, 4]", "bars = 4", "bars: found 4, allowed is a list such as [1, 8]"),
    ("bars = [1, 4]", "bars = [1, true]", "bars 2: found true, allowed is a whole number from -1000 to 100000"),
    ("bars = [1, 4]", "", 'section "verse", bars: missing; it takes a list such as [1, 8]'),
    ("bars = [1, 4]", "bars = [-9, -4]", "bars: found [-9, -4], which ends before the files begin; bar 1 is at 0 s"),
    ("bars = [1, 4]", "bars = [1, 9]", '"chorus", bars: found [5, 8], which overlaps section "verse" in bars 1 to 9'),
    ('name = "octave"', 'name = "Blend"', 'layer "Blend", name: found "Blend", which means all layers together'),
    ("[song]", "[[page.setting]]\nname = 'a'\nlevels_db = { x = 0 }\n[song]",
     "page, setting 1, levels_db, x: there is no"),
    ('name = "verse"', 'name = "Whole  SONG"', 'found "Whole  SONG", which means the whole song in tables and file'),
    ('meter = "6/8"', 'meter = "6/8"\nbeat_note = "1/2"', 'song, beat_note: found beat_note "1/2", which does not'),
    ('meter = "6/8"', 'meter = "6/8"\nbeat_note = "2/8"', 'beat_note: found "2/8", allowed is text such as "1/4"'),
    ("octave = -inf", "octave = nan", "levels_db, octave: found nan, allowed is a number up to 60, or -inf"),
    ("octave = -inf", 'octave = "-inf"', 'levels_db, octave: found "-inf", allowed is a number up to 60'),
    ("octave = -inf", "bass = 0", 'there is no such layer; there are "regular", "octave"'),
    ("hz = 80", "hz = 0", "chain, high_pass 2, hz: found 0, allowed is a number from 1 and below 96000"),
    ("hz = 80", "hz = 22050", "chain, high_pass 2, hz: found 22050, allowed is below 22050, half of sample_rate_hz"),
    ("hz = 80", "hz = 80, slope_db_per_octave = 13", "slope_db_per_octave: found 13, allowed is 6 or 12 or 18 or 24"),
    ("[{ hz = 40 }, { hz = 80 }]", "{ hz = 40 }", "high_pass: found [layer.chain.high_pass], allowed is [["),
    ("[{ hz = 40 }, { hz = 80 }]", "40", "high_pass: found 40, allowed is [[layer.chain.high_pass]], a list of tables"),
    ("high_pass = [", "compressor = {}, high_pass = [", "chain, compressor: has neither threshold_db nor hits_db"),
    ("pan = -100", "pan = -101", 'line 20, layer "regular", take 1, pan: found -101, allowed is a number from -100 to'),
    ('name = "right"', 'name = "LEFT"', 'take 2, name: found "LEFT", but another take of this layer has "left", which'),
    ('file = "takes/right.wav"', 'file = ""', 'take 2, file: found "", which names no file'),
    ('file = "takes/right.wav"', 'file = "a\\u0000b"', "take 2, file: found the invisible character U+0000"),
    ('file = "takes/right.wav"', "file = 3", 'take 2, file: found 3, allowed is text such as "takes/left.wav"'),
    ("channel = 2", "channel = 65", "channel: found 65, allowed is a whole number from 1 to 64"),
    ("level_db = -9", "strings = [3]", 'layer "octave", strings 1: found 3, allowed is text such as "E2"'),
    ('from = "bar 1"', 'from = "bar 1 beat 3"',
     'move 1, from: "bar 1 beat 3": found beat 3, allowed are 1 to 2; bar 1 is in 6/8'),
    ('from = "bar 1"', 'from = "Bar 1 beat 2.5"',
     'move 1, to: found "bar 1 beat 2", allowed is a position after from, "Bar 1 beat 2.5"'),
    ('from = "bar 1"', 'from = "bar 0"', 'move 1, from: found "bar 0", which is 2.069 s before the files begin'),
    ('from = "bar 1"', 'from = "1.2.4"',
     'move 1, from: found "1.2.4"; positions are written in words: write "bar 1 beat 2.5"'),
    ('from = "bar 1"', "from = true", 'move 1, from: found true, allowed is "bar 3", "bar 3 beat 2"'),
    ('from = "bar 1"', "from = 1e308", "move 1, from: found 1e+308, allowed are seconds up to 86400"),
    ('from = "bar 1"', "from = -inf", "move 1, from: found -inf, allowed are seconds up to 86400"),
    ('from = "bar 1"', "from = nan", "move 1, from: found nan, allowed are seconds up to 86400"),
    ('from = "bar 1"', f"from = {'9' * 400}", "move 1, from: found a whole number of more than 60 digits, allowed"),
    ("by_ms = 34", f"by_ms = {'9' * 400}", "move 1, by_ms: found a whole number of more than 60 digits, allowed"),
    ("level_db = -9", f"level_db = {'9' * 400}", "level_db: found a whole number of more than 60 digits, allowed"),
    ("octave = -inf", f"octave = {'9' * 400}", "octave: found a whole number of more than 60 digits, allowed"),
    ('from = "bar 1"', "start = 1", "move 1, from: missing"),
    ('to = "bar 1 beat 2"', "to = 10", "move 2, from: begins at 9.500 s, inside move 1, which ends at 10.000 s"),
    ('to = "bar 1 beat 2"', "to = 9.49",
     "move 2, by_ms: found -20, so that this is played at 9.480 s, before the end of move 1 (9.490 s)"),
    ("by_ms = 34", "by_ms = 2001", "move 1, by_ms: found 2001, allowed is a number from -2000 to 2000"),
    ("[[layer.take.move]]\nfrom = 9.5", "[layer.take.moves]\nfrom = 9", 'moves: there is no such setting; did you'),
])
def test_one_fault_is_told_with_its_place_and_what_is_allowed(old, new, said):
    assert said in letter(changed(old, new))


@pytest.mark.parametrize("name", [
    "../up", "a/b", "a\\b", "..", ".hidden", "end.", "end ", " start", "con", "NUL.txt", "com1", "a:b", "a*", "a?",
    'a"b', "a<b", "a>b", "a|b", "a\nb", "a\tb", "a\u0000b", "a\u202eb", "\u200ea", "", "x" * 81, "\u97f3" * 34,
])
@pytest.mark.parametrize("noun", ["verse", "octave", "right"])
def test_names_that_would_make_a_bad_file_name_are_refused(name, noun):
    quoted = tomlkit.string(name).as_string()
    said = letter(GOOD.replace(f'name = "{noun}"', f"name = {quoted}"))
    assert "name: found" in said
    assert "allowed" in said or "file name" in said or "device" in said


@pytest.mark.parametrize("name", [
    "second verse", "Stra\u00dfe", "\u97f3\u697d", "\u0437\u0430\u043f\u0435\u0432", "cafe\u0301", "a.b", "10",
    "console", "-",
])
def test_spaces_and_letters_of_any_script_are_fine_in_names(name):
    text = GOOD.replace('name = "right"', f'name = "{name}"').replace('name = "verse"', f'name = "{name}"')
    assert parse_recipe(Path("song.toml"), text).recipe.layer[0].take[1].name == name


@pytest.mark.parametrize(("one", "other"), [
    ("verse", "VERSE"), ("caf\u00e9", "cafe\u0301"), ("a b", "a  b"), ("stra\u00dfe", "STRASSE"),
    ("1", "\u2460"),
])
def test_names_that_are_one_file_on_some_system_are_refused(one, other):
    text = GOOD.replace('name = "verse"', f'name = "{one}"').replace('name = "chorus"', f'name = "{other}"')
    assert "makes the same file" in letter(text)


def test_layers_and_takes_whose_joined_names_meet_are_refused():
    text = GOOD.replace('name = "regular"', 'name = "a"').replace('name = "octave"', 'name = "a-b"')
    text = text.replace('name = "right"', 'name = "b-c"').replace("octave = -inf", '"a-b" = -inf')
    text = text.replace('"left"\nfile = "takes/octave', '"c"\nfile = "takes/octave')
    assert 'layer "a-b", take 1, name: makes the file "a-b-c", and so does a take of another layer' in letter(text)


def test_too_many_takes_or_layers_are_refused():
    take = '[[layer.take]]\nname = "{}"\nfile = "a.wav"\n'
    layer = '[[layer]]\nname = "{}"\n'
    song = '[song]\ntitle = "x"\n'
    full = "".join(layer.format(n) + "".join(take.format(k) for k in range(8)) for n in range(32))
    assert len(parse_recipe(Path("song.toml"), song + full).recipe.layer) == 32
    assert "found 257 takes in all layers, allowed are at most 256" in letter(song + full + take.format("more"))
    assert "layer: found 33, allowed are at most 32" in letter(song + full + layer.format("more") + take.format(1))


def test_tempo_changes_must_ascend_and_change_something():
    change = "[[tempo]]\nfrom_bar = {}\n{}\n"
    good = GOOD + change.format(3, "tempo = 60") + change.format(5, 'meter = "4/4"')
    assert len(parse_recipe(Path("song.toml"), good).recipe.tempo) == 2
    again = good + change.format(5, "tempo = 95")
    assert "tempo change 3, from_bar: found 5, allowed is a bar after 5" in letter(again)
    assert "tempo change 3: changes nothing; give tempo, meter or both" in letter(good + change.format(7, ""))
    without = GOOD.replace("tempo = 58\n", "") + change.format(3, "tempo = 60")
    assert "song, tempo: missing, but tempo change 1 needs one to come from" in letter(without)

"""Takes of a recipe: files, microphones, passes, places and comps; all faults at once; edits that keep the layout."""

from __future__ import annotations

from pathlib import Path

import pytest

from layerpipe.core.errors import RecipeError
from layerpipe.recipe.edit.moves_and_levels import NewMove, add_moves, marked_moves, remove_moves, set_shift
from layerpipe.recipe.reader import parse_recipe, read_recipe

SONG = '[song]\ntitle = "Lantern"\ntempo = 120\n[[layer]]\nname = "regular"\n[[layer.take]]\nname = "left"\n'
PASSES = """passes = [
  { name = "1", file = "takes/1.wav" },   # the first try
  { name = "2", file = "takes/2.wav", starts = "bar 1", shift_ms = -3.5 },
  { name = "3", mics = [{ file = "3a.wav" }, { file = "3b.wav", channel = 2, invert_polarity = true }] },
]
play = "2"
comp = [ { from = "bar 5", to = "bar 9", pass = "3" } ]
"""


@pytest.mark.parametrize("folder", ["\u200f\u05e9\u05d9\u05e8", "\udce9\udcff", "a\x1b[2J\nb"])
def test_a_song_may_lie_in_a_folder_of_any_name(folder):
    recipe = parse_recipe(Path(f"/{folder}/song.toml"), SONG + 'file = "left.wav"\nchannel = 2\n').recipe
    (mic,) = recipe.layer[0].take[0].every_pass[0].every_mic
    assert (mic.file, mic.channel, mic.shift_ms) == (Path(f"/{folder}/left.wav"), 2, 0.0)


def faults_of(text: str) -> str:
    """What a recipe is refused for."""
    with pytest.raises(RecipeError) as refusal:
        parse_recipe(Path("song.toml"), text)
    return str(refusal.value)


def test_files_of_passes_and_microphones_are_relative_to_the_recipe(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    path.write_text(SONG + PASSES)
    take = read_recipe(path).recipe.layer[0].take[0]
    names = ("takes/1.wav", "takes/2.wav", "3a.wav", "3b.wav")
    assert list(take.files) == [tmp_path.resolve() / name for name in names]
    assert take.played == 1
    assert [len(one.every_mic) for one in take.every_pass] == [1, 1, 2]
    assert (take.passes[1].starts, take.passes[1].shift_ms) == ("bar 1", -3.5)


def test_a_take_of_one_file_is_one_pass_with_its_name() -> None:
    take = parse_recipe(Path("song.toml"), SONG + 'file = "a.wav"\nchannel = 2\nstarts = -1.5').recipe.layer[0].take[0]
    (only,) = take.every_pass
    assert (only.name, only.starts, only.every_mic[0].channel, take.played) == ("left", -1.5, 2, 0)


def test_passes_can_be_tables_with_headers() -> None:
    text = SONG + ('[[layer.take.passes]]\nname = "1"\nfile = "1.wav"\n[[layer.take.passes.move]]\nfrom = 1\nto = 2\n'
                   'by_ms = 3\n[[layer.take.passes]]\nname = "2"\nfile = "2.wav"\n')
    take = parse_recipe(Path("song.toml"), text).recipe.layer[0].take[0]
    assert [len(one.move) for one in take.every_pass] == [1, 0]


@pytest.mark.parametrize(("take", "words"), [
    ("pan = 0", "take 1, file: missing; give file, mics or passes"),
    ('file = "a.wav"\npasses = [{ name = "1", file = "1.wav" }]',
     "passes: found beside file; give file, mics or passes, not several"),
    ('file = "a.wav"\nmics = [{ file = "1.wav" }]', "mics: found beside file"),
    ('passes = [{ name = "1" }]', "passes 1, file: missing; give file or mics"),
    ('file = "a.wav"\nplay = "1"', "play: needs passes; there are none"),
    ('file = "a.wav"\ncomp = [{ from = 1, to = 2, pass = "1" }]', "comp: needs passes; there are none"),
    ('file = "a.wav"\nstarts = "bar nine"', 'starts: found "bar nine", allowed is "bar 3"'),
    ('file = "a.wav"\nstarts = "time reference"', 'starts: found "time reference", but [song] has no time_reference_s'),
    ('file = "a.wav"\nstarts = true', "starts: found true, allowed is"),
    ('file = "a.wav"\nstarts = 90000', "allowed are seconds up to 86400"),
    ('file = "a.wav"\nshift_ms = 3000', "shift_ms: found 3000, allowed is a number from -2000 to 2000"),
    ('mics = [{ file = "a.wav", shift_ms = 200 }]',
     "mics 1, shift_ms: found 200, allowed is a number from -100 to 100"),
    ('mics = [{ file = "a.wav" }]\nchannel = 1', "channel: belongs to a microphone where there are mics"),
    ('mics = [{ gain_db = 1 }]', "mics 1, file: missing"),
    ('starts = 3\npasses = [{ name = "1", file = "1.wav" }]', "starts: belongs to each pass"),
    ('move = [{ from = 1, to = 2, by_ms = 3 }]\npasses = [{ name = "1", file = "1.wav" }]',
     "move: belongs to each pass"),
    ('passes = [{ name = "1", file = "1.wav", pan = 3 }]', 'passes 1, pan: there is no such setting here; "pan"'),
])
def test_what_a_take_cannot_be_is_refused_with_its_place(take: str, words: str) -> None:
    assert words in faults_of(SONG + take)


def test_all_faults_of_passes_and_comps_come_at_once() -> None:
    told = faults_of(SONG + """passes = [
  { name = "steel", file = "1.wav" },
  { name = "Steel", file = "2.wav", move = [{ from = 2, to = 1, by_ms = 3 }] },
  { name = "nylon", file = "3.wav", starts = "time reference" },
]
play = "stel"
comp = [
  { from = "bar 5", to = "bar 9", pass = "nylon" },
  { from = "bar 8", to = "bar 12", pass = "steel" },
  { from = "bar 14", to = "bar 13", pass = "gut" },
  { from = -4, to = -2, pass = "steel" },
  { from = "bar 20", to = "bar 21 beat 9", pass = "steel" },
]
""")
    for words in ('passes 2, name: found "Steel", but another pass of this take has "steel", which makes the same file',
                  "passes 2, move 1, to: found 1.0, allowed is a position after from, 2.0",
                  'passes 3, starts: found "time reference", but [song] has no time_reference_s',
                  'play: there is no pass "stel"; did you mean "steel"?',
                  "comp 2, from: begins at 14.000 s, inside entry 1 of the comp, which ends at 16.000 s",
                  'comp 3, pass: there is no pass "gut"; there are "steel", "Steel", "nylon"',
                  'comp 3, to: found "bar 13", allowed is a position after from, "bar 14"',
                  "comp 4, to: found -2.0, which is 2.000 s before the song begins",
                  "comp 5, to:"):
        assert words in told, words
    assert told.startswith("song.toml: 9 faults")


def test_moves_are_written_into_a_pass_and_taken_out_again(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    path.write_text(SONG + PASSES)
    before = path.read_text()
    change = add_moves(path, "regular", "left", [NewMove(1.5, 2.0, -12.0, "late")], "1")
    assert 'move = [\n    { from = 1.5, to = 2.0, by_ms = -12.0 }, # timing: late\n' in change.after.text
    assert "# the first try" in change.after.text
    assert marked_moves(change) == [("layer", 0, "take", 0, "passes", 0, "move", 0)]
    assert remove_moves(change).after.data == read_recipe(path).data
    with pytest.raises(RecipeError, match='there is no passes "9"'):
        add_moves(path, "regular", "left", [NewMove(1.5, 2.0, -12.0, "late")], "9")
    assert path.read_text() == before


def test_moves_of_passes_with_headers_follow_their_pass(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    path.write_text(SONG + '\n[[layer.take.passes]]\nname = "1"\nfile = "1.wav"\n\n[[layer.take.passes]]\nname = "2"\n'
                           'file = "2.wav"\n')
    change = add_moves(path, "regular", "left", [NewMove(1.5, 2.0, -12.0, "late")], "1")
    assert ('file = "1.wav"\n\n[[layer.take.passes.move]]  # timing: late\nfrom = 1.5\nto = 2.0\nby_ms = -12.0\n\n'
            '[[layer.take.passes]]\nname = "2"') in change.after.text
    assert remove_moves(change).is_empty


def test_shifts_and_polarities_are_set_where_the_sound_is(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    path.write_text(SONG + 'mics = [{ file = "a.wav" }, { file = "b.wav" }]   # two\n')
    change = set_shift(path, ("layer", 0, "take", 0, "mics", 1), shift_ms=-1.25, invert_polarity=True)
    assert '{ file = "b.wav", shift_ms = -1.25, invert_polarity = true }]   # two\n' in change.after.text
    same = set_shift(change, ("layer", 0, "take", 0, "mics", 0), shift_ms=0.0, invert_polarity=False)
    assert same.after == change.after
    path.write_text(SONG + 'file = "a.wav"\nstarts = 3   # late\npan = 10\n')
    change = set_shift(path, ("layer", 0, "take", 0), shift_ms=0.5)
    assert 'starts = 3   # late\nshift_ms = 0.5\npan' in change.after.text

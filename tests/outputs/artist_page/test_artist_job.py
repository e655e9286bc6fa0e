"""`layerpipe page` from a recipe to a file: the same twice, cached, and never over another file."""

from __future__ import annotations

import gc
import json
import re
import weakref
from pathlib import Path

import pytest

from layerpipe.core.errors import OutputError, RecipeError
from layerpipe.jobs.page import page_id_of, prepare_page
from layerpipe.outputs.artist_page import build_page, write_page
from layerpipe.outputs.artist_page.loops import Loops, parts_of
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import process_takes
from tests.support.command import run_command

PROJECT = Path(__file__).resolve().parents[3]
LANTERN = PROJECT / "recipes" / "lantern.toml"


def test_the_command_writes_the_same_page_twice_and_tells_its_size(tmp_path):
    out = tmp_path / "deep" / "page.html"
    words = ["page", str(LANTERN), "--section", "chorus", "--seconds", "3", "--out", str(out), "--json"]
    told = run_command(*words)
    assert told.exit_code == 0
    document = json.loads(told.stdout)
    assert document["bytes"] == out.stat().st_size
    assert document["caution"].startswith("Caution: start with the volume low")
    assert document["bits"] == 16
    (section,) = document["sections"]
    assert section["section"] == "chorus"
    first = out.read_bytes()
    assert run_command(*words).stdout == told.stdout
    assert out.read_bytes() == first
    assert [path.name for path in out.parent.iterdir()] == ["page.html"]


@pytest.fixture
def forbid(monkeypatch):
    """Make some work of the page's impossible."""
    def forbid_it(*names):
        def refuse(*args, **settings):
            raise AssertionError("was done again")

        for name in names:
            monkeypatch.setattr(f"layerpipe.{name}", refuse)
        return monkeypatch

    return forbid_it


def test_sound_is_encoded_and_heard_once_and_found_again(forbid):
    file = read_recipe(LANTERN)
    first = prepare_page(file, sections=["verse"], seconds=2.5)
    forbid("outputs.artist_page.loops.write_flac", "outputs.artist_page.loops.sum_layer",
           "outputs.artist_page.build._readings")
    again = prepare_page(file, sections=["verse"], seconds=2.5)
    assert build_page(again.song) == build_page(first.song)
    with pytest.raises(AssertionError, match="done again"):
        prepare_page(file, sections=["verse"], seconds=4.5)


def test_another_level_keeps_the_sound_and_only_reads_it_anew(tmp_path, forbid):
    text = LANTERN.read_text("utf-8").replace("../demo_stems", str(PROJECT / "demo_stems"))
    recipe = tmp_path / "lantern.toml"
    page_songs = []
    for level in ("-9.0", "-3.0"):
        recipe.write_text(text.replace("octave = -9.0", f"octave = {level}"), "utf-8")
        page_songs.append(prepare_page(read_recipe(recipe), sections=["chorus"], seconds=2.5).song)
        forbid("outputs.artist_page.loops.write_flac")
    first, other = (page_song.sections[0] for page_song in page_songs)
    assert [layer.level_db for layer in other.layers] == [0.0, -3.0]
    assert other.sounds == first.sounds
    assert other.waveform != first.waveform
    recipe.write_text(text.replace("pan = -100", "pan = -90", 1), "utf-8")
    with pytest.raises(AssertionError, match="done again"):
        prepare_page(read_recipe(recipe), sections=["chorus"], seconds=2.5)


@pytest.mark.slow
def test_what_was_damaged_in_the_cache_is_made_again(tmp_path):
    file, cache = read_recipe(LANTERN), TakeCache(tmp_path)
    first = prepare_page(file, sections=["chorus"], seconds=1.0, cache=cache)
    loops, readings = (sorted(tmp_path.glob(f"*.{kind}")) for kind in ("loop", "readings"))
    assert (len(loops), len(readings)) == (3, 1)
    for harm in (lambda data: data[:-1], lambda data: data[:99] + b"!" + data[100:], lambda data: b""):
        for kept in (loops[0], readings[0]):
            whole = kept.read_bytes()
            kept.write_bytes(harm(whole))
            again = prepare_page(file, sections=["chorus"], seconds=1.0, cache=cache)
            assert build_page(again.song) == build_page(first.song)
            assert kept.read_bytes() == whole


def test_nothing_but_an_earlier_page_is_replaced(tmp_path):
    other = tmp_path / "recipe.toml"
    other.write_text("precious")
    with pytest.raises(OutputError, match="left alone"):
        write_page(other, b"page")
    assert other.read_text() == "precious"
    with pytest.raises(OutputError, match="cannot be written"):
        write_page(other / "page.html", b"page")


@pytest.mark.slow
def test_a_song_without_sections_is_chosen_as_a_whole(tmp_path, browser):
    text = LANTERN.read_text("utf-8").replace("../demo_stems", str(PROJECT / "demo_stems"))
    recipe = tmp_path / "lantern.toml"
    recipe.write_text(re.sub(r"\[\[section\]\]\n(?:[a-z].*\n)*", "", text), "utf-8")
    assert read_recipe(recipe).recipe.section == []
    out = tmp_path / "page.html"
    made = run_command("page", recipe, "--seconds", "2", "--out", out, "--json")
    assert [part["section"] for part in json.loads(made.stdout)["sections"]] == ["whole song"]
    page = browser.new_page()
    page.goto(out.as_uri())
    page.locator("#level-1").fill("-7.5")
    page.locator("#save").click()
    line = page.locator("#answer").input_value()
    page.close()
    told = run_command("levels", recipe, "--yes", "--accept", f"Hi!\n\n{line}\n")
    assert told.exit_code == 0, told.output
    (octave,) = (layer for layer in read_recipe(recipe).recipe.layer if layer.name == "octave")
    assert octave.level_db == -7.5
    again = prepare_page(read_recipe(recipe), seconds=2.0)
    assert [layer.level_db for layer in again.song.sections[0].layers] == [0.0, -7.5]


def test_settings_and_ranges_come_from_the_recipe(tmp_path):
    text = LANTERN.read_text("utf-8").replace("../demo_stems", str(PROJECT / "demo_stems")).partition("[page]")[0]
    recipe = tmp_path / "lantern.toml"
    mark = '[[page.setting]]\nname = "a shimmer"\nlevels_db = { octave = -15 }\n'
    recipe.write_text(f"{text}\n[page]\nrange_db = [-30, 3]\nstep_db = 1\n{mark}", "utf-8")
    page_song = prepare_page(read_recipe(recipe), sections=["chorus"], seconds=2.5).song
    assert (page_song.low_db, page_song.high_db, page_song.step_db) == (-30, 3, 1)
    (setting,) = page_song.settings
    assert (setting.name, dict(setting.levels_db)) == ("a shimmer", {"octave": -15.0})
    recipe.write_text(f"{text}\n[page]\nrange_db = [0, -24]\n{mark.replace('octave', 'octaves')}", "utf-8")
    with pytest.raises(RecipeError) as refusal:
        read_recipe(recipe)
    assert "the lower level first" in str(refusal.value)
    assert 'did you mean "octave"' in str(refusal.value)


def test_the_page_id_follows_takes_bars_and_reference_and_nothing_else(tmp_path):
    text = LANTERN.read_text("utf-8").replace("../demo_stems", str(PROJECT / "demo_stems"))
    recipe, cache = tmp_path / "lantern.toml", TakeCache()

    def id_of(changed):
        recipe.write_text(changed, "utf-8")
        return page_id_of(read_recipe(recipe).recipe, cache)

    first = id_of(text)
    assert re.fullmatch("[0-9a-f]{16}", first)
    for old, new in (("octave = -9.0", "octave = -3.0"), ('title = "Lantern on the Pier"', 'title = "Lantern"')):
        assert old in text
        assert id_of(text.replace(old, new)) == first
    for old, new in (("pan = -100", "pan = -90"), ("bars = [5, 8]", "bars = [5, 7]"), ("tempo = 58", "tempo = 59")):
        assert old in text
        assert id_of(text.replace(old, new, 1)) != first


@pytest.mark.slow
def test_the_command_says_what_it_gave_up_for_the_size(tmp_path):
    out = tmp_path / "page.html"
    words = ["page", str(LANTERN), "--section", "chorus", "--most-mb", "1", "--out", str(out)]
    made = run_command(*words)
    assert made.exit_code == 0
    assert "sound coded with 14 instead of 16 bits, to stay below 1 MB" in made.stdout
    assert f"{out.stat().st_size / 1e6:.1f} MB is more than 1 MB" in made.stderr


def test_a_section_is_not_held_in_memory_after_it_was_encoded():
    file, cache = read_recipe(LANTERN), TakeCache()
    song = process_takes(file, cache)
    loops = Loops(song, parts_of(song, ["chorus"], 2.5)[0], lambda shaped_by, kind, make: make())
    sound = weakref.ref(loops.heard(0))
    gc.disable()
    try:
        del loops
        assert sound() is None
    finally:
        gc.enable()

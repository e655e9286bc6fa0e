"""From a recipe to the page: the sound in it is the blend's, it loops on the bar, its figures are the energies'."""

from __future__ import annotations

import dataclasses
import io
import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from layerpipe.cli import program
from layerpipe.core.errors import OutputError, RecipeError
from layerpipe.core.units import frames_of_ms, gain_of_db
from layerpipe.dsp.loudness import integrated, measure
from layerpipe.dsp.peaks.true_peak import true_peak
from layerpipe.jobs.page import prepare_page
from layerpipe.outputs.artist_page import build_page, write_page
from layerpipe.outputs.artist_page.build import MOST_BYTES, make_page_song
from layerpipe.outputs.artist_page.loops import JOINT_MS, PagePart, parts_of
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies.readings import EnergyMeter
from layerpipe.render.layers import sum_layer, take_pans
from layerpipe.render.pipeline import measure_song, process_takes
from tests.support.pages.browser import rendered

PROJECT = Path(__file__).resolve().parents[2]
LANTERN = PROJECT / "recipes" / "lantern.toml"


@pytest.fixture(scope="module")
def lantern():
    """The demo song with its takes processed, its energies, and the page's song."""
    cache = TakeCache()
    song = process_takes(read_recipe(LANTERN), cache)
    energies = measure_song(song, cache)
    sheet, bits = make_page_song(song, energies, parts_of(song, [], 20.0), workers=1)
    assert bits == 16
    return song, energies, sheet


def layers_at_0_db(song, start, stop):
    """Every layer, then the bed, (frames, 2), straight from the processed takes."""
    sounds = []
    for layer in song.layers:
        mine = song.takes_of(layer)
        sounds.append(sum_layer([song.takes[n].sound.read_float32(start, stop) for n in mine],
                                [take_pans(song.takes[n].take) for n in mine], 1.0))
    return [*sounds, song.bed.read(start, stop) * song.bed_gain]


def decoded(sound):
    samples, _ = soundfile.read(io.BytesIO(sound.flac), always_2d=True)
    return samples * sound.gain


def test_each_sound_is_its_layer_until_the_joint_and_then_leads_back_to_the_beginning(lantern):
    song, _, sheet = lantern
    joint = frames_of_ms(JOINT_MS, song.rate_hz)
    for part, section in zip(song.sections, sheet.sections, strict=True):
        wanted = layers_at_0_db(song, part.start - joint, part.stop)
        for sound, layer in zip(section.sounds, wanted, strict=True):
            heard, before, own = decoded(sound), layer[:joint], layer[joint:]
            assert len(heard) == section.frames == part.stop - part.start
            # Triangular dither at 16 bits: no error passes two steps.
            np.testing.assert_allclose(heard[:-joint], own[:-joint], atol=2 * sound.gain / 32768, rtol=0)
            turn = ((np.arange(joint) + 0.5) / joint * np.pi / 2)[:, None]
            np.testing.assert_allclose(heard[-joint:], own[-joint:] * np.cos(turn) + before * np.sin(turn),
                                       atol=2 * sound.gain / 32768, rtol=0)


def test_from_the_last_frame_to_the_first_is_the_step_the_song_itself_makes_there(lantern):
    song, _, sheet = lantern
    for part, section in zip(song.sections, sheet.sections, strict=True):
        wanted = layers_at_0_db(song, part.start - 1, part.start + 1)
        for sound, layer in zip(section.sounds, wanted, strict=True):
            heard = decoded(sound)
            # Half a frame before its end the joint still holds sin(pi/2 / 1440) = 0.1 % of what fades out.
            room = 0.002 * np.abs(heard).max() + 2e-4
            np.testing.assert_allclose(heard[0] - heard[-1], layer[1] - layer[0], atol=room, rtol=0)


def test_levels_names_and_bars_are_the_recipes(lantern):
    song, _, sheet = lantern
    assert sheet.title == song.recipe.song.title
    assert sheet.layers == ("regular", "octave")
    assert [section.name for section in sheet.sections] == [section.name for section in song.recipe.section]
    assert [section.layers[1].level_db for section in sheet.sections] == [-math.inf, -9.0, -15.0, -8.0]
    chorus = sheet.sections[1]
    assert [bar for bar, _ in chorus.bars] == [5, 6, 7, 8]
    # 6/8 at 58 dotted quarters: a bar of two beats lasts 120/58 s.
    assert [seconds for _, seconds in chorus.bars] == pytest.approx([n * 120 / 58 for n in range(4)], abs=1e-4)


def test_the_products_give_the_loudness_of_any_setting(lantern, rng):
    song, _, sheet = lantern
    for part, section in zip(song.sections, sheet.sections, strict=True):
        before = song.rate_hz  # a second for the filters to settle, as they had in the song
        sounds = np.stack(layers_at_0_db(song, part.start - before, part.stop)) if part.start >= before else None
        if sounds is None:
            continue
        for _ in range(2):
            mix = rng.uniform(0, 1, 3)
            upper, lower = np.triu_indices(3)
            weights = mix[upper] * mix[lower] * np.where(upper == lower, 1, 2)
            own = integrated(section.products @ weights)
            blend = np.tensordot(mix, sounds, 1)[before:]
            assert own == pytest.approx(measure(blend, song.rate_hz).integrated_lufs, abs=0.05)


def test_the_common_loudness_is_the_highest_at_which_no_setting_passes_the_ceiling(lantern, rng):
    song, _, sheet = lantern
    # In this section the ceiling, not the loudness that is wanted, decides.
    section = sheet.sections[2]
    assert section.reference_lufs < song.recipe.preview.loudness_lufs - 0.1
    sounds = [decoded(sound) for sound in section.sounds]
    upper, lower = np.triu_indices(3)
    rooms = []
    # The levels of the slider's whole range, some between them, with and without the bed; each layer alone.
    levels = [-math.inf, *range(-24, 1, 3), *rng.uniform(-24, 0, 4)]
    mixes = [[1.0, gain_of_db(level), bed] for level in levels for bed in (0.0, 1.0)] + [[0.0, 1.0, 0.0]]
    for mix in mixes:
        weights = np.outer(mix, mix)[upper, lower] * np.where(upper == lower, 1, 2)
        peak = true_peak(np.tensordot(mix, sounds, 1)).max()
        rooms.append(integrated(section.products @ weights) - 20 * math.log10(peak))
    ceiling = song.recipe.preview.ceiling_dbtp
    assert section.reference_lufs <= min(rooms) + ceiling
    assert section.reference_lufs == pytest.approx(min(rooms) + ceiling - 0.25, abs=0.05)


def test_the_demo_sounds_in_the_page_as_in_the_blend(lantern, browser, tmp_path):
    song, _, sheet = lantern
    one = dataclasses.replace(sheet, sections=sheet.sections[1:2])
    path = tmp_path / "letter.html"
    path.write_bytes(build_page(one))
    part, section = song.sections[1], sheet.sections[1]
    sounds = layers_at_0_db(song, part.start, part.stop)
    joint = frames_of_ms(JOINT_MS, song.rate_hz)
    page = browser.new_page()
    page.goto(path.as_uri())
    for level, bed in ((None, False), (-9.0, False), (-3.0, True)):
        heard = rendered(page, 0, levels=[0, level], bed=bed, seconds=section.frames / song.rate_hz)
        blend = sounds[0] + gain_of_db(-math.inf if level is None else level) * sounds[1] + bed * sounds[2]
        master = gain_of_db(section.reference_lufs - measure(blend, song.rate_hz).integrated_lufs)
        residual = (heard - master * blend)[:-joint]
        assert 20 * math.log10(math.sqrt(np.mean(residual**2))) < -80
        assert measure(heard, song.rate_hz).integrated_lufs == pytest.approx(section.reference_lufs, abs=0.05)
        assert np.abs(heard).max() < gain_of_db(song.recipe.preview.ceiling_dbtp)
    page.close()


def test_long_sections_end_on_a_bar_and_named_ones_come_alone(lantern):
    song, _, _ = lantern
    (part,) = parts_of(song, ["chorus"], 5.0)
    assert part.start == song.sections[1].start
    assert (part.stop - part.start) / song.rate_hz == pytest.approx(2 * 120 / 58, abs=1e-4)
    assert [bar for bar, _ in part.bars] == [5, 6]
    (short,) = parts_of(song, ["chorus"], 1.0)
    assert short.stop - short.start == song.rate_hz
    with pytest.raises(RecipeError, match=r"under 0\.42 s"):
        parts_of(song, ["chorus"], 0.3)
    with pytest.raises(RecipeError, match="no section"):
        parts_of(song, ["bridge"], 20.0)


def test_four_long_sections_of_three_layers_and_a_bed_fit_a_mailbox(lantern):
    song, _, _ = lantern
    # The demo's own sound as a third layer: the octave pair again under another name.
    third = song.layers[1].model_copy(update={"name": "rakes"})
    voices = (*song.takes, *(dataclasses.replace(song.takes[n], layer=third) for n in song.takes_of(song.layers[1])))
    recipe = song.recipe.model_copy(update={"layer": [*song.recipe.layer, third], "section": []})
    longer = dataclasses.replace(song, recipe=recipe, takes=voices)
    meter = EnergyMeter(longer.channels, song.rate_hz)
    for at, blocks in longer.blocks(0, longer.frames, 1 << 16):
        meter.add(longer.channels_of(blocks, at))
    parts = [PagePart(f"part {n}", longer.whole, at, at + 20 * song.rate_hz, ())
             for n, at in enumerate(np.linspace(0, longer.frames - 20 * song.rate_hz, 4).astype(int).tolist())]
    sheet, bits = make_page_song(longer, meter.finish(), parts, workers=2)
    assert len(build_page(sheet)) <= MOST_BYTES
    assert bits in (14, 15)
    samples = decoded(sheet.sections[0].sounds[0])
    steps = samples / sheet.sections[0].sounds[0].gain * 2 ** (bits - 1)
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-6)
    # Triangular dither: error power of a quarter step (Lipshitz, Wannamaker, Vanderkooy 1992), at 14 bits -84.3 dB.
    error = samples[: -song.rate_hz] - layers_at_0_db(song, 0, 20 * song.rate_hz)[0][: -song.rate_hz]
    assert 20 * math.log10(np.sqrt(np.mean(error**2))) == pytest.approx(20 * math.log10(2.0**-bits), abs=0.1)


def test_the_command_writes_the_same_page_twice_and_tells_its_size(tmp_path):
    out = tmp_path / "deep" / "letter.html"
    words = ["page", str(LANTERN), "--section", "chorus", "--seconds", "3", "--out", str(out), "--json"]
    told = [CliRunner().invoke(program(), words) for _ in range(2)]
    assert [run.exit_code for run in told] == [0, 0]
    assert told[0].stdout == told[1].stdout
    document = json.loads(told[0].stdout)
    assert document["bytes"] == out.stat().st_size
    assert document["bits"] == 16
    (section,) = document["sections"]
    assert section["section"] == "chorus"
    first = out.read_bytes()
    CliRunner().invoke(program(), ["page", str(LANTERN), "--section", "chorus", "--seconds", "3", "--out", str(out)])
    assert out.read_bytes() == first
    assert [path.name for path in out.parent.iterdir()] == ["letter.html"]


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
    first, _ = prepare_page(file, sections=["verse"], seconds=2.5)
    forbid("outputs.artist_page.loops._encode", "outputs.artist_page.loops.sum_layer",
           "outputs.artist_page.build._readings")
    again, _ = prepare_page(file, sections=["verse"], seconds=2.5)
    assert build_page(again) == build_page(first)
    with pytest.raises(AssertionError, match="done again"):
        prepare_page(file, sections=["verse"], seconds=4.5)


def test_another_level_keeps_the_sound_and_only_reads_it_anew(tmp_path, forbid):
    text = LANTERN.read_text("utf-8").replace("../demo_stems", str(PROJECT / "demo_stems"))
    recipe = tmp_path / "lantern.toml"
    sheets = []
    for level in ("-9.0", "-3.0"):
        recipe.write_text(text.replace("octave = -9.0", f"octave = {level}"), "utf-8")
        sheets += prepare_page(read_recipe(recipe), sections=["chorus"], seconds=2.5)[:1]
        forbid("outputs.artist_page.loops._encode")
    first, other = (sheet.sections[0] for sheet in sheets)
    assert [layer.level_db for layer in other.layers] == [0.0, -3.0]
    assert other.sounds == first.sounds
    assert other.waveform != first.waveform
    recipe.write_text(text.replace("pan = -100", "pan = -90", 1), "utf-8")
    with pytest.raises(AssertionError, match="done again"):
        prepare_page(read_recipe(recipe), sections=["chorus"], seconds=2.5)


def test_what_was_damaged_in_the_store_is_made_again(tmp_path):
    file, cache = read_recipe(LANTERN), TakeCache(tmp_path)
    first, _ = prepare_page(file, sections=["chorus"], seconds=1.0, cache=cache)
    loops, readings = (sorted(tmp_path.glob(f"*.{kind}")) for kind in ("loop", "readings"))
    assert (len(loops), len(readings)) == (3, 1)
    for harm in (lambda data: data[:-1], lambda data: data[:99] + b"!" + data[100:], lambda data: b""):
        for kept in (loops[0], readings[0]):
            whole = kept.read_bytes()
            kept.write_bytes(harm(whole))
            again, _ = prepare_page(file, sections=["chorus"], seconds=1.0, cache=cache)
            assert build_page(again) == build_page(first)
            assert kept.read_bytes() == whole


def test_nothing_but_an_earlier_page_is_replaced(tmp_path):
    other = tmp_path / "recipe.toml"
    other.write_text("precious")
    with pytest.raises(OutputError, match="left alone"):
        write_page(other, b"page")
    assert other.read_text() == "precious"
    with pytest.raises(OutputError, match="cannot be written"):
        write_page(other / "letter.html", b"page")


def test_a_song_without_sections_is_chosen_as_a_whole(tmp_path, browser):
    text = LANTERN.read_text("utf-8").replace("../demo_stems", str(PROJECT / "demo_stems"))
    recipe = tmp_path / "lantern.toml"
    recipe.write_text(re.sub(r"\[\[section\]\]\n(?:[a-z].*\n)*", "", text), "utf-8")
    assert read_recipe(recipe).recipe.section == []
    out = tmp_path / "letter.html"
    made = CliRunner().invoke(program(), ["page", str(recipe), "--seconds", "2", "--out", str(out), "--json"])
    assert [part["section"] for part in json.loads(made.stdout)["sections"]] == ["whole song"]
    page = browser.new_page()
    page.goto(out.as_uri())
    page.locator("#level-1").fill("-7.5")
    page.locator("#keep button").click()
    line = page.locator("#line").input_value()
    page.close()
    told = CliRunner().invoke(program(), ["levels", str(recipe), "--accept", f"Hi!\n\n{line}\n"])
    assert told.exit_code == 0, told.output
    (octave,) = (layer for layer in read_recipe(recipe).recipe.layer if layer.name == "octave")
    assert octave.level_db == -7.5
    again, _ = prepare_page(read_recipe(recipe), seconds=2.0)
    assert [layer.level_db for layer in again.sections[0].layers] == [0.0, -7.5]


def test_marks_and_ranges_come_from_the_recipe(tmp_path):
    text = LANTERN.read_text("utf-8").replace("../demo_stems", str(PROJECT / "demo_stems")).partition("[page]")[0]
    recipe = tmp_path / "lantern.toml"
    mark = '[[page.setting]]\nname = "a shimmer"\nlevels_db = { octave = -15 }\n'
    recipe.write_text(f"{text}\n[page]\nrange_db = [-30, 3]\nstep_db = 1\n{mark}", "utf-8")
    sheet, _ = prepare_page(read_recipe(recipe), sections=["chorus"], seconds=2.5)
    assert (sheet.low_db, sheet.high_db, sheet.step_db) == (-30, 3, 1)
    assert [(mark.name, dict(mark.levels_db)) for mark in sheet.marks] == [("a shimmer", {"octave": -15.0})]
    recipe.write_text(f"{text}\n[page]\nrange_db = [0, -24]\n{mark.replace('octave', 'octaves')}", "utf-8")
    with pytest.raises(RecipeError) as refusal:
        read_recipe(recipe)
    assert "the lower level first" in str(refusal.value)
    assert 'did you mean "octave"' in str(refusal.value)

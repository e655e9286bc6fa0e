"""Compare: changes in the trade's words, and what they did, down to the sample."""

from __future__ import annotations

import copy
import json
import math
import os
from xml.etree import ElementTree

import numpy as np
import pytest

from layerpipe.outputs.bounce.manifest import settings_of
from layerpipe.outputs.verify.null_test import null_test
from layerpipe.outputs.verify.recipe_diff import recipe_changes
from layerpipe.outputs.verify.stem_file import StemFile
from layerpipe.recipe.model.recipe import Recipe
from tests.support.command import run_command
from tests.support.songs import RATE_HZ, plucked, write_take


@pytest.fixture
def compare(studio, monkeypatch):
    """Compare two paths: exit code, document, files by name."""
    monkeypatch.setenv("LAYERPIPE_CACHE", os.fspath(studio[0] / "cache"))

    def run(old, new, *options):
        done = run_command("compare", old, new, "--json", *options)
        told = json.loads(done.stdout)
        return done.exit_code, told, {file["file"]: file for file in told.get("files", [])}

    return run


def test_a_bounce_is_the_same_bytes_as_itself_and_as_its_recipe(studio, compare):
    plain = studio.bounced("plain")
    for other in (plain, studio[0] / "plain.toml"):
        code, told, files = compare(plain, other)
        assert (code, told["verdict"], told["recipe"]) == (0, "same bytes", [])
        assert {file["verdict"] for file in files.values()} == {"same bytes"}
        assert {file["residual_peak_dbfs"] for file in files.values()} == {"-inf"}


@pytest.mark.slow
def test_a_level_and_a_corner_are_told_in_words_and_only_they_differ(studio, compare):
    def change(recipe):
        recipe["section"][1]["levels_db"] = {"octave": -7.5}
        right = recipe["layer"][0]["take"][1]
        right["chain"] = copy.deepcopy(recipe["layer"][0]["chain"])
        right["chain"]["high_pass"][1]["hz"] = 100

    code, told, files = compare(studio.bounced("plain"), studio.bounced("louder", change))
    assert (code, told["verdict"]) == (1, "different")
    assert told["recipe"] == ["chorus: octave -9.0 -> -7.5 dB", "regular / right: high-pass 80 -> 100 Hz"]
    assert files["takes/regular-left.wav"]["verdict"] == files["takes/octave-right.wav"]["verdict"] == "same bytes"
    assert files["takes/regular-right.wav"]["verdict"] == files["blend.wav"]["verdict"] == "different"
    octave = {part["section"]: part for part in files["layers/octave.wav"]["sections"]}
    # 1.5 dB more leaves 10^(1.5 / 20) - 1 of what was there: 14.5 dB under it.
    loud = octave["chorus"]
    assert loud["after"]["integrated_lufs"] - loud["before"]["integrated_lufs"] == pytest.approx(1.5, abs=0.01)
    assert files["layers/octave.wav"]["residual_rms_dbfs"] < files["blend.wav"]["residual_rms_dbfs"] + 30


@pytest.mark.slow
def test_a_constant_gain_is_told_apart_from_a_real_difference(studio, compare):
    def change(recipe):
        recipe["layer"][1]["take"][0]["gain_db"] = -3.0

    _, told, files = compare(studio.bounced("plain"), studio.bounced("softer", change))
    take = files["takes/octave-left.wav"]
    assert take["verdict"] == "same up to gain"
    assert take["gain_db"] == pytest.approx(-3.0, abs=0.001)
    assert take["offset_frames"] == 0
    assert take["residual_peak_dbfs"] < -130
    assert told["verdict"] == "different"
    assert told["recipe"] == ["octave / left: gain 0.0 -> -3.0 dB"]


def test_only_a_gain_makes_the_whole_bounce_the_same_up_to_gain_and_exit_code_1(studio, compare):
    def change(recipe):
        for layer in recipe["layer"]:
            for take in layer["take"]:
                take["gain_db"] = 1.0

    code, told, files = compare(studio.bounced("plain"), studio.bounced("all louder", change))
    assert (code, told["verdict"]) == (1, "same up to gain")
    assert all(file["gain_db"] == pytest.approx(1.0, abs=0.001) for file in files.values())


def test_a_sample_offset_and_a_flipped_take_are_found(tmp_path):
    sound = plucked(5)
    write_take(tmp_path / "old.wav", sound)
    write_take(tmp_path / "later.wav", np.concatenate([np.zeros(137), sound]))
    write_take(tmp_path / "earlier.wav", -0.5 * sound[731:])
    later = null_test(StemFile(tmp_path / "old.wav"), StemFile(tmp_path / "later.wav"), [(0, RATE_HZ)])
    earlier = null_test(StemFile(tmp_path / "old.wav"), StemFile(tmp_path / "earlier.wav"), [])
    assert later is not None
    assert earlier is not None
    assert (later.verdict, later.offset_frames, later.gain_db) == ("same up to gain", 137, 0.0)
    assert later.whole.peak_dbfs == -math.inf
    assert (earlier.verdict, earlier.offset_frames, earlier.inverted) == ("same up to gain", -731, True)
    assert earlier.gain_db == pytest.approx(-6.02, abs=0.01)


def test_one_changed_sample_is_a_difference_of_its_own_size(tmp_path):
    sound = plucked(6)
    write_take(tmp_path / "old.wav", sound)
    sound[100_000] += 0.25
    write_take(tmp_path / "new.wav", sound)
    null = null_test(StemFile(tmp_path / "old.wav"), StemFile(tmp_path / "new.wav"),
                     [(0, 100_000), (100_000, 150_000)])
    assert null is not None
    assert (null.verdict, null.gain_db, null.offset_frames) == ("different", 0.0, 0)
    assert null.whole.peak_dbfs == pytest.approx(20 * math.log10(0.25), abs=1e-4)
    assert [span.peak_dbfs for span in null.spans] == [-math.inf, pytest.approx(null.whole.peak_dbfs)]
    assert int(np.argmax(null.picture[:, 0])) == 100_000 // (RATE_HZ // 10)


def test_other_bytes_of_the_same_sound_are_the_same_sound(studio, compare):
    def change(recipe):
        recipe["bounce"] = {"time_reference_s": 3600.0}

    code, told, files = compare(studio.bounced("plain"), studio.bounced("dated", change))
    assert (code, told["verdict"]) == (0, "same sound")
    assert told["recipe"] == ["bounce: time reference 0 -> 3600 s"]
    assert {file["verdict"] for file in files.values()} == {"same sound"}


def test_files_in_one_bounce_only_are_named(studio, compare):
    def change(recipe):
        del recipe["layer"][1]
        del recipe["section"][0]["levels_db"]

    code, told, files = compare(studio.bounced("plain"), studio.bounced("alone", change))
    assert code == 1
    assert files["layers/octave.wav"]["problem"] == "only in the old bounce"
    assert files["layers/octave.wav"]["residual_peak_dbfs"] is None
    assert "octave: layer removed" in told["recipe"]


def test_another_recording_under_the_same_name_is_told(studio, compare):
    folder = studio[0]
    plain = studio.bounced("plain")
    take = folder / "octave-left.wav"
    content = take.read_bytes()
    write_take(take, plucked(99, octave=True))
    try:
        _, told, _ = compare(plain, folder / "plain.toml")
    finally:
        take.write_bytes(content)
    assert told["recipe"] == ["octave / left: another recording (octave-left.wav)"]


def test_a_picture_shows_the_residual_of_every_file(studio, compare, tmp_path):
    compare(studio.bounced("plain"), studio.bounced("dated", lambda recipe: recipe.update(
        bounce={"time_reference_s": 3600.0})), "--picture", os.fspath(tmp_path / "left.svg"))
    drawn = ElementTree.parse(tmp_path / "left.svg").getroot()
    words = " ".join(text.text or "" for text in drawn.iter("{http://www.w3.org/2000/svg}text"))
    assert words.count("peak (area) and RMS") == 7
    assert words.count("wav: same sound;") == 7
    assert "chorus" in words


def test_table_and_picture_use_one_word_for_one_verdict(studio, compare, tmp_path):
    plain, picture = studio.bounced("plain"), tmp_path / "same.svg"
    _, told, files = compare(plain, plain, "--picture", os.fspath(picture))
    assert told["verdict"] == "same bytes"
    for name in files:
        assert f"{name}: same bytes;" in picture.read_text()
    done = run_command("compare", plain, plain)
    assert "same bytes" in done.stdout
    assert "--: not measurable, or nothing to compare with" in done.stdout


def test_a_picture_is_not_drawn_over_a_take(studio, compare, tmp_path):
    folder = studio[0]
    link = tmp_path / "picture.svg"
    link.symlink_to(folder / "octave-left.wav")
    before = (folder / "octave-left.wav").read_bytes()
    code, told, _ = compare(studio.bounced("plain"), folder / "plain.toml", "--picture", os.fspath(link))
    assert code == 1
    assert "picture.svg" in told["refused"]
    assert "octave-left.wav" in told["refused"]
    assert (folder / "octave-left.wav").read_bytes() == before


@pytest.mark.parametrize("wrong", ["nowhere", "folder"])
def test_what_is_neither_bounce_nor_recipe_is_a_wrong_command_line(studio, tmp_path, wrong):
    (tmp_path / "folder").mkdir()
    done = run_command("compare", studio.bounced("plain"), tmp_path / wrong)
    assert done.exit_code == 2
    assert wrong in done.stderr


def _settings(**changes):
    """Settings of a recipe in which every part is used."""
    recipe = {
        "song": {"title": "T", "tempo": 60.0},
        "section": [{"name": "chorus", "bars": [1, 4], "levels_db": {"octave": -9.0}}],
        "layer": [{"name": "octave", "take": [{"name": "left", "file": "a.wav", "pan": -70, "notes": {"room": "small"},
                                               "move": [{"from": "bar 1", "to": "bar 1 beat 2", "by_ms": 34.0}]}],
                   "chain": {"high_pass": [{"hz": 40}, {"hz": 80}],
                             "shelf": [{"side": "high", "hz": 7000, "gain_db": 1.5}],
                             "bell": [{"hz": 2600, "gain_db": -1.5, "q": 1.2}],
                             "compressor": {"hits_db": 2.0}}}],
    }
    for path, value in changes.items():
        table, keys = recipe, path.split("__")
        for key in keys[:-1]:
            table = table[int(key[1:])] if key.startswith("n") and key[1:].isdigit() else table[key]
        table[keys[-1]] = value
    return settings_of(Recipe.of(recipe))


@pytest.mark.parametrize(("changes", "words"), [
    ({"song__tempo": 62.0}, ["song: tempo 60 -> 62"]),
    ({"song__meter": "6/8"}, ["song: meter 4/4 -> 6/8"]),
    ({"section__n0__bars": [1, 8]}, ["chorus: bars 1 to 4 -> 1 to 8"]),
    ({"section__n0__levels_db": {"octave": -math.inf}}, ["chorus: octave -9.0 -> -inf dB"]),
    ({"section__n0__levels_db": {}}, ["chorus: octave -9.0 -> 0.0 dB"]),
    ({"layer__n0__level_db": -3.25}, ["octave: level 0.0 -> -3.25 dB"]),
    ({"layer__n0__chain__high_pass": [{"hz": 40}]}, ["octave: high-pass 80 Hz (12 dB per octave) removed"]),
    ({"layer__n0__chain__high_pass": [{"hz": 40}, {"hz": 80, "slope_db_per_octave": 24}]},
     ["octave: high-pass 80 Hz: dB per octave 12 -> 24"]),
    ({"layer__n0__chain__shelf": [{"side": "high", "hz": 7000, "gain_db": 2.0}]},
     ["octave: high shelf 7000 Hz: gain 1.5 -> 2.0 dB"]),
    ({"layer__n0__chain__bell": []}, ["octave: bell 2600 Hz -1.5 dB, Q 1.2 removed"]),
    ({"layer__n0__chain__compressor": {"hits_db": 3.0}},
     ["octave: compressor: loudest peaks lowered by 2.0 -> 3.0 dB"]),
    ({"layer__n0__chain__compressor": None}, ["octave: compressor removed (2 dB off the loudest peaks, ratio 2)"]),
    ({"layer__n0__take__n0__pan": 0}, ["octave / left: pan 70 left -> centre"]),
    ({"layer__n0__take__n0__mute": True}, ["octave / left: muted"]),
    ({"layer__n0__take__n0__invert_polarity": True}, ["octave / left: polarity inverted"]),
    ({"layer__n0__take__n0__file": "b.wav"}, ["octave / left: file a.wav -> b.wav"]),
    ({"layer__n0__take__n0__notes": {"room": "large"}}, ['octave / left: note on room: "small" -> "large"']),
    ({"layer__n0__take__n0__move": []}, ["octave / left: bar 1 to bar 1 beat 2 no longer moved (was 34 ms later)"]),
    ({"layer__n0__take__n0__move": [{"from": "bar 1", "to": "bar 1 beat 2", "by_ms": -20.0}]},
     ["octave / left: bar 1 to bar 1 beat 2 moved 34 ms later -> 20 ms earlier"]),
    ({"layer__n0__take__n0__chain": {"high_pass": [{"hz": 40}, {"hz": 80}]}},
     ["octave / left: high shelf 7000 Hz +1.5 dB removed", "octave / left: bell 2600 Hz -1.5 dB, Q 1.2 removed",
      "octave / left: compressor removed (2 dB off the loudest peaks, ratio 2)"]),
    ({"bed": {"file": "bed.wav"}}, ["bed: added"]),
    ({"tempo": [{"from_bar": 3, "tempo": 70.0}]}, ["tempo from bar 3: tempo none -> 70"]),
    ({"preview": {"loudness_lufs": -14.0}}, ["preview: loudness -16.0 -> -14.0 LUFS"]),
    ({"bounce": {"bit_depth": 16}}, ["bounce: bit depth 24 -> 16"]),
], ids=lambda case: case[0] if isinstance(case, list) else "")
def test_every_change_has_words(changes, words):
    assert recipe_changes(_settings(), _settings(**changes)) == words


def test_strange_settings_of_a_strangers_manifest_are_read_without_a_mistake():
    for strange in ({}, {"layer": "x"}, {"layer": [1, {"name": 3, "take": {"a": 1}}]}, {"section": [{"name": []}]},
                    {"song": 7, "tempo": [{}], "preview": [], "new table": {"a": {"b_db": None}}},
                    {"section": [{"name": "chorus", "bars": 3}], "layer": [{"name": "octave", "chain": [], "take": [
                        {"name": "left", "chain": 5, "pan": True, "move": [{"by_ms": []}]}]}]}):
        assert isinstance(recipe_changes(strange, _settings()), list)
        assert isinstance(recipe_changes(_settings(), strange), list)


def test_settings_that_an_older_bounce_lacks_are_no_change_and_new_ones_are_told():
    def settings(bed: dict, bounce: dict, **one_pass) -> dict:
        take = {"name": "left", "passes": [{"name": "1", "file": "a.wav", **one_pass}]}
        return {"layer": [{"name": "regular", "take": [take]}], "bed": {"file": "b.wav", **bed}, "bounce": bounce}

    old = settings({}, {"time_reference_s": 0.0})
    assert recipe_changes(old, settings({"starts": 0.0}, {"time_reference_s": None}, notes={})) == []
    assert recipe_changes(old, settings({"starts": "bar 9"}, {"time_reference_s": 60.0}, notes={"pick": "thin"})) == [
        'regular / left: pass 1: note on pick: "" -> "thin"', "bed: starts none -> bar 9",
        "bounce: time reference 0 -> 60 s"]

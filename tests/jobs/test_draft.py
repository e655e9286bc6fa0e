"""A starting recipe: what names suggest, what is skipped and why, and that it reads without faults."""

from __future__ import annotations

import json
import os
import zlib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from layerpipe.core.errors import AudioError, RecipeError
from layerpipe.jobs.draft import MOST_FILES, Draft, draft_recipe, write_draft
from layerpipe.recipe.reader import parse_recipe, read_recipe
from tests.support.command import run_command


@pytest.fixture
def folder(tmp_path):
    """A folder to put takes in."""
    place = tmp_path / "lantern on_the-pier"
    place.mkdir()
    return place


def put(folder: Path, *names: str, seconds: float = 0.1, rate_hz: int = 48_000, channels: int = 1) -> None:
    """Notes that differ from file to file; those with "high" in their names have no low ones."""
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng(zlib.crc32(name.encode()))
        t = np.arange(int(seconds * rate_hz)) / rate_hz
        lowest_hz = 330.0 if "high" in name.casefold() else 110.0
        sound = sum(np.sin(2 * np.pi * lowest_hz * n * t + rng.uniform(0, 6)) / n for n in range(1, 60))
        sound = sound * np.exp(-t) + 0.05 * rng.standard_normal((channels, len(t)))
        soundfile.write(path, 0.1 * sound.T, rate_hz, subtype="PCM_24")


def guessed(draft: Draft) -> list[tuple[str, str, float]]:
    """Layer, take and pan of every take."""
    return [(take.layer, take.name, take.pan) for take in draft.understood.takes]


PAIR = [("regular", "left", -100.0), ("regular", "right", 100.0)]


@pytest.mark.parametrize(("names", "takes"), [
    (["gtr left.wav", "gtr right.wav"], PAIR),
    (["Gtr_L.wav", "Gtr_R.wav"], PAIR),
    (["AcousticLeft.wav", "AcousticRight.wav"], PAIR),
    (["take 1.wav", "take 2.wav"], PAIR),
    (["01.flac", "02.flac"], PAIR),
    (["a.aiff", "b.wav"], PAIR),
    (["right.wav", "other.wav"], [("other", "take", 0.0), ("regular", "right", 100.0)]),
    (["gtr.wav"], [("regular", "take", 0.0)]),
    (["gtr 1.wav"], [("regular", "take", 0.0)]),
    (["gtr left.wav"], [("regular", "left", -100.0)]),
    (["a.wav", "b.wav", "c.wav"], [("regular", "take", 0.0)]),
    (["Gtr Steel L.wav", "gtr_steel_R.wav"], PAIR),
    (["ac gtr L.wav", "acoustic gtr R.wav"], PAIR),
    (["gtr.wav", "gtr dbl.wav"], PAIR),
    (["Take 1.wav", "Take 2.wav", "Take 3.wav"], [("regular", "take", 0.0)]),
    (["gtr L 1.wav", "gtr L 2.wav", "gtr R 1.wav", "gtr R 2.wav"], PAIR),
    (["Lead.wav", "BV Hi L.wav", "BV Hi R.wav"], [
        ("bv hi", "left", -100.0), ("bv hi", "right", 100.0), ("lead", "take", 0.0)]),
    (["Lead Vox 1.wav", "Lead Vox 2.wav"], [("regular", "take", 0.0)]),
    (["Gtr G.wav", "Gtr D.wav", "capo D.wav"], [
        ("gtr", "left", -100.0), ("gtr", "right", 100.0), ("capo d", "take", 0.0)]),
    (["Gtr 1 L.wav", "Gtr 1 R.wav", "Gtr 2 L.wav", "Gtr 2 R.wav"], [
        ("gtr1", "left", -100.0), ("gtr1", "right", 100.0), ("gtr2", "left", -100.0), ("gtr2", "right", 100.0)]),
    (["gtr take 1 L.wav", "gtr take 2 L.wav"], [("regular", "left", -100.0)]),
    (["Lead Vox.wav", "Lead Vox Dbl.wav"], [("lead vox", "take", 0.0), ("lead vox double", "take", 0.0)]),
    (["country gtr L.wav", "country gtr R.wav"], PAIR),
    (["Saxophone.wav"], [("regular", "take", 0.0)]),
    (["gtr 1.wav", "gtr 2.wav", "gtr 3.wav", "gtr 4.wav"], [
        *PAIR, ("regular", "left 2", -100.0), ("regular", "right 2", 100.0)]),
    (["gtr L.wav", "gtr R.wav", "high gtr L.wav", "high gtr R.wav"], [
        *PAIR, ("octave", "left", -100.0), ("octave", "right", 100.0)]),
    (["oct_1.wav", "reg_1.wav", "oct_2.wav", "reg_2.wav"], [
        *PAIR, ("octave", "left", -100.0), ("octave", "right", 100.0)]),
    (["GtrHighStrungL.wav", "GtrL.wav"], [("regular", "left", -100.0), ("octave", "left", -100.0)]),
    (["rakes L.wav", "rakes R.wav", "rhythm L.wav", "rhythm R.wav", "solo.wav"], [
        ("rakes", "left", -100.0), ("rakes", "right", 100.0), ("rhythm", "left", -100.0), ("rhythm", "right", 100.0),
        ("solo", "take", 0.0)]),
    (["blend L.wav", "blend R.wav", "muted L.wav", "muted R.wav"], [
        ("regular", "left", -100.0), ("regular", "right", 100.0), ("muted", "left", -100.0),
        ("muted", "right", 100.0)]),
])
def test_names_suggest_layers_and_sides(folder, names, takes):
    put(folder, *names)
    assert guessed(draft_recipe(folder, folder)) == takes


def test_a_name_that_says_high_is_an_octave_only_without_low_notes(folder):
    put(folder, "gtr L.wav", "gtr R.wav", "hi gain gtr L.wav", "hi gain gtr R.wav")
    assert [layer.octave for layer in draft_recipe(folder, folder).understood.layers] == [False, False]


def test_a_draft_is_a_recipe_whose_comments_are_settings_that_work(folder):
    put(folder, "gtr left.wav", "gtr right.wav", "high left.wav", "high right.wav")
    put(folder, "bed.wav", channels=2)
    draft = draft_recipe(folder, folder)
    recipe = parse_recipe(folder / "song.toml", draft.text).recipe
    assert recipe.song.title == "Lantern On The Pier"
    assert [layer.name for layer in recipe.layer] == ["regular", "octave"]
    assert recipe.layer[1].level_db == -9.0
    assert recipe.layer[0].take[0].file == folder.resolve() / "gtr left.wav"
    assert recipe.bed is not None
    assert recipe.bed.file.name == "bed.wav"
    # Every comment that contains a setting is a good setting once its # is removed.
    lines = draft.text.split("\n")
    opened = [line[2:] if line.startswith("# ") and ("=" in line or line.startswith("# [")) else line for line in lines]
    whole = parse_recipe(folder / "song.toml", "\n".join(opened)).recipe
    assert whole.song.tempo == 100.0
    assert whole.section[0].levels_db == {"octave": -12.0}
    assert whole.layer[0].chain.high_pass[0].hz == 40


def test_lengths_rates_and_channels_are_in_comments(folder):
    put(folder, "a left.wav", seconds=2.0)
    put(folder, "a right.wav", seconds=1.5, rate_hz=44_100)
    put(folder, "a middle.wav", seconds=2.0, channels=3)
    text = draft_recipe(folder, folder).text
    assert 'file = "a left.wav"   # 0:02.000 long, 48 kHz' in text
    assert "0:01.500 long, 44.1 kHz" in text
    assert "channel = 1         # of 3; a take is one channel" in text
    assert "# not certain: has 3 channels; the first is used here\n" in text
    assert "sample_rate_hz = 48000   # takes at another rate are converted" in text


def test_files_are_relative_to_the_recipes_folder(tmp_path, folder):
    put(folder, "one/left.wav", "one/right.wav")
    text = draft_recipe(folder, tmp_path / "recipes").text
    assert 'file = "../lantern on_the-pier/one/left.wav"' in text


def test_files_that_are_not_audio_are_skipped_with_the_reason(folder):
    put(folder, "left.wav", "right.wav", ".hidden.wav", "a\u202eb.wav")
    (folder / "notes.txt").write_text("play it again")
    (folder / "empty.wav").write_bytes(b"")
    os.mkfifo(folder / "pipe.wav")
    draft = draft_recipe(folder, folder)
    assert guessed(draft) == PAIR
    why = {skip.file.name: skip.why for skip in draft.skipped}
    assert sorted(why) == ["a\u202eb.wav", "empty.wav", "notes.txt", "pipe.wav"]
    assert "looks like text" in why["notes.txt"]
    assert "is empty" in why["empty.wav"]
    assert "pipe" in why["pipe.wav"]
    assert "invisible character U+202E" in why["a\u202eb.wav"]


def test_a_folder_without_takes_is_refused_with_every_reason(folder):
    (folder / "notes.txt").write_text("play it again")
    with pytest.raises(AudioError, match="contains no usable audio file") as refusal:
        draft_recipe(folder, folder)
    assert "notes.txt: 1 fault\n  is not a supported audio file; it looks like text" in str(refusal.value)


def test_what_is_no_folder_of_one_song_is_refused(folder):
    with pytest.raises(RecipeError, match="there is no such folder"):
        draft_recipe(folder / "none", folder)
    (folder / "file").write_text("x")
    with pytest.raises(RecipeError, match="is not a folder"):
        draft_recipe(folder / "file", folder)
    for n in range(MOST_FILES):
        (folder / str(n)).touch()
    with pytest.raises(RecipeError, match=f"more than {MOST_FILES} files"):
        draft_recipe(folder, folder)


def test_odd_names_of_files_still_make_a_good_recipe(folder):
    put(folder, 'quo"te L.wav', "back\\slash R.wav", "#hash.wav", "nul L.wav", "nul R.wav", "\u97f3 L.wav",
        "\u97f3 R.wav")
    draft = draft_recipe(folder, folder)
    assert len(draft.understood.takes) == 7
    recipe = parse_recipe(folder / "x.toml", draft.text).recipe
    files = {take.file.name for layer in recipe.layer for take in layer.take}
    assert files == {path.name for path in folder.iterdir()}


def test_the_command_prints_a_recipe_or_writes_a_new_file(folder, monkeypatch):
    put(folder, "left.wav", "right.wav")
    (folder / "notes.txt").write_text("play it again")
    monkeypatch.chdir(folder)
    shown = run_command("draft", ".")
    assert shown.exit_code == 0
    assert parse_recipe(folder / "song.toml", shown.stdout)
    assert "notes.txt" in shown.stderr
    assert "next: layerpipe draft . --out song.toml" in shown.stderr
    written = run_command("draft", ".", "--out", "song.toml")
    assert written.exit_code == 0
    assert "wrote song.toml: 2 takes in 1 layer\nnext: layerpipe check song.toml\n" in written.stdout
    before = (folder / "song.toml").read_bytes()
    assert read_recipe(folder / "song.toml").recipe.layer[0].take[1].pan == 100
    again = run_command("draft", ".", "--out", "song.toml")
    assert again.exit_code == 1
    assert "exists and was left as it is" in again.stderr
    assert (folder / "song.toml").read_bytes() == before
    assert not list(folder.glob("*.partial"))


def test_the_json_document_has_the_same_takes(folder, monkeypatch):
    put(folder, "left.wav", "right.wav")
    monkeypatch.chdir(folder)
    told = json.loads(run_command("draft", ".", "--json").stdout)
    assert [take["pan"] for take in told["takes"]] == [-100.0, 100.0]
    assert parse_recipe(folder / "song.toml", told["recipe"])
    refused = run_command("draft", "none", "--json")
    assert refused.exit_code == 2
    assert json.loads(refused.stdout)["faults"][0]["problem"] == "there is no such folder"


def test_a_file_that_cannot_be_written_is_refused(folder):
    put(folder, "left.wav")
    refused = run_command("draft", folder, "--out", folder / "none" / "song.toml")
    assert refused.exit_code == 1
    assert "cannot be written: No such file or directory" in refused.stderr


def test_earlier_bounces_are_not_taken_for_takes(folder):
    put(folder, "left.wav", "right.wav", "bounces/song/layers/regular.wav")
    (folder / "bounces/song/bounce.json").write_text("{}")
    draft = draft_recipe(folder, folder)
    assert guessed(draft) == PAIR
    assert [(skip.file, skip.why) for skip in draft.skipped] == [
        (folder / "bounces/song", "is a bounce, not a folder of takes")]


def test_a_link_planted_beside_the_new_recipe_is_not_followed(folder):
    put(folder, "left.wav", "right.wav")
    victim = folder / "victim.txt"
    victim.write_text("mine")
    (folder / "song.toml.partial").symlink_to(victim)
    write_draft(draft_recipe(folder, folder).text, folder / "song.toml")
    assert victim.read_text() == "mine"
    assert read_recipe(folder / "song.toml").recipe.layer

"""A folder as a session leaves it, through the commands: an overdub with a stamp, passes with a comp, microphones."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import Result

from layerpipe.audio_files.reader import inspect
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.takes.open_takes import open_all
from tests.support.command import run_command
from tests.support.passes import START_S, PassesSong, make_mics, make_passes, over_frame, write_recipe
from tests.support.sounds.song_player import Playing, play_pass
from tests.support.sounds.stamped_wave import write_wave

SEED = 3


def run(*words: object) -> Result:
    """A command."""
    result = run_command(*words)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def document_of(*words: object) -> Any:
    """What a command answers with --json."""
    return json.loads(run(*words, "--json").stdout)


@pytest.fixture(scope="module")
def made() -> PassesSong:
    """A song of five passes a side."""
    return make_passes(SEED, bars=2)


@pytest.fixture(scope="module")
def folder(made: PassesSong, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files: three passes of the left take, the right one, an overdub from bar 5 on, two microphones."""
    folder = tmp_path_factory.mktemp("session")
    for one in made.passes["left"][:3]:
        write_wave(folder / f"left {one.name}.wav", one.played.samples, one.played.rate_hz)
    right = made.pass_of("right", "good").played
    early = np.concatenate([np.zeros(right.rate_hz // 2), right.samples])
    write_wave(folder / "right.wav", early, right.rate_hz)
    over = play_pass(made.song, 9, voice=made.voice, playing=Playing(4.0), first_bar=5, last_bar=8)
    write_wave(folder / "over.wav", over.samples, over.rate_hz,
               time_reference_frames=START_S * over.rate_hz + over_frame(made))
    mics = make_mics(2)
    write_wave(folder / "mics.wav", mics.samples, mics.rate_hz)
    return folder


def bounced(recipe: Path, out: Path) -> Path:
    """The folder of a bounce."""
    result = run("bounce", recipe, "--out", out)
    assert result.exit_code == 0, result.output
    return out / recipe.stem


def test_stems_begin_with_the_song_wherever_their_files_do(folder: Path, made: PassesSong, tmp_path: Path) -> None:
    bounce = bounced(write_recipe(folder, made), tmp_path)
    (over, rate_hz), (right, _) = (soundfile.read(bounce / f"takes/{name}.wav")
                                   for name in ("overdub-centre", "guitar-right"))
    at = over_frame(made)
    source, _ = soundfile.read(folder / "over.wav")
    assert not over[:at].any()
    np.testing.assert_array_equal(over[at : at + len(source)], source)
    assert not over[at + len(source) :].any()
    with_count_in, _ = soundfile.read(folder / "right.wav")
    np.testing.assert_array_equal(right[: len(with_count_in) - rate_hz // 2], with_count_in[rate_hz // 2 :])
    manifest = json.loads((bounce / "bounce.json").read_text())
    files = {source["take"]: source["files"][0] for source in manifest["sources"]}
    assert (files["centre"]["starts_frame"], files["right"]["starts_frame"]) == (at, -rate_hz // 2)
    assert "begins at bar 4 beat" in (bounce / "delivery.html").read_text()
    # The song's start has a stamp, and stems begin there; EBU Tech 3285: samples since midnight.
    assert inspect(bounce / "takes/guitar-right.wav").time_reference == START_S * rate_hz
    assert run("verify", bounce, "--sources").exit_code == 0


def test_a_comp_is_heard_as_written_and_all_of_it_is_verified(folder: Path, made: PassesSong, tmp_path: Path) -> None:
    at_s = made.song.downbeat_s(5) - 0.1
    recipe = write_recipe(folder, made, "comp", left='play = "2"\ncomp = [ { from = ' + f'{at_s}, to = "bar 9", '
                                                     'pass = "3" } ]\nnotes = { pick = "thin" }')
    notes = {"1": "first try", "3": "new strings"}
    recipe.write_text(recipe.read_text().replace("[song]", "[bounce]\ntime_reference_s = 60.0\n[song]"))
    for name, note in notes.items():
        recipe.write_text(recipe.read_text().replace(f'"left {name}.wav" }}', f'"left {name}.wav", '
                                                     f'notes = {{ remark = "{note}" }} }}'))
    bounce = bounced(recipe, tmp_path)
    stem, rate_hz = soundfile.read(bounce / "takes/guitar-left.wav")
    two, three = (soundfile.read(folder / f"left {n}.wav")[0] for n in (2, 3))
    first, second = round(at_s * rate_hz), round(made.song.downbeat_s(9) * rate_hz)
    np.testing.assert_array_equal(stem[: first - 240], two[: first - 240])
    np.testing.assert_array_equal(stem[first : second - 240], three[first : second - 240])
    np.testing.assert_array_equal(stem[second : len(two)], two[second:])
    (left, *_) = json.loads((bounce / "bounce.json").read_text())["sources"]
    assert [(part["pass"], part["from_frame"]) for part in left["comp"]] == [("2", 0), ("3", first), ("2", second)]
    assert [part["file"] for part in left["files"]] == ["left 2.wav", "left 3.wav"]
    # Pass 1 is not heard, so its note is not handed over.
    assert left["notes"] == {"pick": "thin", "pass 3, remark": "new strings"}
    assert "<span class=\"soft\">pass 3, remark:</span> new strings" in (bounce / "delivery.html").read_text()
    assert inspect(bounce / "takes/guitar-left.wav").time_reference == 60 * rate_hz
    result = run("verify", bounce, "--sources", "--render")
    assert result.exit_code == 0, result.output


@pytest.mark.slow
def test_two_bounces_differ_in_words_by_their_passes(folder: Path, made: PassesSong, tmp_path: Path) -> None:
    old = bounced(write_recipe(folder, made, "old"), tmp_path)
    new = bounced(write_recipe(folder, made, "new", left='play = "2"\ncomp = [{ from = "bar 5", to = "bar 9", '
                               'pass = "3" }]', over='starts = "bar 5"\nshift_ms = 2.5'), tmp_path)
    said = " ".join(run("compare", old, new).output.split())
    for words in ("guitar / left: plays pass: the first -> 2", "guitar / left: bar 5 to bar 9 from pass 3",
                  "overdub / centre: begins at its time reference -> bar 5", "overdub / centre: shift 0 -> 2.5 ms"):
        assert words in said, said


@pytest.mark.slow
def test_an_overdub_is_neither_late_nor_short_and_has_places_of_the_song(folder: Path, made: PassesSong) -> None:
    recipe = write_recipe(folder, made)
    recipe.write_text(recipe.read_text().replace('[[layer]]\nname = "overdub"\n', ""))
    document = document_of("check", recipe)
    kinds = {take["take"]: {fault["kind"] for fault in take["faults"]} for take in document["takes"]}
    assert not {"late_start", "early_end", "placing"} & kinds["centre"]
    clicks = [fault["place"] for take in document["takes"] for fault in take["faults"] if take["take"] == "centre"
              and fault["place"]]
    assert all(not place.startswith(("bar 1 ", "bar 2 ", "bar 3 ")) for place in clicks)


def test_timing_hears_an_overdub_where_it_is(folder: Path, made: PassesSong) -> None:
    document = document_of("timing", write_recipe(folder, made))
    takes = {take["take"]: take for take in document["takes"]}
    over = takes["centre"]
    assert min(onset["at_s"] for onset in over["onsets"]) > made.song.downbeat_s(5) - 0.05
    assert abs(over["average_offset_ms"]) < 6
    assert over["verdict"] == "tight"
    assert not over["rerecord"]
    assert takes["right"]["verdict"] == "tight"


def test_moves_are_written_into_the_pass_that_is_heard(folder: Path, made: PassesSong) -> None:
    loose, sound = "2", play_pass(made.song, 8, voice=made.voice, playing=Playing(4.0, loose_ms={3: 40.0, 4: 40.0}))
    write_wave(folder / "loose.wav", sound.samples, sound.rate_hz)
    recipe = write_recipe(folder, made, "moved", left=f'play = "{loose}"')
    recipe.write_text(recipe.read_text().replace('"left 2.wav"', '"loose.wav"')
                      + "\n[timing]\nmoves_per_bar = 16.0\nmost_spread_ms = 200.0\n")
    run("timing", recipe, "--write")
    passes = read_recipe(recipe).recipe.layer[0].take[0].passes
    moved = {one.name: len(one.move) for one in passes}
    assert moved[loose] > 0
    assert sum(moved.values()) == moved[loose]
    assert all(move.attack for one in passes for move in one.move)
    write_wave(folder / "other.wav", made.passes["left"][0].played.samples, made.passes["left"][0].played.rate_hz)
    recipe.write_text(recipe.read_text().replace('file = "loose.wav"', 'file = "other.wav"'))
    result = run("bounce", recipe, "--out", folder / "refused")
    assert result.exit_code == 2
    assert result.output.count("other.wav no longer has the sound this move was made for") == moved[loose]
    run("timing", recipe, "--undo")
    assert not any(one.move for one in read_recipe(recipe).recipe.layer[0].take[0].passes)


def test_an_audible_joint_is_named_with_a_better_place(folder: Path, made: PassesSong) -> None:
    onset_s = next(float(onset) for onset in made.passes["left"][2].played.onsets_s
                   if onset > made.song.downbeat_s(5) - 0.1)
    recipe = write_recipe(folder, made, "joint", left='play = "2"\ncomp = [ { from = ' + f'{onset_s + 0.002:.4f}, '
                                                      'to = "bar 30", pass = "3" } ]')
    # The left take alone: the others have no joints.
    recipe.write_text(recipe.read_text().partition('[[layer.take]]\nname = "right"')[0])
    faults = [fault for take in document_of("check", recipe)["takes"]
              for fault in take["faults"] if fault["kind"] == "comp" and "attack" in fault["details"]]
    assert faults
    better_s = faults[0]["details"]["better_s"]
    assert abs(better_s - onset_s) < 0.08
    recipe.write_text(recipe.read_text().replace(f"{onset_s + 0.002:.4f}", f"{better_s:.4f}"))
    again = [fault for take in document_of("check", recipe)["takes"] for fault in take["faults"]
             if fault["kind"] == "comp" and "attack" in fault["details"]]
    assert not again


@pytest.mark.slow
def test_a_joint_says_how_far_level_and_tuning_step(folder: Path, made: PassesSong) -> None:
    loud, rate_hz = soundfile.read(folder / "left 2.wav")
    write_wave(folder / "soft.wav", 0.5 * loud, rate_hz)
    recipe = write_recipe(folder, made, "steps", left='comp = [ { from = "bar 5", to = "bar 9", pass = "2" } ]')
    recipe.write_text(recipe.read_text().replace("left 1.wav", "soft.wav"))
    faults = [fault for take in document_of("check", recipe)["takes"] if take["take"] == "left"
              for fault in take["faults"] if fault["kind"] == "comp" and "level_db" in fault["details"]]
    assert [round(fault["details"]["level_db"], 1) for fault in faults] == [6.0, -6.0]


def test_microphones_are_lined_up_by_check(folder: Path, made: PassesSong) -> None:
    planted = make_mics(2)
    recipe = folder / "mics.toml"
    recipe.write_text('[song]\ntitle = "Mics"\n[[layer]]\nname = "guitar"\n[[layer.take]]\nname = "left"\nmics = [\n'
                      '  { file = "mics.wav", channel = 1 },\n  { file = "mics.wav", channel = 2 },  # the neck\n]\n')
    (take,) = document_of("check", recipe)["takes"]
    (fault,) = [fault for fault in take["faults"] if fault["kind"] == "mics"]
    assert fault["details"]["delay_ms"] == pytest.approx(planted.delay_ms, abs=0.02)
    assert fault["details"]["inverted"] == planted.inverted
    run("check", recipe, "--write")
    one, two = read_recipe(recipe).recipe.layer[0].take[0].mics
    assert (one.shift_ms, one.invert_polarity) == (0.0, False)
    assert two.shift_ms == pytest.approx(-planted.delay_ms, abs=0.02)
    assert two.invert_polarity == planted.inverted
    assert "# the neck" in recipe.read_text()
    assert not [fault for fault in document_of("check", recipe)["takes"][0]["faults"] if fault["kind"] == "mics"]
    # Lined up they add up: as loud as their levels allow, not hollow.
    (heard,) = open_all(read_recipe(recipe).recipe)
    both = heard.source.read(0, heard.frames)
    assert np.std(both) > 0.95 * (np.std(planted.samples[:, 0]) + np.std(planted.samples[:, 1])) * 0.9


@pytest.mark.slow
def test_two_takes_that_are_microphones_of_one_performance_are_not_to_be_played_again(folder: Path) -> None:
    planted = make_mics(2)
    for n in (0, 1):
        write_wave(folder / f"mic {n}.wav", planted.samples[:, n], planted.rate_hz)
    recipe = folder / "pair.toml"
    recipe.write_text('[song]\ntitle = "Mics"\n[[layer]]\nname = "guitar"\n' + "".join(
        f'[[layer.take]]\nname = "{n}"\nfile = "mic {n}.wav"\n' for n in (0, 1)))
    document = document_of("check", recipe)
    (pair,) = document["pairs"]
    assert pair["same_performance"]
    (fault,) = [fault for fault in pair["faults"] if fault["kind"] == "mics"]
    assert "make one take of both with mics" in fault["advice"]
    assert fault["details"]["delay_ms"] == pytest.approx(planted.delay_ms, abs=0.02)
    run("check", recipe, "--write")
    _, other = read_recipe(recipe).recipe.layer[0].take
    assert other.shift_ms == pytest.approx(-planted.delay_ms, abs=0.02)
    assert other.invert_polarity == planted.inverted


@pytest.mark.slow
def test_pages_and_previews_are_made_of_what_is_heard(folder: Path, made: PassesSong, tmp_path: Path) -> None:
    recipe = write_recipe(folder, made, "page", left='comp = [ { from = "bar 5", to = "bar 9", pass = "3" } ]')
    assert run("page", recipe, "--out", tmp_path / "page.html").exit_code == 0
    assert run("levels", recipe, "--layer", "overdub").exit_code == 0
    assert run("preview", recipe, "--out", tmp_path, "--section", "chorus").exit_code == 0


def test_wrong_stamps_and_channels_of_passes_come_at_once_with_their_places(folder: Path, made: PassesSong) -> None:
    recipe = write_recipe(folder, made, "wrong", over='starts = "time reference"')
    text = recipe.read_text().replace(f"time_reference_s = {START_S}", "time_reference_s = 80000")
    recipe.write_text(text.replace('"left 3.wav"', '"left 3.wav", channel = 4').replace(
        '"left 2.wav"', '"left 2.wav", starts = "time reference"').replace('"left 1.wav"', '"gone.wav"'))
    result = run("bounce", recipe, "--out", folder / "none")
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    for words in ('take "left", pass "1": there is no such file', 'take "left", pass "2": has no time stamp',
                  'take "left", pass "3": has 1 channel; there is no channel 4', 'take "centre": '):
        assert words in said, said

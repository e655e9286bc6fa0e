"""Whole session folders go in: what a user must change in the drafted recipe, counted against the generator's truth."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from layerpipe.jobs.draft import draft_recipe
from layerpipe.recipe.reader import parse_recipe
from tests.support.command import run_command
from tests.support.sessions.recipe_score import changed_lines
from tests.support.sessions.renamed_folders import renamed
from tests.support.sessions.session_folders import plan_folder, write_folder
from tests.support.sounds.stamped_wave import PCM_24, write_wave


@pytest.mark.slow
@pytest.mark.parametrize("number", [8, 10])
def test_a_folder_goes_in_with_at_most_one_line_to_change(tmp_path, number):
    plan = plan_folder(number)
    folder = write_folder(plan, tmp_path)
    assert changed_lines(draft_recipe(folder, folder).text, plan.truth) <= 1


@pytest.mark.slow
def test_a_folder_of_words_that_mean_nothing_goes_in_by_its_sound(tmp_path):
    # 60 has an octave pair, two microphones in one file, overdubs, a mix and a click track; no word tells them.
    plan = renamed(plan_folder(60), "made-up")
    folder = write_folder(plan, tmp_path)
    draft = draft_recipe(folder, folder)
    assert changed_lines(draft.text, plan.truth) <= 2
    assert draft.understood.clock is not None
    assert draft.understood.clock.tempo == plan.truth.tempo
    assert draft.understood.bed is not None
    assert any(layer.octave for layer in draft.understood.layers)


def test_the_command_says_what_it_understood_of_every_file(tmp_path, monkeypatch):
    plan = plan_folder(5)
    folder = write_folder(plan, tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    shown = run_command("draft", folder.name, "--out", "song.toml")
    assert shown.exit_code == 0, shown.output
    for file in plan.truth.files:
        assert file.name in shown.stdout
    assert "tempo 105, meter 4/4" in shown.stdout
    assert shown.stdout.endswith("next: layerpipe check song.toml\n")
    told = json.loads(run_command("draft", folder.name, "--json").stdout)
    assert parse_recipe(tmp_path / "other.toml", told["recipe"])
    assert told["click"]["tempo"] == plan.truth.tempo
    assert told["bed"].endswith(plan.truth.bed)
    assert [skip["file"].rsplit("/", 1)[-1] for skip in told["skipped"]] == list(plan.truth.skipped)
    assert {len(one["sources"]) for take in told["takes"] if take["layer"] != "ba" for one in take["passes"]} == {2}


def strum(seed: int, seconds: float = 4.0, rate_hz: int = 48_000) -> np.ndarray:
    """Noise struck twice a second, no two seeds alike."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return 0.1 * np.random.default_rng(seed).standard_normal(len(t)) * np.exp(-3 * (t % 0.5))


def write(folder, **stamped):
    """Strums with time stamps in seconds, or None."""
    for n, (name, stamp_s) in enumerate(stamped.items()):
        reference = None if stamp_s is None else round(stamp_s * 48_000)
        write_wave(folder / f"{name.replace('_', ' ')}.wav", strum(n, 4.0 - (n == 2)), 48_000, PCM_24,
                   time_reference_frames=reference)
    return folder


def test_time_stamps_place_what_begins_later_or_before(tmp_path):
    draft = draft_recipe(write(tmp_path / "a", gtr_L=3600.0, gtr_R=3600.0, solo=3601.0, bass=3599.5), tmp_path)
    starts = {take.layer: take.passes[0].start.seconds for take in draft.understood.takes}
    assert starts == {"gtr": 0.0, "solo": 1.0, "bass": -0.5}
    assert "time_reference_s = 3600.0" in draft.text
    assert draft.text.count('starts = "time reference"') == 2


def test_times_of_day_place_nothing(tmp_path):
    draft = draft_recipe(write(tmp_path / "a", gtr_L=3600.0, gtr_R=3700.0, solo=3820.0), tmp_path)
    assert "time_reference_s" not in draft.text
    assert "times of day" in draft.text
    assert not any(take.passes[0].start.by_stamp for take in draft.understood.takes)


def test_one_absurd_stamp_mutes_its_take_and_leaves_the_others(tmp_path):
    stamps = {f"part{n}": 3600.0 for n in "abcde"}
    draft = draft_recipe(write(tmp_path / "a", **stamps, late=9000.0), tmp_path)
    muted = [take for take in draft.understood.takes if take.muted]
    assert [take.passes[0].file.path.name for take in muted] == ["late.wav"]
    assert "# not certain: its time stamp is +5400.0 s from the song's start\nmute = true" in draft.text


def test_a_stereo_file_is_one_take_two_takes_or_two_microphones(tmp_path):
    folder = tmp_path / "a"
    one, other = strum(1, 9.0), strum(2, 9.0)
    later = np.concatenate([np.zeros(48), other])[: len(other)] + 1e-3 * strum(3, 9.0)
    write_wave(folder / "same.wav", np.stack([one, one], axis=1), 48_000)
    write_wave(folder / "pair.wav", np.stack([strum(4, 9.0), strum(5, 9.0)], axis=1), 48_000)
    write_wave(folder / "mics.wav", np.stack([other, later], axis=1), 48_000)
    layers = {layer.name: layer.takes for layer in draft_recipe(folder, folder).understood.layers}
    channels = {name: [(take.pan, [source.channel for source in take.passes[0].sources]) for take in takes]
                for name, takes in layers.items()}
    assert channels == {"same": [(0.0, [1])], "pair": [(-100.0, [1]), (100.0, [2])], "mics": [(0.0, [1, 2])]}


def test_silence_and_a_second_copy_are_skipped(tmp_path):
    folder = tmp_path / "a"
    write_wave(folder / "gtr.wav", strum(1, 9.0), 48_000)
    write_wave(folder / "gtr copy.wav", 0.5 * strum(1, 9.0), 48_000)
    write_wave(folder / "nothing.wav", np.zeros(48_000), 48_000)
    draft = draft_recipe(folder, folder)
    assert {skip.file.name: skip.why for skip in draft.skipped} == {
        "gtr copy.wav": "has the same sound as gtr.wav", "nothing.wav": "contains only silence"}


def test_a_take_without_a_place_is_muted_and_keeps_its_side(tmp_path):
    folder = tmp_path / "a"
    for n, name in enumerate(["gtr L", "gtr R", "bass"]):
        write_wave(folder / f"{name}.wav", strum(n, 12.0), 48_000)
    write_wave(folder / "slide R.wav", strum(9, 3.0), 48_000)
    takes = {take.layer: take for take in draft_recipe(folder, folder).understood.takes}
    assert takes["slide"].muted
    assert "no time stamp says where it begins" in takes["slide"].unsure[0]
    assert not takes["gtr"].muted


def test_files_of_any_length_rate_and_channels_are_heard(tmp_path):
    folder = tmp_path / "a"
    folder.mkdir()
    rng = np.random.default_rng(8)
    for n, (frames, channels, rate_hz) in enumerate([
            (1, 1, 8_000), (2, 3, 11_025), (47, 2, 192_000), (4_096, 1, 22_050), (4_097, 5, 88_200),
            (90_000, 2, 8_000)]):
        soundfile.write(folder / f"part {'pqrstu'[n]}.wav", 0.1 * rng.standard_normal((frames, channels)), rate_hz)
    spoiled = np.zeros(4_800)
    spoiled[100] = np.nan
    soundfile.write(folder / "spoiled.wav", spoiled, 48_000, subtype="FLOAT")
    draft = draft_recipe(folder, folder)
    heard = {source.file.path.name for take in draft.understood.takes for one in take.passes for source in one.sources}
    assert heard == {f"part {letter}.wav" for letter in "pqrstu"}
    assert [(skip.file.name, "NaN" in skip.why) for skip in draft.skipped] == [("spoiled.wav", True)]

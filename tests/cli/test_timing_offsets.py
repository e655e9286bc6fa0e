"""`layerpipe timing` on takes that lie apart from their doubles: shifts, drifts, beats, and what cannot be told.

Truth: every take is strummed anew by `tests.support.sounds.strums`, then its file is made to begin later, or resampled.
Limits: of two sounds displaced in a groove, listeners hear 31 to 35 ms (guitar) and from 23 to 28 ms on at best
(preprint osf jsg94); players of ensembles are 27 to 49 ms apart (Rasch, Acustica 43, 1979, read second hand).
"""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
import soundfile

from layerpipe.recipe.edit.shifts import remove_shifts
from layerpipe.recipe.reader import read_recipe
from tests.support.command import run_command
from tests.support.sounds.strums import RATE_HZ, Hand, make_strums

TEMPO, BARS = 100.0, 8
BEAT_S = 60 / TEMPO
NAMES = ("left", "right", "third")


@cache
def strummed(seed: int, scatter_ms: float = 4.0) -> np.ndarray:
    return make_strums(seed, hand=Hand(scatter_ms=scatter_ms), tempo=TEMPO, bars=BARS, harmony=1).samples


def later(samples: np.ndarray, by_s: float) -> np.ndarray:
    frames = round(by_s * RATE_HZ)
    return np.concatenate([np.zeros(frames), samples]) if frames >= 0 else samples[-frames:]


def slower(samples: np.ndarray, percent: float) -> np.ndarray:
    """Resampled: the drift is the same wherever the file is, the pitch falls by as much."""
    at = np.arange(round(len(samples) * (1 + percent / 100))) / (1 + percent / 100)
    return np.interp(at, np.arange(len(samples)), samples)


def song(folder, *sounds, **keys):
    """A recipe of one layer; `keys` are lines of the first take."""
    text = f'[song]\ntitle = "Salt Road"\ntempo = {TEMPO}\nbar_one_s = 0.6\n\n[[layer]]\nname = "regular"\n'
    for n, (name, sound) in enumerate(zip(NAMES, sounds, strict=False)):
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="PCM_24")
        text += f'\n[[layer.take]]\nname = "{name}"\nfile = "{name}.wav"\n'
        text += "".join(f"{key} = {value}\n" for key, value in keys.items()) if n == 0 else ""
    (folder / "song.toml").write_text(text)
    return folder / "song.toml"


def run(*words):
    result = run_command(*words)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def takes_of(*words, code=0):
    result = run("timing", *words, "--json")
    assert result.exit_code == code, result.output[:2000]
    return json.loads(result.stdout)["takes"]


def test_a_take_that_begins_late_gets_one_shift_that_is_written_works_and_is_removed(tmp_path):
    clean = takes_of(song(tmp_path, strummed(1), strummed(2), strummed(3)))
    assert [take["verdict"] for take in clean] == ["tight"] * 3
    assert all(abs(take["offset_ms"]) < 6 and take["confidence"] > 0.9 for take in clean)
    # A sixteenth is 150 ms: on the grid this take would be 33 ms early.
    recipe = song(tmp_path, later(strummed(1), 0.117), strummed(2), strummed(3))
    before = recipe.read_bytes()
    late, *rest = takes_of(recipe, "--write")
    assert late["verdict"] == "needs edits"
    assert late["offset_ms"] == pytest.approx(117 + clean[0]["offset_ms"], abs=1)
    assert late["shift_ms"] == pytest.approx(-late["offset_ms"], abs=0.1)
    assert late["moves"] == []
    assert [take["verdict"] for take in rest] == ["tight"] * 2
    written = recipe.read_text()
    assert f"shift_ms = {late['shift_ms']}  # timing: left: {late['offset_ms']:.0f} ms late against " in written
    again = takes_of(recipe, "--write")
    assert [(take["verdict"], take["shift_ms"]) for take in again] == [("tight", None)] * 3
    assert again[0]["offset_ms"] == pytest.approx(0, abs=0.6)
    assert recipe.read_text() == written
    result = run("timing", recipe, "--undo", "--json")
    assert json.loads(result.stdout)["shifts_removed"] == 1
    assert recipe.read_bytes() == before


@pytest.mark.slow
def test_a_shift_set_by_hand_is_replaced_and_comes_back(tmp_path):
    recipe = song(tmp_path, later(strummed(1), 0.3), strummed(2), strummed(3), shift_ms="-50.0   # by ear")
    before = recipe.read_bytes()
    late = takes_of(recipe, "--write")[0]
    assert late["offset_ms"] == pytest.approx(250, abs=6)
    assert f"shift_ms = {-50 + late['shift_ms']:.1f}  # timing: " in recipe.read_text()
    assert takes_of(recipe)[0]["verdict"] == "tight"
    assert run("timing", recipe, "--undo").exit_code == 0
    assert recipe.read_bytes() == before


@pytest.mark.slow
def test_loose_places_of_a_late_take_are_moved_after_the_shift(tmp_path):
    loose = make_strums(1, hand=Hand(scatter_ms=4.0), tempo=TEMPO, bars=BARS, harmony=1,
                        planted=((4, 0, 7, 36.0),)).samples
    recipe = song(tmp_path, later(loose, 0.2), strummed(2), strummed(3))
    late = takes_of(recipe, "--write")[0]
    assert late["shift_ms"] == pytest.approx(-200, abs=6)
    (move,) = late["moves"]
    assert move["by_ms"] == pytest.approx(-36, abs=12)
    # Bar 4, where it is heard once the take is shifted.
    assert 0.6 + 12 * BEAT_S - 0.05 < move["from_s"] < 0.6 + 12 * BEAT_S + 0.05
    again = takes_of(recipe)
    assert [(take["verdict"], take["moves"], take["shift_ms"]) for take in again] == [("tight", [], None)] * 3
    assert run("timing", recipe, "--undo").exit_code == 0
    assert "timing:" not in recipe.read_text()


@pytest.mark.slow
def test_the_shift_of_a_take_with_passes_is_written_into_each_that_is_heard(tmp_path):
    recipe = song(tmp_path, strummed(1), strummed(2), strummed(3))
    for name, seed in (("1", 4), ("2", 5), ("3", 6)):
        soundfile.write(tmp_path / f"left {name}.wav", later(strummed(seed), 0.117), RATE_HZ, subtype="PCM_24")
    # Pass 2 comes in 20 ms before its downbeat of bar 4, which is heard 117 ms late.
    joint_s = 0.6 + 12 * BEAT_S + 0.097
    recipe.write_text(recipe.read_text().replace('file = "left.wav"\n', f"""passes = [
  {{ name = "1", file = "left 1.wav" }},   # first
  {{ name = "2", file = "left 2.wav", shift_ms = 2.0 }},
  {{ name = "3", file = "left 3.wav" }},
]
comp = [ {{ from = {joint_s:.3f}, to = "bar 7", pass = "2" }} ]
"""))
    before = recipe.read_bytes()
    late = takes_of(recipe, "--write")[0]
    assert late["verdict"] == "needs edits"
    assert late["shift_ms"] == pytest.approx(-117, abs=6)
    first, second, third = read_recipe(recipe).recipe.layer[0].take[0].passes
    assert (first.shift_ms, second.shift_ms, third.shift_ms) == (late["shift_ms"], 2 + late["shift_ms"], 0)
    (part,) = read_recipe(recipe).recipe.layer[0].take[0].comp
    assert part.start == pytest.approx(joint_s + late["shift_ms"] / 1000, abs=0.0006)
    assert part.stop == "bar 7"
    again = takes_of(recipe, "--write")
    assert [(take["verdict"], take["shift_ms"], take["moves"]) for take in again] == [("tight", None, [])] * 3
    result = run("timing", recipe, "--undo", "--json")
    assert json.loads(result.stdout)["shifts_removed"] == 2
    assert recipe.read_bytes() == before


@pytest.mark.slow
def test_moves_go_with_the_sound_when_their_take_is_shifted(tmp_path):
    loose = make_strums(1, hand=Hand(scatter_ms=4.0), tempo=TEMPO, bars=BARS, harmony=1,
                        planted=((4, 0, 7, 36.0),)).samples
    recipe = song(tmp_path, loose, strummed(2), strummed(3))
    takes_of(recipe, "--write")
    (move,) = read_recipe(recipe).recipe.layer[0].take[0].move
    assert move.attack
    # The doubles are 120 ms earlier from now on: the take is late with its move.
    recipe.write_text(recipe.read_text().replace('right.wav"\n', 'right.wav"\nstarts = -0.12\n')
                      .replace('third.wav"\n', 'third.wav"\nstarts = -0.12\n').replace("0.6", "0.48"))
    before = recipe.read_text()
    late = takes_of(recipe, "--write")[0]
    assert late["shift_ms"] == pytest.approx(-120, abs=6)
    (shifted,) = read_recipe(recipe).recipe.layer[0].take[0].move
    assert (shifted.attack, shifted.by_ms) == (move.attack, move.by_ms)
    assert shifted.start - move.start == pytest.approx(late["shift_ms"] / 1000, abs=1e-6)
    # The fingerprint still fits, and nothing is left to do.
    again = takes_of(recipe)
    assert [(take["verdict"], take["shift_ms"], take["moves"]) for take in again] == [("tight", None, [])] * 3
    remove_shifts(recipe).write()
    assert recipe.read_text() == before


@pytest.mark.slow
def test_of_two_takes_a_sixteenth_apart_the_one_off_the_grid_is_late(tmp_path):
    first, second = takes_of(song(tmp_path, later(strummed(1), 0.21), strummed(2)))
    assert (first["verdict"], second["verdict"]) == ("needs edits", "tight")
    assert first["shift_ms"] == pytest.approx(-210, abs=6)


def test_a_beat_off_is_told_as_a_beat_and_shifted(tmp_path):
    late = takes_of(song(tmp_path, later(strummed(1), BEAT_S), strummed(2), strummed(3)))[0]
    assert (late["verdict"], late["misplaced"]["kind"], late["misplaced"]["words"]) == (
        "needs edits", "beat", "one beat late")
    assert late["shift_ms"] == pytest.approx(-1000 * BEAT_S, abs=4)


@pytest.mark.slow
def test_a_bar_off_is_more_than_shift_ms_may_be_and_told_in_words(tmp_path):
    recipe = song(tmp_path, later(strummed(1), 4 * BEAT_S), strummed(2), strummed(3))
    late = takes_of(recipe)[0]
    assert (late["verdict"], late["shift_ms"]) == ("needs edits", None)
    assert late["misplaced"]["unmended"].startswith("one bar late against regular / ")
    assert "set starts" in late["misplaced"]["unmended"]
    assert "one bar late" in run("timing", recipe).stdout


@pytest.mark.slow
def test_an_overdub_that_starts_later_is_not_late(tmp_path):
    # Bars 4 to 8 alone: what rings on from bar 3 fades in, so that it is no attack.
    entry_s = 0.6 + 12 * BEAT_S
    at_s = np.arange(len(strummed(1))) / RATE_HZ
    chorus = strummed(1) * np.clip((at_s - entry_s + 0.25) / 0.24, 0, 1) ** 4
    takes = takes_of(song(tmp_path, chorus, strummed(2), strummed(3)))
    assert [(take["verdict"], take["shift_ms"]) for take in takes] == [("tight", None)] * 3


def test_a_slow_drift_is_mended_by_a_few_moves_of_phrases(tmp_path):
    recipe = song(tmp_path, slower(strummed(1), 0.25), strummed(2), strummed(3))
    take, *rest = takes_of(recipe, "--write", "--picture", tmp_path / "picture.png")
    assert take["verdict"] == "needs edits"
    assert take["drift"]["kind"] == "drift"
    # 0.25 % are 150 ms a minute.
    assert take["drift"]["ms_per_min"] == pytest.approx(150, abs=25)
    assert take["drift"]["curve"][-1][1] > take["drift"]["curve"][0][1] + 25
    assert 1 <= len(take["moves"]) <= 4
    assert all(move["by_ms"] < 0 for move in take["moves"])
    assert [one["verdict"] for one in rest] == ["tight"] * 2
    assert (tmp_path / "picture.png").stat().st_size > 10_000
    after = takes_of(recipe, "--after")[0]
    assert after["moves"] == []
    assert abs(after["offset_ms"]) < 8
    assert after["verdict"] == "tight"


@pytest.mark.slow
@pytest.mark.parametrize("count", [2, 3])
def test_a_fast_drift_is_re_recorded(tmp_path, count):
    sounds = (slower(strummed(1), 1.5), strummed(2), strummed(3))[:count]
    take, *rest = takes_of(song(tmp_path, *sounds), code=1)
    assert (take["verdict"], take["moves"]) == ("re-record", [])
    assert take["drift"]["ms_per_min"] == pytest.approx(887, abs=60)
    assert "ms a minute, falling behind" in take["rerecord"][0]["why"]
    assert [one["verdict"] for one in rest] == ["tight"] * (count - 1)


@pytest.mark.slow
def test_of_dense_distorted_takes_too_little_is_heard_to_judge_them(tmp_path):
    # 60 dB of gain into a soft limit: about 3 of 10 strums are still detected.
    takes = takes_of(song(tmp_path, *(0.5 * np.tanh(1000 * strummed(seed) / np.abs(strummed(seed)).max())
                                      for seed in (1, 2))))
    for take in takes:
        assert (take["verdict"], take["moves"], take["rerecord"]) == ("unknown", [], [])
        assert take["explained"] < 0.3
    assert "is not judged" in run("timing", tmp_path / "song.toml").stdout

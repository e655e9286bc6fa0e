"""`layerpipe choose` on files: what it finds among planted passes, prints, writes, takes back, draws, and refuses.

The song is short; forty longer ones are in `tests.bench.bench_choose`.
"""

from __future__ import annotations

import itertools
import json

import numpy as np
import pyloudnorm
import pytest
import soundfile

from layerpipe.recipe.reader import read_recipe
from tests.support.command import run_command
from tests.support.sounds.song_player import Playing, make_song, play_pass
from tests.support.sounds.stamped_wave import write_wave

SONG = make_song(4001, sections=2, bars=2, meter="4/4")
TIGHT_MS, LOOSE_MS = 4.0, 26.0
PASSES = {
    "left": {"1": Playing(TIGHT_MS, loose_ms={3: LOOSE_MS, 4: LOOSE_MS}),
             "2": Playing(TIGHT_MS, loose_ms={1: LOOSE_MS, 2: LOOSE_MS})},
    "right": {"2": Playing(TIGHT_MS), "3": Playing(2.5, cents=18.0)},
}


def run(*words, code=0):
    result = run_command("choose", *words)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == code, result.output
    return result


def recipe_text(passes, sections=True):
    lines = ["# by hand", "[song]", 'title = "Salt Road"', f"tempo = {SONG.tempo}", f"bar_one_s = {SONG.bar_one_s}"]
    for name, first, last in SONG.sections if sections else ():
        lines += ["", "[[section]]", f'name = "{name}"', f"bars = [{first}, {last}]"]
    lines += ["", "[[layer]]", 'name = "regular"']
    for (side, names), pan in zip(passes.items(), (-100, 100), strict=True):
        lines += ["", "[[layer.take]]", f'name = "{side}"  # the {side} one', "passes = ["]
        lines += [f'  {{ name = "{name}", file = "{side} {name}.wav" }},' for name in names]
        lines += ["]", f"pan = {pan}"]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def sound():
    """The passes; the right one's first is a copy of the left one's first: later, inverted and softer."""
    made = {(side, name): play_pass(SONG, 90 + n, voice="steel", playing=playing).samples
            for n, (side, name, playing) in enumerate((side, name, playing) for side, names in PASSES.items()
                                                      for name, playing in names.items())}
    made["right", "1"] = -0.7 * np.roll(made["left", "1"], 200)
    return made


@pytest.fixture
def recipe(sound, tmp_path):
    for (side, name), samples in sound.items():
        write_wave(tmp_path / f"{side} {name}.wav", samples, 48_000)
    path = tmp_path / "song.toml"
    path.write_text(recipe_text({"left": "12", "right": "123"}), "utf-8")
    return path


def test_the_planted_passes_are_found_and_a_copy_is_no_double(recipe):
    document = json.loads(run(recipe, "--json").stdout)
    left, right = document["takes"]
    assert set(document) == {"takes", "pairs"}
    assert set(left) == {"layer", "take", "passes", "play", "comp"}
    assert set(left["passes"][0]) == {"pass", "spread_ms", "offset_ms", "tuning_cents", "noise_dbfs", "faults", "score"}
    heard = {left["play"]: 0, **{part["pass"]: part["from"] for part in left["comp"]}}
    assert sorted(heard) == ["1", "2"]
    assert (right["take"], right["play"], right["comp"]) == ("right", "2", [])
    joint_s = next(part["from"] or part["to"] for part in left["comp"])
    assert joint_s == pytest.approx(SONG.downbeat_s(3), abs=0.1)
    scores = [pair["score"] for pair in document["pairs"]]
    assert scores == sorted(scores, reverse=True)
    assert len(scores) == 6
    copied = next(pair for pair in document["pairs"] if pair["passes"] == {"left": "1", "right": "1"})
    assert copied["score"] == 0
    assert copied["reasons"][0] == "the same performance on both sides: a copy is no double"
    tuned = next(one for one in right["passes"] if one["pass"] == "3")
    assert tuned["tuning_cents"] - right["passes"][1]["tuning_cents"] == pytest.approx(18, abs=3)


def test_a_comp_is_written_after_it_was_shown_and_can_be_taken_back(recipe):
    before = recipe.read_text("utf-8")
    shown = run(recipe, "--write").stdout
    assert '+play = "2"  # choose: most of the song' in shown
    assert "compared with the first two passes" in shown
    left, right = read_recipe(recipe).recipe.layer[0].take
    assert len(left.comp) == 1
    assert (right.play, right.comp) == ("2", [])
    # check listens to the written joints anew: what choose did not say, it does not find.
    checked = run_command("check", recipe, "--json")
    audible = [fault["text"].partition(": ")[2] for take in json.loads(checked.stdout)["takes"]
               for fault in take["faults"] if fault["kind"] == "comp"]
    assert audible == ["the level steps by +2.0 dB"]
    assert f"edit point at bar 3 beat 1 is audible: {audible[0]}" in " ".join(shown.split())
    assert "the recipe plays these passes already" in run(recipe, "--write").stdout
    assert "-comp = [" in run(recipe, "--undo").stdout
    assert recipe.read_text("utf-8") == before


@pytest.mark.slow
def test_pictures_and_candidates_of_every_section_are_written_equally_loud(recipe, tmp_path):
    again = recipe.with_name("again.toml")
    again.write_text(recipe.read_text("utf-8"), "utf-8")
    said = run(recipe, again, "--picture", tmp_path / "passes.svg", "--listen", tmp_path / "ears").stdout
    assert "2 songs: 2 comp" in said
    drawn = sorted(path.name for path in tmp_path.glob("*.svg"))
    assert drawn == ["passes-again.svg", "passes-song.svg"]
    assert (tmp_path / drawn[0]).read_bytes() == (tmp_path / drawn[1]).read_bytes()
    files = sorted((tmp_path / "ears" / "song").glob("*.wav"))
    assert len(files) == 6
    assert sum("chosen" in path.name for path in files) == 2
    earlier, mine = sorted((tmp_path / "ears" / "again").glob("*.wav")), tmp_path / "ears" / "again" / "mine.wav"
    mine.write_bytes(earlier[0].read_bytes())
    again.write_text(again.read_text("utf-8").replace(f'"{SONG.sections[-1][0]}"', '"last"'), "utf-8")
    run(again, "--listen", tmp_path / "ears" / "again")
    left = [path for path in earlier if path.exists()]
    assert mine.exists()
    assert 0 < len(left) < len(earlier), "files of the earlier recipe are gone"
    # ITU-R BS.1770 as pyloudnorm measures it.
    loudness = []
    for path in files:
        samples, rate_hz = soundfile.read(path)
        loudness.append(pyloudnorm.Meter(rate_hz).integrated_loudness(samples))
        assert np.abs(samples).max() < 1
    assert max(loudness) - min(loudness) < 0.1
    for one, other in itertools.pairwise(files[:3]):
        assert one.read_bytes() != other.read_bytes()


def test_where_there_are_only_copies_nothing_is_written(recipe):
    recipe.write_text(recipe_text({"left": "1", "right": "1"}).replace(
        '"right 1.wav" },', '"right 1.wav" },\n  { name = "again", file = "left 1.wav" },'), "utf-8")
    before = recipe.read_text("utf-8")
    result = run(recipe, "--write", code=1)
    assert "left and right have no double: every pass is a copy" in result.output
    assert "nothing was written" in result.output
    assert recipe.read_text("utf-8") == before


def test_a_section_that_was_pasted_from_the_other_side_is_no_double_there(recipe, sound):
    # Bars 3 and 4 of the right pass are those of left 2, which is the tighter one there.
    first, last = (round((SONG.downbeat_s(bar) - 0.02) * 48_000) for bar in (3, 5))
    pasted = sound["right", "2"].copy()
    pasted[first + 30 : last + 30] = 0.8 * sound["left", "2"][first:last]
    write_wave(recipe.parent / "right 2.wav", pasted, 48_000)
    recipe.write_text(recipe_text({"left": "12", "right": "2"}), "utf-8")
    document = json.loads(run(recipe, "--json").stdout)
    left = document["takes"][0]
    assert (left["play"], left["comp"]) == ("1", [])
    copied = next(pair for pair in document["pairs"] if pair["passes"]["left"] == "2")
    assert copied["reasons"][0].startswith("the same performance on both sides in ")
    assert "(bars 3 to 4)" in copied["reasons"][0]
    assert copied["score"] == 0


def test_a_recipe_without_passes_is_answered_with_what_is_missing(recipe):
    text = recipe_text({"left": "1", "right": "2"})
    recipe.write_text(text, "utf-8")
    assert "no take has passes to choose from" in run(recipe, code=1).stderr


def test_options_that_exclude_each_other_are_refused(recipe):
    assert "give one of them" in run(recipe, "--write", "--undo", code=2).output
    assert "must end in .png or .svg" in run(recipe, "--picture", "passes.pdf", code=2).output


def test_neither_picture_nor_candidates_are_written_over_a_take(recipe, tmp_path):
    recipe.write_text(recipe_text({"left": "12", "right": "2"}), "utf-8")
    take = tmp_path / "left 1.wav"
    before = take.read_bytes()
    (tmp_path / "choice.svg").hardlink_to(take)
    assert "left 1.wav" in run(recipe, "--picture", tmp_path / "choice.svg", code=1).output
    result = run(recipe, "--listen", tmp_path / "ear", "--json", "--quiet")
    made = json.loads(result.stdout)
    assert made["caution"] == "Caution: start with the volume low, above all in headphones."
    assert made["caution"] in result.stderr
    first = min((tmp_path / "ear").glob("*.wav"))
    assert made["takes"]
    first.unlink()
    first.hardlink_to(take)
    assert "left 1.wav" in run(recipe, "--listen", tmp_path / "ear", code=1).output
    assert take.read_bytes() == before
    assert first.samefile(take)

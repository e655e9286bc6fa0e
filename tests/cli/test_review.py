"""`layerpipe review` on files: what it lists, its page, what an accepted line writes, undo, and refusals."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from layerpipe.jobs.review import find_review, prepare_review
from layerpipe.jobs.review_change import change_of_undo, forget_undone, undo_path, write_undoably
from layerpipe.outputs.review.line import line_of
from layerpipe.recipe.edit.moves_and_levels import set_level
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import CacheMoved, TakeCache
from layerpipe.render.pipeline import process_takes
from tests.cli.test_choose import PASSES, SONG, recipe_text
from tests.cli.test_share import screen
from tests.server.conftest import load_newer, on_phone
from tests.support.command import run_command
from tests.support.pages.browser import until
from tests.support.sessions.session_sounds import second_microphone
from tests.support.sounds.song_player import play_pass
from tests.support.sounds.stamped_wave import write_wave
from tests.support.sounds.strums import EASY, make_strums

RECIPE = """# by hand
[song]
title = "Salt Road"
tempo = 100.0   # as it was counted in
meter = "4/4"
bar_one_s = 0.6

[[layer]]
name = "regular"

[layer.chain]
high_pass = [{ hz = 70 }]
compressor = { hits_db = 2.0 }

[[layer.take]]
name = "left"
file = "left.wav"
pan = -100

[[layer.take]]   # the second pass
name = "right"
file = "right.wav"
pan = 100
"""


def run(*words, code=0):
    result = run_command(*words)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == code, result.output
    return result


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two takes; the right one with its first downbeat early and bar 4 dragging."""
    made = tmp_path_factory.mktemp("takes")
    takes = {"left": make_strums(61, hand=EASY, tempo=100.0, meter="4/4", bars=6),
             "right": make_strums(62, hand=EASY, tempo=100.0, meter="4/4", bars=6,
                                  planted=((1, 0, 0, -36.0), (4, 0, 7, 32.0)))}
    for name, take in takes.items():
        soundfile.write(made / f"{name}.wav", take.samples, take.rate_hz, subtype="PCM_24")
    return made


def write_song(takes, path):
    path.write_text(RECIPE.replace('file = "', f'file = "{takes}/'))
    return path


@pytest.fixture
def recipe(folder, tmp_path):
    return write_song(folder, tmp_path / "song.toml")


@pytest.fixture(scope="module")
def document(folder):
    """What a review finds; its page lies beside the takes."""
    return json.loads(run("review", write_song(folder, folder / "song.toml"), "--json", "-o",
                          folder / "page.html").stdout)


def test_the_planted_places_come_first_with_the_change_they_ask_for(folder, recipe, document, tmp_path):
    first, second = document["findings"][:2]
    assert {first["place"], second["place"]} == {"bar 1 beat 1", "bar 4 beat 1"}
    for found in (first, second):
        assert (found["source"], found["take"], found["verdict"]) == ("timing", "right", "edit")
        assert found["heard_s"][0] <= found["from_s"] < found["to_s"] <= found["heard_s"][1] + 1
        assert found["change"][0].startswith("+[[layer.take.move]]  # timing: ")
        assert found["has_sound"]
    assert [one["points"] for one in document["findings"]] == sorted(
        (one["points"] for one in document["findings"]), reverse=True)
    page = (folder / "page.html").read_bytes()
    assert document["bytes"] == len(page) < 2_000_000
    assert json.loads(run("review", recipe, "--json", "-o", tmp_path / "again.html").stdout)["findings"]
    assert (tmp_path / "again.html").read_bytes() == page


def test_what_is_accepted_is_what_timing_would_write_and_is_undone_to_the_byte(recipe, document):
    before = recipe.read_bytes()
    line = line_of(document["page_id"], [1, 2])
    assert "+by_ms = " in run("review", recipe, "--accept", line, code=1).stdout
    assert recipe.read_bytes() == before, "nobody said yes"
    assert list(recipe.parent.glob("*.json")) == []
    said = run("review", recipe, "--accept", f"> {line}", "--yes").stdout
    assert "right, bar 1 beat 1" in said
    accepted = recipe.read_bytes()
    assert "have changed since the page was made" in run("review", recipe, "--accept", line, code=2).stderr
    assert "-by_ms = " in run("review", recipe, "--undo").stdout
    assert recipe.read_bytes() == before
    assert list(recipe.parent.glob("*.json")) == []
    assert "nothing was written by review" in run("review", recipe, "--undo").stdout
    run("timing", recipe, "--write")
    assert recipe.read_bytes() == accepted


def test_what_was_changed_since_is_not_undone(recipe, document):
    run("review", recipe, "--accept", line_of(document["page_id"], [1]), "--yes")
    by_hand = recipe.read_text() + "# one more thought\n"
    recipe.write_text(by_hand)
    assert "has changed since review wrote it" in run("review", recipe, "--undo", code=1).stderr
    assert recipe.read_text() == by_hand


def test_kills_between_keeping_the_text_and_changing_the_recipe_leave_undo_working(recipe):
    before = recipe.read_bytes()
    kept = recipe.with_name("kept")

    def killed(change):
        shutil.copy(undo_path(recipe), kept)
        return False

    for level_db in (-3.0, -6.0):
        write_undoably(set_level(recipe, "regular", level_db), lambda change: bool(change.write()))
    write_undoably(set_level(recipe, "regular", -9.0), killed)
    kept.replace(undo_path(recipe))
    # Every undo is killed before it is forgotten.
    for _ in range(2):
        change_of_undo(recipe).write()
    assert recipe.read_bytes() == before
    assert change_of_undo(recipe) is None
    write_undoably(set_level(recipe, "regular", -9.0), lambda change: bool(change.write()))
    change_of_undo(recipe).write()
    forget_undone(recipe)
    assert recipe.read_bytes() == before
    assert not undo_path(recipe).exists()


def test_a_cache_that_fails_while_findings_are_looked_for_is_left(recipe, tmp_path, monkeypatch):
    tried = []

    def find_all(file, cache, *, on_progress):
        tried.append(cache)
        if len(tried) == 1:
            raise CacheMoved("the disk is full")
        return []

    monkeypatch.setattr("layerpipe.jobs.review.find_all", find_all)
    assert find_review(read_recipe(recipe), TakeCache(tmp_path / "cache")).findings == []
    assert len(tried) == 2


def test_what_is_proposed_sounds_as_it_will_be_bounced(recipe, document):
    item = prepare_review(find_review(read_recipe(recipe)), most_bytes=None).items[0]
    run("review", recipe, "--accept", line_of(document["page_id"], [1]), "--yes")
    bounced = process_takes(read_recipe(recipe)).takes[1].sound.read_float32(item.place.start, item.place.stop)
    recorded, proposed = (flac_of(sound) for sound in item.voices["take"].sounds)
    heard = recorded.copy()
    heard[item.voices["take"].proposed_at :][: len(proposed)] = proposed
    # The last 15 ms cross over into the beginning of the loop.
    inside = slice(0, item.place.frames - 720)
    assert np.sqrt(np.mean((heard[inside] - bounced[inside]) ** 2)) < 10 ** (-80 / 20)
    assert np.sqrt(np.mean((recorded[inside] - bounced[inside]) ** 2)) > 10 ** (-50 / 20)


def flac_of(sound):
    """Samples of a page's sound."""
    return soundfile.read(io.BytesIO(sound.pieces[0].flac))[0] * sound.gain


def test_lines_of_another_song_and_of_what_is_not_proposed_are_refused(recipe, document):
    page_id = document["page_id"]
    other = f"{'0' * 8}{page_id[8:]}"
    assert "the review of another song" in run("review", recipe, "--accept", line_of(other, [1]), code=2).stderr
    assert "there is no finding 99" in run("review", recipe, "--accept", line_of(page_id, [99]), code=2).stderr
    assert "was not found" in run("review", recipe, "--accept", "yes please", code=2).stderr
    assert "give one of them" in run("review", recipe, "--accept", "x", "--undo", code=2).output
    assert "belongs to one recipe" in run("review", recipe, recipe, "--undo", code=2).output


@pytest.mark.slow
def test_the_page_stays_below_its_size_and_says_what_is_silent(recipe, tmp_path):
    review = find_review(read_recipe(recipe))
    whole, silent = (prepare_review(review, most_bytes=most) for most in (None, 1000))
    assert (silent.silent, silent.without_blend, whole.silent) == (len(silent.items), 0, 0)
    size = sum(len(sound.pieces[0].text) for voice in whole.items[0].voices.values() for sound in voice.sounds)
    first = prepare_review(review, most_bytes=size)
    assert first.items[0] == whole.items[0]
    assert first.silent == len(first.items) - 1
    assert "would be written over" in run("review", recipe, "-o", recipe, code=1).stderr
    (tmp_path / "mine.html").write_text("<p>by hand</p>")
    assert "is left alone" in run("review", recipe, "-o", tmp_path / "mine.html", code=1).stderr
    assert Path(tmp_path / "mine.html").read_text() == "<p>by hand</p>"


@pytest.mark.slow
def test_microphones_are_lined_up_and_rumble_is_filtered_in_a_song_without_a_tempo(folder, tmp_path):
    near, rate_hz = soundfile.read(folder / "left.wav")
    far = second_microphone(near, 5, delay_ms=1.2, inverted=True, rate_hz=rate_hz)
    rumble = 0.03 * np.sin(2 * np.pi * 24 * np.arange(len(near)) / rate_hz)
    for name, sound in (("near", near + rumble), ("far", far)):
        soundfile.write(tmp_path / f"{name}.wav", 0.5 * sound, rate_hz, subtype="PCM_24")
    recipe = tmp_path / "song.toml"
    recipe.write_text("""[song]
title = "No Tempo"

[[layer]]
name = "regular"
take = [
  { name = "near", file = "near.wav", pan = -50 },  # close
  { name = "far", file = "far.wav", pan = 50 },
]
""")
    before = recipe.read_bytes()
    document = json.loads(run("review", recipe, "--json", "-o", tmp_path / "page.html").stdout)
    numbers = {one["kind"]: one["number"] for one in document["findings"] if one["change"]}
    assert {"mics", "rumble"} <= set(numbers)
    assert all(one["heard_s"][1] > one["heard_s"][0] for one in document["findings"])
    run("review", recipe, "--accept", line_of(document["page_id"], [numbers["rumble"]]), "--yes")
    assert [one.hz for one in read_recipe(recipe).recipe.layer[0].chain.high_pass] == [40.0]
    run("review", recipe, "--undo")
    run("review", recipe, "--accept", line_of(document["page_id"], [numbers["mics"]]), "--yes")
    accepted = recipe.read_bytes()
    run("review", recipe, "--undo")
    assert recipe.read_bytes() == before
    run("check", recipe, "--write", "--quiet")
    assert recipe.read_bytes() == accepted
    far_take = read_recipe(recipe).recipe.layer[0].take[1]
    assert (far_take.shift_ms, far_take.invert_polarity) == (pytest.approx(-1.2, abs=0.05), True)


@pytest.mark.slow
def test_the_passes_of_a_double_are_one_decision_and_written_as_choose_writes_them(tmp_path):
    for side, names in PASSES.items():
        for name, playing in names.items():
            write_wave(tmp_path / f"{side} {name}.wav",
                       play_pass(SONG, 90 + int(name), voice="steel", playing=playing).samples, 48_000)
    recipe = tmp_path / "song.toml"
    recipe.write_text(recipe_text({side: "".join(names) for side, names in PASSES.items()}), "utf-8")
    before = recipe.read_bytes()
    document = json.loads(run("review", recipe, "--json", "-o", tmp_path / "page.html").stdout)
    passes = [one for one in document["findings"] if one["source"] == "choose"]
    assert [one["kind"] for one in passes] == ["passes"]
    assert passes[0]["heard_s"][1] - passes[0]["heard_s"][0] <= 10.1
    run("review", recipe, "--accept", line_of(document["page_id"], [passes[0]["number"]]), "--yes")
    accepted = recipe.read_bytes()
    assert accepted != before
    run("review", recipe, "--undo")
    assert recipe.read_bytes() == before
    run("choose", recipe, "--write")
    assert recipe.read_bytes() == accepted


@pytest.mark.slow
def test_from_the_shared_page_into_the_recipe_and_back(recipe, browser, tmp_path):
    before = recipe.read_bytes()
    with screen(["share", recipe, "--review", "--host", "127.0.0.1"], tmp_path) as terminal:
        url = terminal.wait_for(r"http://127\.0\.0\.1:\d+/([\w-]{22})/", 200)[0]
        terminal.wait_for("Ctrl-C ends it")
        with on_phone(browser, url) as page:
            page.get_by_role("button", name="As proposed").tap()
            until(page, "layerpipeReview.listener.playing")
            page.get_by_role("checkbox", name="Accept").check()
            page.get_by_role("button", name="Send to the terminal").tap()
            page.locator("#delivered", has_text="Sent").wait_for()
            terminal.wait_for(r"Accepted at 127\.0\.0\.1:\n")
            terminal.wait_for(r"\+by_ms = ")
            terminal.wait_for(r"Write this\?")
            assert recipe.read_bytes() == before
            terminal.type("y\n")
            terminal.wait_for("wrote ")
            terminal.wait_for("version 2 of the page is shown", 200)
            load_newer(page)
            assert page.evaluate("layerpipeReview.song.served.version") == 2
            assert page.get_by_role("option").count() >= 1
        assert terminal.end() == 0
    assert recipe.read_bytes() != before
    run("review", recipe, "--undo")
    assert recipe.read_bytes() == before

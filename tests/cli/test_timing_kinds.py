"""`layerpipe timing` and `check` on voices: heard as such, moved by phrases, and in words that fit a singer.

Truth: phrases of `sounds.sung` are sung late or early. Limit: members of trios are 27 to 49 ms apart (Rasch,
Acustica 43, 1979, read second hand), so a phrase belongs within 30 ms of the lead.
"""

from __future__ import annotations

import json

import pytest
import soundfile

from tests.support.command import run_command
from tests.support.sounds.sung import RATE_HZ, sing

LATE_MS = (0.0, 90.0, 0.0, -120.0, 0.0, 60.0)


@pytest.fixture(scope="module")
def song(tmp_path_factory):
    """A lead and a double that hisses, in a layer whose kind is to be heard."""
    folder = tmp_path_factory.mktemp("sung")
    text = '[song]\ntitle = "Salt Road"\ntempo = 100.0\nbar_one_s = 0.8\n\n[[layer]]\nname = "vocals"\n'
    for name, take in (("lead", sing(1)), ("double", sing(1, again=1, late_ms=LATE_MS, hiss_db=-12.0))):
        soundfile.write(folder / f"{name}.wav", take.samples, RATE_HZ, subtype="PCM_24")
        text += f'\n[[layer.take]]\nname = "{name}"\nfile = "{name}.wav"\n'
    path = folder / "song.toml"
    path.write_text(text)
    return path


def run(*words):
    result = run_command(*words)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def test_phrases_are_moved_to_the_lead_once_and_for_all(song):
    lead, double = json.loads(run("timing", song, "--json").stdout)["takes"]
    assert (lead["kind"], lead["kind_heard"], lead["verdict"]) == ("voice", True, "tight")
    assert double["verdict"] == "needs edits"
    assert double["shift_ms"] is None
    assert [move["by_ms"] for move in double["moves"]] == pytest.approx([-90, 120, -60], abs=30)
    before = song.read_text()
    run("timing", song, "--write")
    found = json.loads(run("timing", song, "--json").stdout)
    assert [take["moves"] for take in found["takes"]] == [[], []]
    assert found["takes"][1]["verdict"] == "tight"
    assert found["pairs"][0]["within_30_ms"] == 1.0
    run("timing", song, "--undo")
    assert song.read_text() == before


def test_the_kind_is_told_and_a_recipe_can_say_it_and_no_tempo_is_needed(song):
    assert "vocals: heard as voice, compared by phrases" in run("timing", song).stdout
    told = song.with_name("told.toml")
    text = song.read_text().replace('name = "vocals"\n', 'name = "vocals"\nkind = "wind"\n')
    told.write_text(text.replace("tempo = 100.0\nbar_one_s = 0.8\n", ""))
    found = json.loads(run("timing", told, "--json").stdout)
    take = found["takes"][1]
    assert (take["kind"], take["kind_heard"]) == ("wind", False)
    assert len(take["moves"]) == 3
    assert found["notes"] == []


def test_an_unknown_kind_is_refused_with_those_that_exist(song):
    wrong = song.with_name("wrong.toml")
    wrong.write_text(song.read_text().replace('name = "vocals"\n', 'name = "vocals"\nkind = "brass"\n'))
    result = run("timing", wrong)
    assert result.exit_code == 2
    for word in ("brass", "plucked", "struck", "voice", "bowed", "wind"):
        assert word in result.output


@pytest.mark.slow
def test_check_tells_sibilance_and_says_nothing_of_strings(song):
    short = song.with_name("short.toml")
    text = song.read_text().replace('name = "vocals"\n', 'name = "vocals"\nkind = "voice"\n')
    for name in ("lead", "double"):
        sound, rate_hz = soundfile.read(song.with_name(f"{name}.wav"), stop=13 * RATE_HZ)
        soundfile.write(song.with_name(f"short {name}.wav"), sound, rate_hz, subtype="PCM_24")
        text = text.replace(f'"{name}.wav"', f'"short {name}.wav"')
    short.write_text(text)
    takes = {take["take"]: take for take in json.loads(run("check", short, "--json").stdout)["takes"]}
    assert takes["double"]["kind"] == "voice"
    (hiss,) = [fault for fault in takes["double"]["faults"] if fault["kind"] == "sibilance"]
    assert len(hiss["details"]["places_s"]) == 2
    assert hiss["details"]["louder_db"] > 6
    assert not [fault for fault in takes["lead"]["faults"] if fault["kind"] == "sibilance"]
    assert "string" not in json.dumps([fault["advice"] for take in takes.values() for fault in take["faults"]])

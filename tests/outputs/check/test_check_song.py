"""The check compares the takes of a song: misplaced takes, wrong notes, tuning across half a semitone, talk.

Truth: every take is strummed anew by `sounds.strums`, fretted wrong, retuned (by resampling) or moved by a known
amount. A speaker is a row of decaying pulses through two resonances, as speech is made (Fant, Acoustic Theory of
Speech Production, Mouton, 1960).
"""

from __future__ import annotations

import json
import re
from functools import cache

import numpy as np
import pytest
import soundfile

from layerpipe.analysis.defects.levels.talk import talk_spans_s
from tests.support.command import run_command
from tests.support.examples import slow
from tests.support.sounds.strums import RATE_HZ, Hand, make_strums

TEMPO, BARS, BAR_ONE_S = 100.0, 7, 0.6
NAMES = ("left", "right", "third")


@cache
def strummed(seed: int, semitones: int = 0, first_bar: int = 1, last_bar: int = BARS, string: int = -1) -> np.ndarray:
    """A take; `semitones` off in some bars, or only its string `string`."""

    def finger(bar: int, chord: tuple[int, ...]) -> tuple[int, ...]:
        by = semitones if first_bar <= bar <= last_bar else 0
        return tuple(note + by * (string < 0 or n == string) for n, note in enumerate(chord))

    return make_strums(seed, voice="nylon", hand=Hand(scatter_ms=4.0), tempo=TEMPO, bars=BARS, harmony=3,
                       fingering=finger).samples


def retuned(samples: np.ndarray, cents: float) -> np.ndarray:
    """Higher by some cents, by resampling; the few ms that it becomes shorter are no drift to speak of."""
    ratio = 2 ** (cents / 1200)
    at = np.arange(int(len(samples) / ratio)) * ratio
    return np.interp(at, np.arange(len(samples)), samples)


def checked(folder, *sounds: np.ndarray, code: int | None = None) -> list[dict]:
    """What the check says of the takes, in the order of the recipe."""
    text = f'[song]\ntitle = "T"\ntempo = {TEMPO}\nbar_one_s = {BAR_ONE_S}\n\n[[layer]]\nname = "a"\n'
    for name, sound in zip(NAMES, sounds, strict=False):
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="PCM_24")
        text += f'\n[[layer.take]]\nname = "{name}"\nfile = "{name}.wav"\n'
    (folder / "song.toml").write_text(text)
    result = run_command("check", folder / "song.toml", "--json")
    assert result.exit_code in ((0, 1) if code is None else (code,)), result.output[:2000]
    return sorted(json.loads(result.stdout)["takes"], key=lambda take: NAMES.index(take["take"]))


def kinds(take: dict) -> list[str]:
    return [fault["kind"] for fault in take["faults"]]


@pytest.mark.slow
def test_takes_that_agree_have_no_faults(tmp_path):
    assert [kinds(take) for take in checked(tmp_path, strummed(1), strummed(2), strummed(3), code=0)] == [[]] * 3


@pytest.mark.parametrize(("wrong", "semitones", "bars"), [
    slow({}, 2, list(range(1, BARS + 1))),
    slow({}, -1, list(range(1, BARS + 1))),
    slow({"first_bar": 4, "last_bar": 6}, 5, [4, 5, 6]),
    slow({"string": 2}, 1, None)],
    ids=["capo", "a semitone down", "another chord", "one string"])
def test_wrong_notes_are_told_with_their_bars_and_semitones(tmp_path, wrong, semitones, bars):
    first, *rest = checked(tmp_path, strummed(1, semitones, **wrong), strummed(2), strummed(3), code=1)
    (fault,) = [fault for fault in first["faults"] if fault["kind"] == "wrong_notes"]
    assert fault["semitones"] == semitones
    if bars is not None:
        assert fault["bars"] == bars
    assert fault["verdict"] == first["verdict"] == "re-record"
    assert "a / right" in fault["text"]
    assert all("wrong_notes" not in kinds(take) for take in rest)


def test_of_two_takes_with_different_notes_both_are_to_be_reviewed(tmp_path):
    takes = checked(tmp_path, strummed(1, 2), strummed(2), code=0)
    for take, by in zip(takes, (2, -2), strict=True):
        (fault,) = [fault for fault in take["faults"] if fault["kind"] == "wrong_notes"]
        assert (fault["semitones"], fault["verdict"]) == (by, "review")
        assert "nothing shows which of them is right" in fault["text"]


@pytest.mark.slow
def test_a_late_take_is_told_once_with_its_shift(tmp_path):
    late = np.concatenate([np.zeros(round(0.4 * RATE_HZ)), strummed(1)])
    first, *rest = checked(tmp_path, late, strummed(2), strummed(3), code=0)
    assert kinds(first) == ["offset"]
    assert first["faults"][0]["offset_ms"] == pytest.approx(400, abs=4)
    assert first["faults"][0]["details"]["shift_ms"] == pytest.approx(-400, abs=4)
    assert [kinds(take) for take in rest] == [[], []]


def test_a_pasted_section_is_a_remark(tmp_path):
    first, last, there = (round((BAR_ONE_S + bar * 240 / TEMPO - 0.02) * RATE_HZ) for bar in (1, 3, 4))
    pasted = strummed(1).copy()
    pasted[there : there + last - first] = pasted[first:last]
    left, right = checked(tmp_path, pasted, strummed(2), code=0)
    (told,) = (fault for fault in left["faults"] if fault["kind"] == "repeat")
    assert told["verdict"] == "OK"
    # Frets are stopped 10 ms before a bar: the paste is known to a tenth of a second.
    assert told["text"].startswith(("bar 5 beat 1 ", "bar 4 beat 4"))
    assert "is a copy of what begins at bar " in told["text"]
    assert told["details"]["start_s"] - told["details"]["of_s"] == pytest.approx(3 * 240 / TEMPO, abs=1e-4)
    assert "repeat" not in kinds(right)


@pytest.mark.slow
def test_tunings_on_both_sides_of_half_a_semitone_are_read_next_to_each_other(tmp_path):
    as_played = [take["tuning_cents"] for take in checked(tmp_path, strummed(1), strummed(2))]
    takes = checked(tmp_path, *(retuned(strummed(n + 1), -by - as_played[n]) for n, by in enumerate((47, 52))))
    assert [take["tuning_cents"] for take in takes] == pytest.approx([-47, -52], abs=1.5)
    assert all("flat" in fault["text"] for take in takes for fault in take["faults"] if fault["kind"] == "tuning")
    assert "sharp" not in json.dumps(takes)


def test_a_metronome_in_a_take_is_told_with_its_worst_bar(tmp_path):
    bled, at_s = strummed(1).copy(), np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
    tick = 0.01 * np.exp(-at_s / 0.006) * np.sin(2 * np.pi * 2000 * at_s)
    for beat in range(4 * BARS):
        first = round((BAR_ONE_S + beat * 60 / TEMPO) * RATE_HZ)
        bled[first : first + len(tick)] += tick
    first, second = checked(tmp_path, bled, strummed(2), code=0)
    assert kinds(first) == ["metronome"]
    (fault,) = first["faults"]
    assert re.search(r"metronome in the take, -(39|4[01]) dBFS, 100 ticks a minute, worst at bar \d", fault["text"])
    assert fault["level_db"] == pytest.approx(-40.0, abs=1.5)
    assert fault["details"]["ticks_per_minute"] == pytest.approx(TEMPO, abs=0.01)
    assert kinds(second) == []


def test_a_late_first_entrance_is_told_where_the_rest_is_in_place(tmp_path):
    late, by, edge = strummed(1).copy(), round(0.18 * RATE_HZ), round(0.02 * RATE_HZ)
    strum = slice(round((BAR_ONE_S - 0.04) * RATE_HZ), round((BAR_ONE_S + 0.26) * RATE_HZ))
    fades = np.ones(strum.stop - strum.start)
    fades[:edge], fades[-edge:] = np.linspace(0, 1, edge), np.linspace(1, 0, edge)
    piece = fades * late[strum]
    late[strum] -= piece
    late[strum.start + by : strum.stop + by] += piece
    first, second, third = checked(tmp_path, late, strummed(2), strummed(3), code=0)
    # Against one of its doubles or both.
    assert set(kinds(first)) == {"late_start"}
    assert first["faults"][0]["details"]["late_s"] == pytest.approx(0.18, abs=0.04)
    assert "the rest is in place" in first["faults"][0]["text"]
    assert kinds(second) == kinds(third) == []


def spoken(words: int, every_s: float) -> np.ndarray:
    """Words of 0.25 s: glottal pulses at 110 Hz through two resonances."""
    out = np.zeros(round(words * every_s * RATE_HZ))
    pulses = np.zeros(round(0.25 * RATE_HZ))
    pulses[:: RATE_HZ // 110] = np.hanning(len(pulses))[:: RATE_HZ // 110]
    at_s = np.arange(round(0.02 * RATE_HZ)) / RATE_HZ
    vowel = sum(np.exp(-at_s * np.pi * width) * np.sin(2 * np.pi * hz * at_s) for hz, width in ((700, 90), (1200, 110)))
    word = np.convolve(pulses, vowel)[: len(pulses)]
    for n in range(words):
        first = round(n * every_s * RATE_HZ)
        out[first : first + len(word)] += 0.2 * word / np.abs(word).max()
    return out


def test_a_count_in_is_told_and_condemns_neither_the_take_nor_its_double(tmp_path):
    sounds = []
    for seed in (1, 2, 3):
        lead = np.zeros(round(4 * 60 / TEMPO * RATE_HZ))
        if seed == 1:
            count = spoken(4, 60 / TEMPO)
            lead[: len(count)] += count
            # One word is far too loud.
            lead[1000:1400] = np.clip(40 * lead[1000:1400], -1, 1)
        sounds.append(np.concatenate([lead, strummed(seed)]) + 1e-5 * np.random.default_rng(seed).standard_normal(
            len(lead) + len(strummed(seed))))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(__name__ + ".BAR_ONE_S", BAR_ONE_S + 4 * 60 / TEMPO)
        first, *rest = checked(tmp_path, *sounds, code=0)
    assert kinds(first) == ["talk"]
    assert first["verdict"] == "OK"
    assert first["faults"][0]["details"]["spans_s"][0][0] < 0.1
    assert [kinds(take) for take in rest] == [[], []]


@pytest.mark.parametrize(("sounding_s", "told"), [
    (((0.5, 1.0),), 1), (((0.5, 0.8), (1.2, 1.5)), 1), (((0.5, 0.8), (1.6, 1.8)), 2), (((0.5, 0.55),), 0),
    (((1.5, 2.5),), 0), (((1.95, 2.5),), 0), (((1.5, 1.8), (1.95, 2.5)), 1)])
def test_talk_ends_before_bar_one_and_a_pick_up_rings_into_it(sounding_s, told):
    power = np.full(1000, 1e-9)
    power[200:] = 0.01
    for first, last in sounding_s:
        power[round(100 * first) : round(100 * last)] = 0.003
    assert len(talk_spans_s(power, 2.0)) == told

"""Click tracks, names and likeness of sounds, each against what was put in."""

from __future__ import annotations

from pathlib import PurePath

import numpy as np
import pytest

from layerpipe.analysis.folder.coarse_listening import listen
from layerpipe.analysis.folder.names import read_names, split_words
from layerpipe.analysis.folder.one_performance import excerpt_of, likeness
from layerpipe.analysis.folder.words import LANGUAGES, ROLES, is_one_of, words_of


def heard(samples, rate_hz=48_000):
    """Listen to an array."""
    rows = samples.reshape(len(samples), -1)
    return listen(lambda start, stop: rows[start:stop], len(rows), rows.shape[1], rate_hz)


def clicks(tempo, *, per_bar=4, accent=1.5, first_s=0.25, jitter_s=0.0, seconds=20.0, rate_hz=48_000):
    """Ticks of 15 ms, the first of a bar higher; their places are exact by construction."""
    rng = np.random.default_rng(5)
    out = np.zeros(round(seconds * rate_hz))
    t = np.arange(round(0.015 * rate_hz)) / rate_hz
    for n in range(int((seconds - first_s - 0.2) * tempo / 60)):
        hz = 1000.0 * (accent if n % per_bar == 0 else 1.0)
        at = round((first_s + n * 60 / tempo + jitter_s * rng.standard_normal()) * rate_hz)
        out[at : at + len(t)] += 0.5 * np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.005)
    return out


@pytest.mark.parametrize(("tempo", "per_bar", "rate_hz"), [
    (40, 4, 48_000), (97.5, 3, 44_100), (133.33, 5, 96_000), (240, 12, 48_000)])
def test_a_click_track_tells_tempo_bar_and_downbeat(tempo, per_bar, rate_hz):
    ticks = heard(clicks(tempo, per_bar=per_bar, rate_hz=rate_hz, seconds=30.0), rate_hz).ticks
    assert ticks is not None
    assert 60 / ticks.apart_s == pytest.approx(tempo, rel=1e-4)
    assert ticks.per_bar == per_bar
    assert ticks.downbeat_s == pytest.approx(0.25, abs=0.002)


def test_without_accents_a_click_track_tells_the_tempo_alone():
    ticks = heard(clicks(120, accent=1.0)).ticks
    assert ticks is not None
    assert ticks.per_bar is None
    assert 60 / ticks.apart_s == pytest.approx(120, rel=1e-4)


def test_hands_are_no_click_track():
    # Onsets of good players spread by 10 ms and more (common practice, no source).
    assert heard(clicks(120, jitter_s=0.010)).ticks is None


def test_noise_is_no_speech_and_silence_is_silent():
    noise = heard(0.1 * np.random.default_rng(1).standard_normal(96_000))
    assert noise.flatness > 0.3
    assert noise.ticks is None
    assert heard(np.zeros(48_000)).is_silent


def test_a_delayed_inverted_copy_at_another_rate_is_the_same_performance():
    import soxr

    rng = np.random.default_rng(2)
    played, other = 0.1 * rng.standard_normal((2, 10 * 48_000))
    delayed = soxr.resample(-np.concatenate([np.zeros(96), played])[: len(played)], 48_000, 44_100)
    first = excerpt_of(lambda a, b: played[a:b, None], len(played), 48_000)
    second = excerpt_of(lambda a, b: delayed[a:b, None], len(delayed), 44_100)
    found = likeness(first, second)
    assert found.share > 0.9
    assert found.later_s == pytest.approx(0.002, abs=0.0003)
    unrelated = excerpt_of(lambda a, b: other[a:b, None], len(other), 48_000)
    assert likeness(first, unrelated).share < 0.05


@pytest.mark.parametrize(("name", "words"), [
    ("2021-03-04_guit_acústica_L_01", ("guit", "acustica", "l", "01")),
    ("AcGtrLeft_02_48k24", ("ac", "gtr", "left", "02")),
    ("BVHiL", ("bv", "hi", "l")),
    ("Høyre kor 3 24bit", ("hoyre", "kor", "3")),
    ("20210304 e-gitarre (2)", ("e", "gitarre", "2")),
])
def test_names_become_words_without_dates_and_rates(name, words):
    assert split_words(name) == words


def parts(*names, folder=""):
    """Part, side and number of every name."""
    return [(one.key, one.side, one.number) for one in read_names([PurePath(name) for name in names], folder)]


def test_leading_numbers_count_tracks_only_where_all_differ():
    assert parts("01 gtr L.wav", "02 gtr R.wav", "03 voz.wav") == [("gtr", -1, 0), ("gtr", 1, 0), ("voz", 0, 0)]
    assert parts("01 gtr L.wav", "02 gtr L.wav", "01 gtr R.wav") == [("gtr", -1, 1), ("gtr", -1, 2), ("gtr", 1, 1)]


def test_a_short_side_word_needs_its_opposite_in_another_file():
    assert parts("gtr G.wav", "gtr D.wav") == [("gtr", -1, 0), ("gtr", 1, 0)]
    assert parts("gtr G.wav", "bass.wav") == [("gtrg", 0, 0), ("bass", 0, 0)]


def test_the_song_before_every_name_says_nothing():
    assert parts("Click of Dawn - gtr L.wav", "Click of Dawn - voice.wav", folder="Click of Dawn") == [
        ("gtr", -1, 0), ("voice", 0, 0)]


def test_folders_inside_the_folder_are_part_of_the_name():
    assert parts("steel/L 1.wav", "steel/R 1.wav", "nylon/L 1.wav") == [
        ("steel", -1, 1), ("steel", 1, 1), ("nylon", -1, 1)]


@pytest.mark.parametrize("role", ROLES)
def test_words_are_written_as_names_are_read(role):
    for word in words_of(role):
        assert split_words(word.removeprefix("=")) == tuple(word.removeprefix("=").split()), word
        if " " not in word:
            assert is_one_of(word.removeprefix("="), role)


def test_every_language_names_sides_and_takes():
    for language in LANGUAGES.values():
        assert all(len(pair.split("/")) == 2 for pair in language.sides.split("|"))
        assert language.take

"""Commands that listen answer the same with what was heard before, without it, and where nothing can be kept."""

from __future__ import annotations

import os
import shutil

import numpy as np
import pytest
import soundfile

from layerpipe.render.cache.heard import KIND
from tests.support.command import run_command
from tests.support.examples import slow
from tests.support.sounds.song_player import Playing, make_song, play_pass

SONG = make_song(4001, sections=2, bars=2, meter="4/4")
TAKES = {"left 1": 0.0, "left 2": 0.0, "right 1": 0.0, "right 2": 30.0}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two passes on the left, one 44.1 kHz take of two microphones with a move on the right, and a late one."""
    folder = tmp_path_factory.mktemp("heard")
    sound = {name: play_pass(SONG, 60 + n, playing=Playing(5.0, feel_ms=feel_ms)).samples
             for n, (name, feel_ms) in enumerate(TAKES.items())}
    sound["right 1"] = sound["right 1"][: -len(sound["right 1"]) // 4]
    sound["left 2"][80_000] += 0.3
    for name, samples in sound.items():
        rate_hz = 44_100 if name == "right 1" else 48_000
        soundfile.write(folder / f"{name}.flac", np.stack([samples, 0.5 * samples], axis=1), rate_hz, subtype="PCM_24")
    (folder / "song.toml").write_text(f"""
[song]
title = "Twice"
tempo = {SONG.tempo}
bar_one_s = {SONG.bar_one_s}
[[layer]]
name = "regular"
[[layer.take]]
name = "left"
pan = -100
passes = [{{ name = "1", file = "left 1.flac", channel = 1 }}, {{ name = "2", file = "left 2.flac", channel = 1 }}]
comp = [{{ from = "bar 3", to = "bar 4", pass = "2" }}]
[[layer.take]]
name = "right"
pan = 100
mics = [{{ file = "right 1.flac", channel = 1 }}, {{ file = "right 1.flac", channel = 2, gain_db = -3.0 }}]
starts = 0.1
move = [{{ from = 1.0, to = 2.0, by_ms = -15.0 }}]
[[layer]]
name = "other"
[[layer.take]]
name = "late"
file = "right 2.flac"
channel = 2
pan = 0
shift_ms = 0.3
""", "utf-8")
    return folder


def answer(*words):
    result = run_command(*words, "--json")
    assert result.exception is None or isinstance(result.exception, SystemExit), result.output
    return result.stdout


def in_folder(folder, command, *files):
    """The words of a command on files of the folder."""
    after = ["--after"] if "--after" in files else []
    return command, *([folder / name for name in files if name != "--after"] or [folder / "song.toml"]), *after


@pytest.mark.parametrize("words", [("tempo",), *(slow(words) for words in (
    ("check",), ("check", "left 1.flac", "right 2.flac"), ("timing",), ("timing", "--after"), ("choose",),
    ("draft", ".")))], ids=" ".join)
def test_a_command_answers_the_same_the_second_time(folder, tmp_path, monkeypatch, words):
    words = in_folder(folder, *words)
    monkeypatch.setenv("LAYERPIPE_CACHE", str(tmp_path / "kept"))
    first = answer(*words)
    kept = set((tmp_path / "kept" / "takes").glob(f"*.{KIND}"))
    assert kept
    assert answer(*words) == first
    assert set((tmp_path / "kept" / "takes").glob(f"*.{KIND}")) == kept


@pytest.mark.slow
@pytest.mark.parametrize("words", [("tempo",), *(slow(words) for words in (
    ("check",), ("check", "left 1.flac", "right 2.flac"), ("timing",), ("timing", "--after"), ("choose",),
    ("draft", ".")))], ids=" ".join)
def test_a_command_answers_the_same_without_a_cache(folder, tmp_path, monkeypatch, words):
    words = in_folder(folder, *words)
    monkeypatch.setenv("LAYERPIPE_CACHE", str(tmp_path / "kept"))
    first = answer(*words)
    assert list((tmp_path / "kept" / "takes").glob(f"*.{KIND}"))
    monkeypatch.setenv("LAYERPIPE_CACHE", os.fspath(folder / "song.toml" / "no folder"))
    assert answer(*words) == first


def test_a_changed_take_costs_only_itself(folder, tmp_path, monkeypatch):
    monkeypatch.setenv("LAYERPIPE_CACHE", str(tmp_path / "kept"))
    shutil.copytree(folder, tmp_path / "song")
    answer("tempo", tmp_path / "song" / "song.toml")
    kept = set((tmp_path / "kept" / "takes").glob(f"*.{KIND}"))
    samples, rate_hz = soundfile.read(tmp_path / "song" / "right 2.flac")
    soundfile.write(tmp_path / "song" / "right 2.flac", 0.5 * samples, rate_hz, subtype="PCM_24")
    answer("tempo", tmp_path / "song" / "song.toml")
    now = set((tmp_path / "kept" / "takes").glob(f"*.{KIND}"))
    assert kept <= now
    assert len(kept) == 3
    assert len(now) == 4

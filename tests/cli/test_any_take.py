"""Every command takes takes of any length, rate, channel count and start, or refuses with the name of a file."""

from __future__ import annotations

import json
import os
import traceback

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as some

from tests.support.command import run_command
from tests.support.examples import few, slow
from tests.support.songs import plucked, write_recipe

RATES_HZ = (8_000, 22_050, 44_100, 48_000, 96_000, 192_000)
COMMANDS = (["check"], ["check", "--pictures", "pictures"], ["timing"], ["timing", "--after", "--listen", "spots"],
            ["tempo"], ["levels", "--at", "-9"], ["preview"], ["page"], ["bounce"])
SOUNDS = ("plucked", "silent", "noise", "constant", "square", "one sample")


@some.composite
def takes(draw, longest_s):
    """One take: frames, rate, channels, sound; short ones are as likely as long ones."""
    rate_hz = draw(some.sampled_from(RATES_HZ))
    longest = int(longest_s * rate_hz)
    frames = draw(some.one_of(some.integers(1, 64), some.integers(1, rate_hz // 10), some.integers(1, longest),
                              some.just(longest)))
    return {"frames": frames, "rate_hz": rate_hz, "channels": draw(some.integers(1, 3)),
            "sound": draw(some.sampled_from(SOUNDS)), "seed": draw(some.integers(0, 99))}


@some.composite
def songs(draw, longest_s):
    """A song of one or two layers, with or without a grid, sections, an own rate and a bed."""
    layers = [draw(some.lists(takes(longest_s), min_size=1, max_size=3)) for _ in range(draw(some.integers(1, 2)))]
    same = draw(some.booleans())
    if same:
        # Doubles of one length and rate but one: what a session looks like.
        first = layers[0][0]
        for take in layers[0][1:] + [take for layer in layers[1:] for take in layer[1:]]:
            take |= {"rate_hz": first["rate_hz"], "frames": first["frames"]}
    return {"layers": layers, "rate_hz": draw(some.sampled_from((None, 44_100, 48_000, 96_000))),
            "grid": draw(some.booleans()), "bar_one_s": draw(some.sampled_from((0.0, 0.25, 1.7))),
            "bars": draw(some.integers(1, 3)), "bed": draw(some.one_of(some.none(), takes(longest_s))),
            "muted": draw(some.booleans()), "move": draw(some.booleans())}


def _sound(take):
    """Samples of a take, shape (frames, channels)."""
    frames, random = take["frames"], np.random.default_rng(take["seed"])
    if take["sound"] == "plucked":
        mono = plucked(take["seed"], max(frames / take["rate_hz"], 0.6), take["rate_hz"])[:frames]
        mono = np.pad(mono, (0, frames - len(mono)))
    else:
        mono = {"silent": np.zeros(frames), "noise": 0.3 * random.standard_normal(frames).clip(-3, 3),
                "constant": np.full(frames, 0.5), "square": np.where(np.arange(frames) // 100 % 2, 0.999, -0.999),
                "one sample": np.eye(1, frames, frames // 2)[0] * 0.7}[take["sound"]]
    return np.repeat(mono[:, None], take["channels"], axis=1)


def _write(folder, song):
    """The files of a song; its recipe."""
    def entry(name, take):
        soundfile.write(folder / f"{name}.wav", _sound(take), take["rate_hz"], subtype="PCM_24")
        return {"name": name, "file": f"{name}.wav", **({"channel": 1} if take["channels"] > 1 else {})}

    layers = [{"name": f"layer {n}", "take": [entry(f"take {n}-{k}", take) for k, take in enumerate(layer)]}
              for n, layer in enumerate(song["layers"])]
    if song["muted"] and len(layers[0]["take"]) > 1:
        layers[0]["take"][1]["mute"] = True
    if song["move"]:
        layers[0]["take"][0]["move"] = [{"from": 0.01, "to": 0.02, "by_ms": 2.0}]
    recipe = {"song": {"title": "Any", "artist": "The Testers"}, "layer": layers, "preview": {"format": "wav"}}
    if song["rate_hz"]:
        recipe["song"]["sample_rate_hz"] = song["rate_hz"]
    if song["grid"]:
        recipe["song"] |= {"tempo": 240.0, "meter": "4/4", "bar_one_s": song["bar_one_s"]}
        recipe["section"] = [{"name": f"part {bar}", "bars": [bar, bar]} for bar in range(1, song["bars"] + 1)]
        if len(layers) > 1:
            recipe["section"][0]["levels_db"] = {"layer 1": -float("inf")}
    if song["bed"]:
        bed = {**song["bed"], "channels": min(song["bed"]["channels"], 2)}
        soundfile.write(folder / "bed.wav", _sound(bed), bed["rate_hz"], subtype="PCM_24")
        recipe["bed"] = {"file": "bed.wav"}
    return write_recipe(folder / "song.toml", recipe)


def _try_all(song, folder):
    """Every command on a song, and `check` on its bare files."""
    path = _write(folder, song)
    names = {file.name for file in folder.glob("*.wav")}
    os.chdir(folder)
    for words in (*([*words, str(path)] for words in COMMANDS), ["check", *sorted(names)]):
        if words[0] == "levels" and len(song["layers"]) == 1:
            continue
        told = run_command(*words, "--json")
        shown = f"{words}: {song}\n{told.stdout[-500:]}\n{told.stderr}"
        where = "".join(traceback.format_exception(*told.exc_info)[-2:])
        assert told.exception is None or isinstance(told.exception, SystemExit), shown + where
        assert told.exit_code in (0, 1, 2), shown
        document = json.loads(told.stdout)
        if "refused" in document and not document.get("bounces") and document["refused"]:
            assert any(name in told.stderr for name in (*names, "song.toml")), shown
        for library in ("must lie inside", "Invalid argument", "Errno", "array", "NoneType", "frames "):
            assert library not in told.stderr, shown
    return path


# Without shrinking: a failing song is as readable as a small one, and each try runs ten commands.
SETTINGS = {"phases": (Phase.generate,),
            "suppress_health_check": [HealthCheck.too_slow, HealthCheck.data_too_large]}


@settings(max_examples=few(1, 10), **SETTINGS)
@given(song=songs(longest_s=0.5))
def test_takes_of_any_length_rate_and_channel_count_are_measured_or_refused_by_name(song, tmp_path_factory):
    _try_all(song, tmp_path_factory.mktemp("any"))


@pytest.mark.slow
@settings(max_examples=few(4, 12), **SETTINGS)
@given(song=songs(longest_s=2.5))
def test_many_songs_of_any_takes(song, tmp_path_factory):
    _try_all(song, tmp_path_factory.mktemp("many"))


@pytest.mark.parametrize(("rate_hz", "early"), [
    slow(8_000, 30_000), slow(48_000, 1), slow(96_000, 47_999)])
def test_a_take_that_ends_early_beside_one_of_another_rate(tmp_path, rate_hz, early):
    whole = {"frames": 48_000, "rate_hz": 48_000, "channels": 1, "sound": "plucked", "seed": 3}
    short = {**whole, "rate_hz": rate_hz, "frames": max(1, (48_000 - early) * rate_hz // 48_000)}
    _try_all({"layers": [[whole, short]], "rate_hz": None if rate_hz == 48_000 else 48_000, "grid": True,
              "bar_one_s": 0.25, "bars": 1, "bed": None, "muted": False, "move": False}, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("frames", [1, slow(17), slow(52)])
def test_a_take_shorter_than_a_click_is_checked(tmp_path, frames):
    take = {"frames": frames, "rate_hz": 8_000, "channels": 2, "sound": "one sample", "seed": 3}
    _try_all({"layers": [[take, {**take, "sound": "plucked", "rate_hz": 96_000}]], "rate_hz": 48_000, "grid": False,
              "bar_one_s": 0.0, "bars": 1, "bed": None, "muted": False, "move": False}, tmp_path)


@pytest.mark.parametrize("seconds", [0.011, slow(0.015)])
def test_a_move_at_or_past_the_end_of_a_short_take_is_refused_by_name(tmp_path, seconds):
    take = {"frames": round(seconds * 192_000), "rate_hz": 192_000, "channels": 1, "sound": "one sample", "seed": 3}
    _try_all({"layers": [[take, take]], "rate_hz": 48_000, "grid": False, "bar_one_s": 0.25, "bars": 1, "bed": None,
              "muted": False, "move": True}, tmp_path)

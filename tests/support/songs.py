"""Small songs for tests: takes of plucked sound written as WAV, and a recipe that uses them."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import tomlkit

from tests.support.sounds.waves import Wave, sum_waves

RATE_HZ = 48_000
SECONDS = 4.0


def plucked(seed: int, seconds: float = SECONDS, rate_hz: int = RATE_HZ, *, octave: bool = False) -> np.ndarray:
    """Strums every half second with human timing, peak 0.35, shape (frames,)."""
    return _plucked(seed, seconds, rate_hz, octave).copy()


@functools.lru_cache(maxsize=32)
def _plucked(seed: int, seconds: float, rate_hz: int, octave: bool) -> np.ndarray:
    """Made once in a process."""
    random = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    sound = random.standard_normal(frames) * 1e-4
    t = np.arange(rate_hz) / rate_hz
    for at_s in np.arange(0.25, seconds - 0.1, 0.5):
        start = int((at_s + random.normal(0, 0.004)) * rate_hz)
        strum = np.exp(-t * 200) * random.standard_normal(len(t)) * 0.3
        strum += sum_waves([Wave(1 / partial, pitch_hz * (2 if octave else 1) * partial, random.uniform(0, 6),
                                 2 * partial, rate_hz)
                            for pitch_hz in (110.0, 146.83, 196.0, 246.94) for partial in range(1, 6)],
                           rate_hz, rate_hz)
        strum = strum[: frames - start] * random.uniform(0.3, 1.0)
        sound[start : start + len(strum)] += strum
    return 0.35 * sound / np.abs(sound).max()


def write_take(path: Path, sound: np.ndarray, rate_hz: int = RATE_HZ, subtype: str = "PCM_24") -> Path:
    """Write a take; integers are rounded here, for the library floors."""
    if subtype == "PCM_24":
        soundfile.write(path, np.rint(sound * (1 << 23)).astype(np.int32) << 8, rate_hz, subtype=subtype)
    else:
        soundfile.write(path, sound, rate_hz, subtype=subtype)
    return path


def recipe_of(folder: Path) -> dict[str, Any]:
    """Write four takes (shared by all songs of the folder) and describe a song of two sections, as plain data."""
    layers = []
    for layer, octave in (("regular", False), ("octave", True)):
        takes = []
        for n, (name, pan) in enumerate((("left", -100), ("right", 100))):
            path = folder / f"{layer}-{name}.wav"
            if not path.exists():
                write_take(path, plucked(10 * n + octave, octave=octave))
            takes.append({"name": name, "file": path.name, "pan": pan})
        layers.append({"name": layer, "take": takes})
    layers[0]["chain"] = {"high_pass": [{"hz": 40}, {"hz": 80}],
                          "compressor": {"hits_db": 2.0, "ratio": 2.0}}
    layers[1]["level_db"] = -9.0
    return {
        "song": {"title": "Harbour Test", "artist": "The Testers", "tempo": 120.0, "meter": "4/4", "bar_one_s": 0.25},
        "section": [{"name": "verse", "bars": [1, 1], "levels_db": {"octave": -float("inf")}},
                    {"name": "chorus", "bars": [2, 2]}],
        "layer": layers,
        "preview": {"format": "wav", "lead_in_beats": 1, "tail_s": 0.5},
    }


def session_of(folder: Path) -> dict[str, Any]:
    """The same song as a session leaves it: passes with a comp, shifts of parts of a frame, microphones, a bed."""
    recipe = recipe_of(folder)
    (left, _), (octave_left, octave_right) = (layer["take"] for layer in recipe["layer"])
    left["passes"] = [{"name": "1", "file": left.pop("file"), "shift_ms": -0.7, "notes": {"strings": "new"}},
                      {"name": "2", "file": "regular-right.wav", "starts": -0.05, "shift_ms": 1.3,
                       "move": [{"from": 2.6, "to": 3.1, "by_ms": 7.0}]}]
    left["comp"] = [{"from": "bar 2", "to": 3.6, "pass": "2"}]
    octave_left["shift_ms"] = 0.4
    octave_right["mics"] = [{"file": octave_right.pop("file")},
                            {"file": "octave-left.wav", "gain_db": -9.0, "shift_ms": 0.37, "invert_polarity": True}]
    recipe["bed"] = {"file": "octave-left.wav", "starts": 0.5}
    return recipe


def write_recipe(path: Path, recipe: dict[str, Any]) -> Path:
    """Write plain data as TOML."""
    path.write_text(tomlkit.dumps(recipe), "utf-8")
    return path

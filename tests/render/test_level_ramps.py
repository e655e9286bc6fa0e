"""Loudness where levels move, against pyebur128 on the sound itself: random songs of sound, silence, levels and ramps.

The reference mixes the takes by itself, and only its momentary and short-term figures come from the library: gates by
BS.1770-5 (eq. 4 to 7) and the range by EBU Tech 3342 are written out below, so that sections can be compared too.
LAYERPIPE_PATTERNS=200 tries as many songs (about two minutes).
"""

from __future__ import annotations

import json
import math
import os

import numpy as np
import pyebur128
import pytest
import soundfile

from layerpipe.dsp.loudness.bs1770 import steps_inside
from layerpipe.jobs.bounce import bounce_song
from layerpipe.jobs.verify import verify_song
from layerpipe.outputs.verify.opened_bounce import open_bounce
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies.mixes import read_mix
from layerpipe.render.pipeline import measure_song, process_takes
from tests.support.examples import slow
from tests.support.songs import RATE_HZ, plucked, recipe_of, write_recipe, write_take

PATTERNS = int(os.environ.get("LAYERPIPE_PATTERNS", "12"))
SECONDS, SETS = 7.0, 4
STEP = RATE_HZ // 100
INAUDIBLE_LUFS = -100.0


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    """Sets of three takes in which passages are silent, and a cache for all songs."""
    folder = tmp_path_factory.mktemp("ramps")
    random = np.random.default_rng(77)
    for n in range(SETS):
        for name in ("a", "b", "c"):
            sound = plucked(100 + 10 * n + ord(name), SECONDS)
            for start in np.flatnonzero(random.random(14) < 0.3) * (RATE_HZ // 2):
                sound[start : start + RATE_HZ // 2 + 100] = 0.0
            write_take(folder / f"{n}-{name}.wav", np.rint(sound * (1 << 23)) / (1 << 23))
    return folder, TakeCache(folder / "cache")


def _level(random):
    return float(random.choice([-math.inf, 0.0, round(random.uniform(-25, 6), 2)]))


def _recipe(random, n):
    """Sections of whole bars with gaps between them; levels of both layers, off included."""
    tempo = round(random.uniform(150, 280), 3)
    sections, bar = [], int(random.integers(1, 3))
    last_bar = math.floor((SECONDS - 0.3) / (240 / tempo))
    while bar <= last_bar and len(sections) < 4:
        last = min(bar + int(random.integers(0, 3)), last_bar)
        levels = {name: _level(random) for name in ("low", "high") if random.random() < 0.8}
        sections.append({"name": f"part {len(sections)}", "bars": [bar, last], "levels_db": levels})
        bar = last + 1 + int(random.integers(0, 2))
    low = [{"name": "a", "file": f"{n}-a.wav", "pan": -100.0}, {"name": "b", "file": f"{n}-b.wav", "pan": 100.0}]
    if random.random() < 0.5:
        # Of three takes and more the energies hold the layer's sum.
        low += [{"name": "another", "file": f"{(n + 1) % SETS}-c.wav", "pan": 20.0},
                {"name": "fourth", "file": f"{(n + 2) % SETS}-c.wav", "pan": -60.0}]
    layers = [{"name": "low", "level_db": _level(random), "take": low},
              {"name": "high", "level_db": _level(random), "take": [{"name": "c", "file": f"{n}-c.wav", "pan": 0.0}]}]
    return {"song": {"title": "Ramps", "tempo": tempo, "meter": "4/4",
                     "bar_one_s": round(random.uniform(0, 0.3), 5)}, "section": sections, "layer": layers}


def _gain(recipe, layer, frames):
    """A layer's gain frame by frame: it changes on a section's edges, 20 ms of raised cosine before them."""
    bar_s = 4 * 60 / recipe["song"]["tempo"]
    target = np.full(frames, 10 ** (layer["level_db"] / 20))
    for section in recipe["section"]:
        first, last = section["bars"]
        start, stop = (round((recipe["song"]["bar_one_s"] + bar * bar_s) * RATE_HZ) for bar in (first - 1, last))
        target[start:stop] = 10 ** (section["levels_db"].get(layer["name"], layer["level_db"]) / 20)
    gain, ramp = target.copy(), RATE_HZ // 50
    for edge in np.flatnonzero(np.diff(target)) + 1:
        t = np.arange(max(edge - ramp, 0), edge)
        share = (1 - np.cos(np.pi * (t - t[0]) / len(t))) / 2
        gain[t] = target[edge - 1] + (target[edge] - target[edge - 1]) * share
    return gain


def _render(song, recipe, name):
    """A layer or the blend, (frames, 2), from the processed takes."""
    total, n = np.zeros((song.frames, 2)), 0
    for layer in recipe["layer"]:
        gain = _gain(recipe, layer, song.frames)
        for take in layer["take"]:
            sound = song.takes[n].sound.read(0, song.frames) * gain
            angle = (take["pan"] + 100) / 200 * math.pi / 2
            if name in (layer["name"], "blend"):
                total += sound[:, None] * [math.cos(angle) if take["pan"] < 100 else 0.0, math.sin(angle)]
            n += 1
    return total


class Meter:
    """pyebur128's momentary and short-term loudness of a sound after each step of 10 ms that is asked for."""

    def __init__(self, sound, short_term_at):
        mode = pyebur128.MeasurementMode
        state = pyebur128.R128State(2, RATE_HZ, mode.MODE_I | mode.MODE_M | mode.MODE_S)
        steps = len(sound) // STEP
        self.momentary, self.short_term = np.full(steps + 1, -np.inf), np.full(steps + 1, -np.inf)
        for step in range(steps):
            state.add_frames(np.ascontiguousarray(sound[step * STEP : (step + 1) * STEP]).reshape(-1), STEP)
            self.momentary[step + 1] = pyebur128.get_loudness_momentary(state)
            if step + 1 in short_term_at:
                self.short_term[step + 1] = pyebur128.get_loudness_shortterm(state)
        self.integrated = pyebur128.get_loudness_global(state)


def _powers(lufs):
    return 10 ** (np.asarray(lufs) / 10)


def _integrated(blocks):
    """BS.1770-5, eq. 4 to 7, of the loudness of 400 ms blocks."""
    heard = blocks[blocks > -70]
    if not len(heard):
        return -math.inf
    kept = heard[_powers(heard) > _powers(heard).mean() / 10]
    return 10 * math.log10(_powers(kept).mean())


def _range(blocks):
    """EBU Tech 3342 of the loudness of 3 s blocks."""
    heard = np.sort(blocks[blocks >= -70])
    kept = heard[_powers(heard) >= _powers(heard).mean() / 100] if len(heard) else heard
    if not len(kept):
        return None
    low, high = (kept[math.floor((len(kept) - 1) * share + 0.5)] for share in (0.10, 0.95))
    return high - low


def _same(found, expected):
    if found is None or expected is None:
        return found is expected
    return found == pytest.approx(expected, abs=0.01) or max(found, expected) < INAUDIBLE_LUFS


@pytest.mark.parametrize("seed", [*range(3), *(slow(seed) for seed in range(3, PATTERNS))])
def test_every_figure_is_that_of_the_sound_where_levels_move(studio, seed):
    folder, cache = studio
    random = np.random.default_rng(seed)
    recipe = _recipe(random, seed % SETS)
    song = process_takes(read_recipe(write_recipe(folder / f"{seed}.toml", recipe)), cache)
    energies = measure_song(song, cache)
    spans = {part.name: steps_inside(part.start, part.stop, RATE_HZ) for part in song.parts()}
    wanted = {step for first, stop in spans.values() for step in range(first + 300, stop + 1, 10)}
    for name, layers in (("blend", song.layers), ("high", song.layers[1:])):
        meter = Meter(_render(song, recipe, name), wanted)
        for part in song.parts():
            first, stop = spans[part.name]
            found = read_mix(energies, song.mix(layers), part.start, part.stop)
            momentary, short = meter.momentary[first + 40 : stop + 1], meter.short_term[first + 300 : stop + 1 : 10]
            expected = {"integrated_lufs": _integrated(momentary[::10]) if len(momentary) else None,
                        "momentary_max_lufs": momentary.max() if len(momentary) else None,
                        "short_term_max_lufs": short.max() if len(short) else None,
                        "range_lu": _range(short) if len(short) else None}
            wrong = {key: (getattr(found, key), value) for key, value in expected.items()
                     if not _same(getattr(found, key), value)}
            assert not wrong, f"{name}, {part.name}"
            if part.section is None:
                assert _same(found.integrated_lufs, meter.integrated)


def test_an_untouched_bounce_whose_layer_comes_in_late_is_unchanged(tmp_path):
    # The only sound of the octave layer inside the first section is the ramp to the second one.
    recipe = recipe_of(tmp_path)
    recipe["song"].update(tempo=240.0, meter="2/4")
    recipe["section"] = [{"name": "verse", "bars": [1, 6], "levels_db": {"octave": -math.inf}},
                         {"name": "chorus", "bars": [7, 7]}]
    bounce_song(read_recipe(write_recipe(tmp_path / "late.toml", recipe)), tmp_path / "late",
                cache=TakeCache(tmp_path / "cache"))
    found = verify_song(open_bounce(tmp_path / "late"))
    assert [file.problems for file in found.files if file.problems] == []
    manifest = json.loads((tmp_path / "late" / "bounce.json").read_text("utf-8"))
    octave = next(file for file in manifest["files"] if file["path"] == "layers/octave.wav")
    verse = next(part for part in octave["sections"] if part["section"] == "verse")
    meter = Meter(soundfile.read(tmp_path / "late/layers/octave.wav")[0], ())
    # The verse ends 3 s after bar 1, which begins at 0.25 s.
    assert verse["momentary_max_lufs"] == pytest.approx(meter.momentary[25 + 40 : 326].max(), abs=0.01)
    assert verse["momentary_max_lufs"] > -70, "the ramp is audible"

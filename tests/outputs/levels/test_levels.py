"""What is told of a level is what a full render with that level measures."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile

from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.dsp.masking import band_edges_hz, hz_of_erb_number
from layerpipe.dsp.peaks.true_peak import true_peak
from layerpipe.jobs.bounce import bounce_song
from layerpipe.jobs.levels import study_levels
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.examples import slow
from tests.support.songs import RATE_HZ, plucked, recipe_of, write_recipe, write_take
from tests.support.studio import Studio

SECONDS = 12.0
# Sections of whole bars of 2 s from 0.25 s on; the last bar of the second is cut by the end of the takes.
SPANS_S = {"verse": (0.25, 4.25), "chorus": (4.25, 10.25), "whole song": (0.0, SECONDS)}
# Any levels would do; these are as random as seeded numbers are.
LEVELS_DB = tuple(np.random.default_rng(31).uniform((-24, -15, -8, 0), (-15, -8, 0, 6)).round(2).tolist())


def song_of(folder, layers=("regular", "octave")):
    """A song of layers of two takes, 12 s long."""
    recipe = recipe_of(folder)
    made = []
    for n, name in enumerate(layers):
        takes = []
        for side, pan in (("left", -100.0), ("right", 60.0)):
            path = folder / f"long-{name}-{side}.wav"
            if not path.exists():
                write_take(path, plucked(50 + 10 * n + int(pan > 0), SECONDS, octave=n > 0) * (1.0, 0.8, 0.6)[n])
            takes.append({"name": side, "file": path.name, "pan": pan})
        made.append({"name": name, "take": takes, "chain": {"high_pass": [{"hz": 60}]}})
    recipe["layer"] = made
    recipe["section"] = [{"name": "verse", "bars": [1, 2]}, {"name": "chorus", "bars": [3, 5]}]
    return recipe


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    folder = tmp_path_factory.mktemp("levels")
    return Studio.of(folder, song_of)


def try_levels(studio, name="plain", levels_db=LEVELS_DB, change=lambda recipe: None, **asked):
    """What is found of some levels in a changed copy of the song."""
    return study_levels(studio.file(name, change), levels_db, cache=studio[2], **asked)


@pytest.fixture(scope="module")
def tried(studio):
    return {(row.section, row.level_db): row for row in try_levels(studio).rows}


@pytest.fixture(scope="module")
def bounced(studio):
    """Full renders: blend, regular and octave, by the octave's level."""
    found = {}
    for level_db in LEVELS_DB:
        file = studio.file(f"at {level_db}", lambda recipe, at=level_db: recipe["layer"][1].update(level_db=at))
        folder = studio[0] / "bounces" / f"{level_db}"
        bounce_song(file, folder, studio[2])
        found[level_db] = {name: soundfile.read(folder / f"{where}.wav")[0] for name, where in (
            ("blend", "blend"), ("regular", "layers/regular"), ("octave", "layers/octave"))}
    return found


def _cut(sound, section):
    start_s, stop_s = SPANS_S[section]
    return sound[round(start_s * RATE_HZ) : round(stop_s * RATE_HZ)]


EVERY_ROW = [(section, level_db) if n % 5 == 0 else slow(section, level_db)
             for n, (section, level_db) in enumerate(itertools.product(SPANS_S, LEVELS_DB))]
# Blocks of 400 ms that are complete, and the weighting at rest when a cut begins: what two meters can differ by.
WHOLE_LU, CUT_LU = 0.001, 0.01


def _pyloudnorm(sound):
    # The last, incomplete block is counted by this library and not by the standard: it gets whole hops only.
    whole = len(sound) // (RATE_HZ // 10) * (RATE_HZ // 10)
    return pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness(sound[:whole])


def _ebur128(sound):
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_S)
    short = -math.inf
    for at in range(0, len(sound), RATE_HZ // 10):
        piece = np.ascontiguousarray(sound[at : at + RATE_HZ // 10])
        state.add_frames(piece.reshape(-1), len(piece))
        if at + RATE_HZ // 10 >= 3 * RATE_HZ and len(piece) == RATE_HZ // 10:
            short = max(short, pyebur128.get_loudness_shortterm(state))
    return pyebur128.get_loudness_global(state), short


@pytest.mark.parametrize(("section", "level_db"), EVERY_ROW)
def test_loudness_is_that_of_a_full_render_on_three_meters(tried, bounced, section, level_db):
    row, sound = tried[section, level_db], {name: _cut(one, section) for name, one in bounced[level_db].items()}
    within = WHOLE_LU if section == "whole song" else CUT_LU
    integrated, short_term = _ebur128(sound["blend"])
    assert row.lufs == pytest.approx(measure(sound["blend"], RATE_HZ).integrated_lufs, abs=within)
    assert row.lufs == pytest.approx(_pyloudnorm(sound["blend"]), abs=within)
    assert row.lufs == pytest.approx(integrated, abs=0.01)
    assert row.short_term_max_lufs == pytest.approx(short_term, abs=0.01)
    rest = _pyloudnorm(sound["regular"])
    assert row.added_lu == pytest.approx(_pyloudnorm(sound["blend"]) - rest, abs=2 * within)
    assert row.relative_lu == pytest.approx(_pyloudnorm(sound["octave"]) - rest, abs=2 * within)


@pytest.mark.parametrize(("section", "level_db"), EVERY_ROW)
def test_mono_loss_is_that_of_a_full_render_folded(tried, bounced, section, level_db):
    blend = _cut(bounced[level_db]["blend"], section)
    folded = np.repeat(blend.mean(axis=1, keepdims=True), 2, axis=1)
    assert tried[section, level_db].mono_loss_lu == pytest.approx(_pyloudnorm(blend) - _pyloudnorm(folded), abs=0.01)


@pytest.mark.parametrize(("section", "level_db"), EVERY_ROW)
def test_true_peak_is_that_of_a_full_render(tried, bounced, section, level_db):
    blend = bounced[level_db]["blend"]
    peak = float(true_peak(_cut(blend, section)).max())
    # Files are rounded to 24 bit, and a cut rings: the meter hears silence outside it.
    assert tried[section, level_db].true_peak_dbtp == pytest.approx(20 * math.log10(peak), abs=1e-4)


def _brightness_db(blend, section):
    """By one Fourier transform of the whole song, all below 4 kHz taken out, then the section is cut."""
    spectrum = np.fft.rfft(np.pad(blend, ((RATE_HZ, RATE_HZ), (0, 0))), axis=0)
    spectrum[np.fft.rfftfreq(len(blend) + 2 * RATE_HZ, 1 / RATE_HZ) < 4000] = 0
    above = np.fft.irfft(spectrum, axis=0)[RATE_HZ:-RATE_HZ]
    return 10 * math.log10((_cut(above, section) ** 2).sum() / (_cut(blend, section) ** 2).sum())


@pytest.mark.slow
@pytest.mark.parametrize(("section", "level_db"), EVERY_ROW)
def test_brightness_is_the_share_of_a_plain_spectrum(tried, bounced, section, level_db):
    blend = bounced[level_db]["blend"]
    assert tried[section, level_db].brightness_db == pytest.approx(_brightness_db(blend, section), abs=0.02)


@pytest.mark.parametrize("section", SPANS_S)
def test_the_level_under_the_rest_is_solved_to_a_hundredth(studio, section):
    under = {"verse": 9.0, "chorus": 4.5, "whole song": -2.0}[section]
    found = try_levels(studio, sections=[section], under_lu=under, levels_db=[0.0]).solved
    assert [(one.section, one.under_lu) for one in found] == [(section, under)]
    file = studio.file(f"solved {section}", lambda recipe: recipe["layer"][1].update(level_db=found[0].level_db))
    bounce_song(file, studio[0] / "solved" / section, studio[2])
    regular, octave = (_cut(soundfile.read(studio[0] / "solved" / section / f"layers/{name}.wav")[0], section)
                       for name in ("regular", "octave"))
    assert _pyloudnorm(octave) - _pyloudnorm(regular) == pytest.approx(-under, abs=0.01)
    again = try_levels(studio, sections=[section], levels_db=[found[0].level_db]).rows[0]
    assert again.relative_lu == pytest.approx(-under, abs=1e-6)


def test_other_layers_are_at_the_levels_of_the_recipe(studio, tmp_path):
    folder = studio[0]
    recipe = song_of(folder, ("regular", "octave", "third"))
    recipe["layer"][2]["level_db"] = -6.0
    recipe["section"][0]["levels_db"] = {"third": -math.inf, "regular": -4.0}
    file = read_recipe(write_recipe(folder / "three.toml", recipe))
    rows = {row.section: row for row in study_levels(file, [-5.0], layer="octave", cache=studio[2]).rows}
    recipe["layer"][1]["level_db"] = -5.0
    bounce_song(read_recipe(write_recipe(folder / "three at.toml", recipe)), tmp_path / "out", studio[2])
    blend = soundfile.read(tmp_path / "out/blend.wav")[0]
    third = soundfile.read(tmp_path / "out/layers/third.wav")[0]
    regular = soundfile.read(tmp_path / "out/layers/regular.wav")[0]
    for section, row in rows.items():
        cut = _cut(blend, section)
        assert row.lufs == pytest.approx(_pyloudnorm(cut), abs=0.01)
        assert row.added_lu == pytest.approx(_pyloudnorm(cut) - _pyloudnorm(_cut(regular + third, section)), abs=0.02)
        # At its end the verse holds the ramps of the other layers.
        assert row.true_peak_dbtp == pytest.approx(20 * math.log10(float(true_peak(cut).max())), abs=1e-4)
        assert row.brightness_db == pytest.approx(_brightness_db(blend, section), abs=0.02)


def test_the_recipes_own_level_of_the_layer_does_not_matter(studio, tried):
    def change(recipe):
        recipe["layer"][1]["level_db"] = -30.0
        recipe["section"][0]["levels_db"] = {"octave": -math.inf}

    rows = try_levels(studio, "other", change=change).rows
    assert {(row.section, row.level_db): row for row in rows} == tried


def test_more_of_a_layer_is_never_heard_less(studio):
    found = try_levels(studio, levels_db=list(np.arange(-60.0, 12.0, 1.5)))
    for section in SPANS_S:
        rows = [row for row in found.rows if row.section == section]
        assert (np.diff([row.audible_bands for row in rows]) >= 0).all()
        assert (np.diff([row.audible_share for row in rows]) >= 0).all()
        assert rows[0].audible_bands == 0
        assert 0 < rows[-1].audible_bands <= found.bands == len(band_edges_hz(RATE_HZ)) - 1
        first = found.audible_from_db[section]
        assert all((row.audible_bands > 0) == (row.level_db > first) for row in rows)
        assert all(row.audible_share >= 0.05 for row in rows if row.audible_bands)


@pytest.mark.slow
def test_a_tone_is_first_heard_where_the_model_says(studio):
    # White noise N per Hz in every filter, a tone in the middle of a band: by the published formulas it needs
    # (10^0.1 - 1) N ERB of power. Noise fluctuates, so its mean over 5 % of the steps is let off 3 dB.
    folder = studio[0]
    random = np.random.default_rng(5)
    noise = 0.05 * random.standard_normal(12 * RATE_HZ)
    centre_hz = float(hz_of_erb_number(20.5))
    tone = 0.1 * np.sin(2 * np.pi * centre_hz * np.arange(len(noise)) / RATE_HZ)
    layers = []
    for name, sound in (("noise", noise), ("tone", tone)):
        write_take(folder / f"{name}.wav", sound)
        layers.append({"name": name, "take": [{"name": "only", "file": f"{name}.wav", "pan": -100.0}]})
    recipe = {**song_of(folder), "layer": layers}
    found = study_levels(read_recipe(write_recipe(folder / "tone.toml", recipe)), [-20.0, 0.0, 10.0],
                               cache=studio[2])
    width_hz = 24.7 * (4.37 * centre_hz / 1000 + 1)
    needed = (10**0.1 - 1) * 0.05**2 / (RATE_HZ / 2) * width_hz
    expected_db = 10 * math.log10(needed / (0.1**2 / 2))
    assert expected_db - 3 < found.audible_from_db["whole song"] < expected_db + 0.5
    loud = [row for row in found.rows if row.section == "whole song"][2]
    assert 1 <= loud.audible_bands <= 3
    assert loud.audible_share > 0.95


def test_the_answer_is_the_same_twice_from_an_empty_store(studio, tmp_path):
    file = studio.file("plain")
    told = [study_levels(file, LEVELS_DB, cache=TakeCache(tmp_path / name)) for name in ("one", "two")]
    assert json.dumps([repr(one) for one in told[:1]]) == json.dumps([repr(one) for one in told[1:]])

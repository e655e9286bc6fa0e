"""Stems' loudness from a file on disk: the same figures as heard at once, and levels that do not care for pieces."""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.dsp.loudness import bs1770 as loudness
from layerpipe.outputs.bounce import stem_energies
from layerpipe.outputs.bounce.stem_energies import StemEnergies
from layerpipe.outputs.bounce.write import plan_stems
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies import records
from layerpipe.render.energies.mixes import measure_mixes, read_mix
from layerpipe.render.pipeline import energies_key, measure_song, process_takes
from tests.support.songs import recipe_of, write_recipe


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    """A song whose octave layer is silent in its first section, read with changes of its recipe."""
    folder = tmp_path_factory.mktemp("song")
    cache = TakeCache(folder / "store")

    def song_with(change=lambda recipe: None):
        recipe = recipe_of(folder)
        change(recipe)
        song = process_takes(read_recipe(write_recipe(folder / "song.toml", recipe)), cache)
        return song, measure_song(song, cache)

    return song_with


@pytest.fixture(scope="module", params=[0, 3], ids=["two takes a layer", "five takes in one"])
def measured(studio, request):
    """A song and its energies."""
    return studio(lambda recipe: add_takes(recipe, request.param))


def add_takes(recipe, count):
    """More takes for the first layer, from the files of the second."""
    for n in range(count):
        recipe["layer"][0]["take"].append({"name": f"more {n}", "file": f"octave-{('left', 'right')[n % 2]}.wav",
                                           "pan": 30 * n % 150 - 40, "gain_db": -n, "invert_polarity": n == 1})


@pytest.mark.parametrize("held_bytes", [0, 8 << 20])
def test_stems_read_one_at_a_time_are_those_heard_at_once(measured, monkeypatch, held_bytes):
    song, energies = measured
    monkeypatch.setattr(records, "_READ_BYTES", 4000)
    monkeypatch.setattr(stem_energies, "_HELD_BYTES", held_bytes)
    stems = plan_stems(song)
    blends = StemEnergies(song, stems, energies)
    assert list(blends) == [stem.path for stem in stems]
    layers = {layer.name: [layer] for layer in song.layers} | {"blend": list(song.layers)}
    for stem in reversed(stems):
        mix = song.mix_of_take(stems.index(stem)) if stem.kind == "take" else song.mix(layers[stem.layer or "blend"])
        found, heard = blends[stem.path], measure_mixes(energies, [mix])[0]
        for name in ("stereo", "mono", "plain"):
            np.testing.assert_array_equal(getattr(found, name), getattr(heard, name))
        assert (found.first_step, found.rate_hz) == (0, song.rate_hz)
        assert found.readings() == heard.readings()


@pytest.mark.parametrize("size", [1, 7, 90])
def test_levels_are_the_same_whatever_steps_are_asked_for(measured, size):
    song, energies = measured
    gains = song.mix(song.layers).left
    whole = gains(0, energies.steps)
    assert len(np.unique(whole[:, 2])) == 2, "the octave layer changes its level"
    found = [gains(first, min(first + size, energies.steps)) for first in range(0, energies.steps, size)]
    np.testing.assert_array_equal(np.concatenate(found), whole)


def test_a_layer_of_many_takes_reads_as_its_sound(studio):
    song, energies = studio(lambda recipe: add_takes(recipe, 3))
    assert (song.channels, energies.alone) == (4, 5)
    blocks = [take.sound.read_float32(0, song.frames) for take in song.takes]
    for layer in song.layers:
        found = read_mix(energies, song.mix([layer]))
        expected = loudness.measure(song.layer_of(layer, blocks, 0), song.rate_hz)
        assert found.integrated_lufs == pytest.approx(expected.integrated_lufs, abs=0.001)
        assert found.momentary_max_lufs == pytest.approx(expected.momentary_max_lufs, abs=0.001)
    for n, block in enumerate(blocks):
        alone = loudness.measure(block * song.take_gain_of(n), song.rate_hz)
        found = read_mix(energies, song.mix_of_take(n))
        assert found.integrated_lufs == pytest.approx(alone.integrated_lufs, abs=0.001)


def test_energies_are_measured_again_only_when_a_sum_changes(studio):
    def turned(takes, layer):
        def change(recipe):
            add_takes(recipe, takes)
            recipe["layer"][layer]["take"][0]["pan"] = 12
        return energies_key(studio(change)[0])

    few, many = (energies_key(studio(lambda recipe, n=n: add_takes(recipe, n))[0]) for n in (0, 3))
    assert turned(0, 0) == turned(0, 1) == few
    assert turned(3, 1) == many
    assert turned(3, 0) != many


def test_energies_grow_with_the_number_of_takes_and_not_faster(studio, tmp_path):
    sizes = []
    for takes in (10, 20, 40):
        studio(lambda recipe, n=takes: add_takes(recipe, n))[1].save(tmp_path / "energies")
        sizes.append((tmp_path / "energies").stat().st_size)
    assert sizes[2] - sizes[1] == 2 * (sizes[1] - sizes[0])

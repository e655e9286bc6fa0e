"""Stems' loudness from a file on disk: the same figures as heard at once, and levels that do not care for pieces."""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.outputs.bounce import stem_energies
from layerpipe.outputs.bounce.stem_energies import StemEnergies
from layerpipe.outputs.bounce.write import plan_stems
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies import meter
from layerpipe.render.energies.mixes import measure_mixes
from layerpipe.render.pipeline import measure_song, process_takes
from tests.support.songs import recipe_of, write_recipe


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A song whose octave layer is silent in its first section, and its energies."""
    folder = tmp_path_factory.mktemp("song")
    cache = TakeCache(folder / "store")
    song = process_takes(read_recipe(write_recipe(folder / "song.toml", recipe_of(folder))), cache)
    return song, measure_song(song, cache)


@pytest.mark.parametrize("held_bytes", [0, 8 << 20])
def test_stems_read_one_at_a_time_are_those_heard_at_once(measured, monkeypatch, held_bytes):
    song, energies = measured
    monkeypatch.setattr(meter, "_READ_BYTES", 4000)
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

"""Levels of silent, short and bare songs, what is refused in words, and what is kept."""

from __future__ import annotations

import copy
import math

import numpy as np
import pytest

from layerpipe.core.errors import RecipeError
from layerpipe.jobs import levels
from layerpipe.outputs.levels.bands import Bands
from layerpipe.render.energies import records
from layerpipe.render.energies.records import DamagedRecords, Spool
from tests.outputs.levels.test_levels import LEVELS_DB, SECONDS, song_of, try_levels
from tests.support.songs import RATE_HZ, write_take
from tests.support.studio import Studio


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    return Studio.of(tmp_path_factory.mktemp("levels"), song_of)


def test_off_is_the_rest_alone(studio):
    row = try_levels(studio, levels_db=[-math.inf], sections=["chorus"]).rows[0]
    assert row.added_lu == 0.0
    assert row.relative_lu == -math.inf
    assert (row.audible_bands, row.audible_share) == (0, 0.0)


def test_too_short_to_measure_is_none_and_the_rest_still_told(studio):
    def change(recipe):
        recipe["section"].append({"name": "tail", "bars": [6, 6]})
        recipe["song"]["bar_one_s"] = 1.7  # the last section keeps 0.3 s

    found = try_levels(studio, "tail", sections=["tail"], change=change, under_lu=9.0)
    row = found.rows[0]
    assert (row.lufs, row.added_lu, row.relative_lu, row.short_term_max_lufs, row.mono_loss_lu) == (None,) * 5
    assert found.solved[0].level_db is None
    assert row.true_peak_dbtp < 0
    assert row.audible_share is not None


def test_a_silent_layer_is_never_heard_and_has_no_level(studio):
    folder = studio[0]
    write_take(folder / "nothing.wav", np.zeros(round(SECONDS * RATE_HZ)))

    def change(recipe):
        recipe["layer"][1]["take"] = [{"name": "only", "file": "nothing.wav"}]

    found = try_levels(studio, "silent", change=change, under_lu=9.0)
    assert all(row.added_lu == 0.0 and row.relative_lu == -math.inf and row.audible_bands == 0 for row in found.rows)
    assert all(one.level_db is None for one in found.solved)
    assert set(found.audible_from_db.values()) == {None}


def test_beside_silence_differences_have_no_meaning(studio):
    folder = studio[0]
    write_take(folder / "nothing.wav", np.zeros(round(SECONDS * RATE_HZ)))

    def change(recipe):
        recipe["layer"][0]["take"] = [{"name": "only", "file": "nothing.wav"}]

    row = try_levels(studio, "alone", change=change).rows[0]
    assert row.added_lu is None
    assert row.relative_lu is None
    assert row.audible_share == 1.0


def test_a_recipe_without_sections_has_the_whole_song(studio):
    found = try_levels(studio, "bare", change=lambda recipe: recipe.update(section=[]), under_lu=9.0)
    assert {row.section for row in found.rows} == {one.section for one in found.solved} == {"whole song"}


@pytest.mark.parametrize(("layer", "change", "says"), [
    ("octav", lambda recipe: None, 'no layer "octav"; did you mean "octave"'),
    ("zzz", lambda recipe: None, 'there are "regular", "octave"'),
    (None, lambda recipe: recipe["layer"].pop(), 'only "regular" sounds'),
    (None, lambda recipe: [take.update(mute=True) for take in recipe["layer"][0]["take"]], 'only "octave" sounds'),
    (None, lambda recipe: recipe["layer"].append({**copy.deepcopy(recipe["layer"][0]), "name": "third"}), "which one"),
])
def test_layers_that_cannot_be_tried_are_refused_in_words(studio, layer, change, says):
    with pytest.raises(RecipeError, match=says):
        try_levels(studio, "refused", change=change, layer=layer)


def test_sections_that_are_not_there_are_refused_with_those_that_are(studio):
    with pytest.raises(RecipeError, match='no section "chrous"; there are "verse", "chorus", "whole song"'):
        try_levels(studio, sections=["chrous"])


def test_a_song_is_measured_once_and_damage_is_measured_again(studio, monkeypatch):
    first = try_levels(studio)
    counted = []
    for name in ("measure_bands", "measure_peaks"):
        measured = getattr(levels, name)
        monkeypatch.setattr(levels, name, lambda *a, name=name, do=measured, **k: counted.append(name) or do(*a, **k))
    assert try_levels(studio, levels_db=LEVELS_DB) == first
    assert counted == []
    for kind in ("bands", "peaks"):
        for path in studio[2].folder.glob(f"*.{kind}"):
            kept = bytearray(path.read_bytes())
            kept[len(kept) // 2] ^= 1
            path.write_bytes(kept)
    assert try_levels(studio, levels_db=LEVELS_DB) == first
    assert counted == ["measure_bands", "measure_peaks"]


def test_a_file_of_bands_is_read_back_and_damage_is_told(tmp_path, rng):
    spool, products = Spool(), rng.standard_normal((5, 3, 41)).astype(np.float32)
    spool.add(products)
    bands = Bands(spool.finish(), 0, (2, 41), 48_000, 1000, 5, spool.check)
    path = tmp_path / "some.bands"
    bands.save(path)
    np.testing.assert_array_equal(Bands.load(path).read(0, 5), products)
    whole = path.read_bytes()
    for broken in (b"", whole[:20], whole[:-4], whole[:60] + b"x" + whole[61:], b"x" + whole[1:]):
        path.write_bytes(broken)
        with pytest.raises(DamagedRecords):
            Bands.load(path)


def test_the_pieces_in_which_a_song_is_read_change_nothing(studio, monkeypatch):
    whole = try_levels(studio, levels_db=LEVELS_DB)
    monkeypatch.setattr(records, "_READ_BYTES", 4000)
    pieces = try_levels(studio, levels_db=LEVELS_DB)
    # Sums over pieces are rounded elsewhere.
    assert [row.brightness_db for row in pieces.rows] == pytest.approx([row.brightness_db for row in whole.rows])
    assert pieces.audible_from_db == pytest.approx(whole.audible_from_db)
    assert [(row.audible_bands, row.audible_share) for row in pieces.rows] == [
        (row.audible_bands, row.audible_share) for row in whole.rows]

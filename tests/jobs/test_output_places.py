"""Sources and recipes are never written over, whatever name or link leads to them."""

from __future__ import annotations

import copy
import os
from dataclasses import replace

import pytest

from layerpipe.core.errors import OutputError, RecipeError
from layerpipe.jobs.bounce import bounce_into, bounce_song
from layerpipe.jobs.output_places import folder_of, refuse_sources, sources_of
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.songs import plucked, recipe_of, write_recipe, write_take


@pytest.fixture
def take(tmp_path):
    path = tmp_path / "takes" / "left.wav"
    path.parent.mkdir()
    path.write_bytes(b"sound")
    return path


@pytest.mark.parametrize("way", ["same", "dots", "link", "hard link", "linked folder", "folder around it",
                                 "link to the folder around it"])
def test_every_way_to_a_source_is_refused_with_both_names(take, tmp_path, way):
    output = tmp_path / "out.wav"
    if way == "same":
        output = take
    elif way == "dots":
        output = tmp_path / "takes" / ".." / "takes" / "left.wav"
    elif way == "link":
        output.symlink_to(take)
    elif way == "hard link":
        os.link(take, output)
    elif way == "linked folder":
        (tmp_path / "previews").symlink_to(take.parent)
        output = tmp_path / "previews" / "left.wav"
    elif way == "folder around it":
        output = take.parent
    else:
        output.symlink_to(take.parent)
    with pytest.raises(OutputError) as refusal:
        refuse_sources([tmp_path / "free.wav", output], [tmp_path / "song.toml", take])
    assert str(output) in str(refusal.value)
    assert str(take) in str(refusal.value)
    assert "free.wav" not in str(refusal.value)


def test_free_places_beside_a_source_are_allowed(take, tmp_path):
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    refuse_sources([take.with_name("right.wav"), tmp_path / "takes 2", tmp_path / "dangling", tmp_path / "loop"],
                   [take, tmp_path / "missing.wav"])


def test_a_bounce_does_not_replace_the_folder_its_take_is_in(tmp_path):
    recipe = recipe_of(tmp_path)
    cache = TakeCache(tmp_path / "cache")
    target = tmp_path / "bounces" / "song"
    bounce_song(read_recipe(write_recipe(tmp_path / "song.toml", recipe)), target, cache)
    again = copy.deepcopy(recipe)
    again["layer"][0]["take"][0]["file"] = "bounces/song/takes/regular-left.wav"
    again["bed"] = {"file": "bed.wav"}
    write_take(tmp_path / "bed.wav", plucked(3))
    file = read_recipe(write_recipe(tmp_path / "song.toml", again))
    assert tmp_path / "bed.wav" in sources_of(file)
    before = (target / "takes/regular-left.wav").read_bytes()
    with pytest.raises(OutputError, match=r"regular-left\.wav is inside it"):
        bounce_into(file, tmp_path / "bounces", cache=cache)
    assert (target / "takes/regular-left.wav").read_bytes() == before


@pytest.mark.parametrize("name", ["..toml", "...toml"])
def test_a_recipe_without_a_name_does_not_bounce_into_the_out_folder_itself(tmp_path, name):
    with pytest.raises(RecipeError, match="outputs are named after the recipe, rename it"):
        read_recipe(write_recipe(tmp_path / name, recipe_of(tmp_path)))
    file = read_recipe(write_recipe(tmp_path / "song.toml", recipe_of(tmp_path)))
    with pytest.raises(RecipeError, match="rename the recipe"):
        folder_of(replace(file, path=tmp_path / name), tmp_path / "out")
    with pytest.raises(RecipeError, match="rename the recipe"):
        bounce_into(replace(file, path=tmp_path / name), tmp_path / "out", cache=TakeCache(tmp_path / "cache"))
    assert not (tmp_path / "out").exists()

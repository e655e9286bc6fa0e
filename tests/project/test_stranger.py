"""A recipe from a stranger: nothing outside the output folder is written, nothing but regular files is read, no word of
it becomes a command, and counts and sizes end somewhere."""

from __future__ import annotations

import copy
import json
import os
import shutil
import subprocess
import sys

import imageio_ffmpeg
import pytest
import tomlkit

from layerpipe.core.errors import RecipeError
from layerpipe.recipe.reader import parse_recipe
from tests.soak.scene import digests
from tests.support.command import run_command
from tests.support.examples import slow
from tests.support.songs import recipe_of, write_recipe

EVIL = "-y -i /etc/passwd; $(touch pwned) `touch pwned` | touch pwned & %s {0} '\"> <x> --"


@pytest.fixture(scope="module")
def takes(tmp_path_factory):
    """Takes, made once."""
    folder = tmp_path_factory.mktemp("takes")
    recipe_of(folder)
    return folder


@pytest.fixture
def studio(takes, tmp_path, monkeypatch):
    """A folder to work in, and its recipe as plain data."""
    shutil.copytree(takes, tmp_path / "work")
    monkeypatch.chdir(tmp_path / "work")
    return tmp_path / "work", copy.deepcopy(recipe_of(tmp_path / "work"))


def _run(*arguments):
    done = run_command(*arguments)
    assert "Traceback" not in done.output
    return done


def test_no_word_becomes_a_command_and_only_the_output_folders_are_written(studio):
    folder, recipe = studio
    recipe["song"].update(title=EVIL, artist=EVIL)
    recipe["layer"][0]["take"][0]["notes"] = {EVIL: EVIL}
    recipe["preview"]["format"] = "mp3"
    recipe["bounce"] = {"names": "{artist}{song}-{layer}{take}"}
    path = write_recipe(folder / "song.toml", recipe)
    before = digests(folder)
    for command in ("bounce", "preview", "page"):
        assert _run(command, path).exit_code == 0
    after = digests(folder)
    new = [name for name in after if name not in before]
    assert {name: after[name] for name in before} == before
    assert all(name.startswith(("bounces/song/", "previews/song/", "pages/song.")) for name in new)
    assert not [name for name in new if "pwned" in name.split("/")[-1] and name.endswith("pwned")]
    heard = next(name for name in new if name.endswith(".mp3"))
    reader = [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-i", heard]
    told = subprocess.run(reader, capture_output=True, text=True, check=False).stderr
    assert EVIL in told


@pytest.mark.parametrize("name", ["../outside", "/etc/passwd", "a/b", "..", "con", "a\x00b", "a\nb", ".hidden",
                                  "x" * 300, "\u202egnp.exe", "C:\\x", "a|b"])
@pytest.mark.parametrize("where", ["layer", "take", "section"])
def test_names_that_lead_elsewhere_are_refused(tmp_path, name, where):
    recipe = {"song": {"title": "x", "tempo": 60.0}, "section": [{"name": "a", "bars": [1, 1]}],
              "layer": [{"name": "b", "take": [{"name": "c", "file": "d.wav"}]}]}
    {"layer": recipe["layer"][0], "take": recipe["layer"][0]["take"][0], "section": recipe["section"][0]}[where][
        "name"] = name
    with pytest.raises(RecipeError, match="name"):
        parse_recipe(tmp_path / "song.toml", tomlkit.dumps(recipe))


@pytest.mark.parametrize("kind", ["pipe", "link to a device", slow("device"), slow("folder"), slow("process memory")])
def test_devices_and_pipes_are_not_read(studio, kind):
    folder, recipe = studio
    path = folder / "odd.wav"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "link to a device":
        path.symlink_to("/dev/zero")
    odd = {"device": "/dev/zero", "process memory": "/proc/self/mem"}.get(kind, "odd.wav")
    recipe["layer"][0]["take"][0]["file"] = odd
    recipe_path = write_recipe(folder / "song.toml", recipe)
    # In a process of its own, so that one which waits for a pipe's writer is noticed.
    done = subprocess.run([sys.executable, "-m", "layerpipe", "bounce", os.fspath(recipe_path)], capture_output=True,
                          text=True, check=False)
    assert done.returncode == 1
    assert "1 fault" in done.stderr
    assert any(word in done.stderr for word in ("device or a pipe", "is a folder", "is empty"))
    assert not (folder / "bounces").exists()


def test_counts_are_bounded_with_a_clear_word(studio):
    folder, recipe = studio
    takes = [{"name": f"t{n}", "file": "regular-left.wav"} for n in range(257)]
    recipe["layer"] = [{"name": "many", "take": takes}]
    recipe["section"] = []
    done = _run("bounce", write_recipe(folder / "song.toml", recipe))
    assert done.exit_code == 2
    assert "256" in done.stderr
    recipe["layer"] = [{"name": "one", "take": [{"name": "t", "file": "regular-left.wav", "channel": 65}]}]
    done = _run("bounce", write_recipe(folder / "song.toml", recipe), "--json")
    assert done.exit_code == 2
    assert "64" in json.loads(done.stdout)["refused"]

"""Manifests: damaged and hostile ones are refused in words, and the measurements do not depend on the processor."""

from __future__ import annotations

import copy
import json
import os
import random
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from layerpipe.jobs.bounce import bounce_song
from layerpipe.outputs.bounce.manifest import checksum_of_manifest
from layerpipe.outputs.bounce.manifest_model import read_manifest
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.command import run_command
from tests.support.examples import slow
from tests.support.songs import plucked, recipe_of, write_recipe, write_take

STRANGE = ("\ud800", "", "\x1b[2J", "../../x", "/etc/passwd", "a" * 5000, "nan", "-inf", -1, 0, 10**30, -(10**400),
           1e300, True, None, [], {}, [[[[1]]]], {"a": {"b": []}}, "take", 24, "0" * 64)
"""What a value may be replaced with; ours, after what damaged and hostile files held in trials."""


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A bounce of two takes, half a second long."""
    folder = tmp_path_factory.mktemp("small")
    takes = []
    for n, name in enumerate(("left", "right")):
        write_take(folder / f"{name}.wav", plucked(n, seconds=0.75))
        takes.append({"name": name, "file": f"{name}.wav", "pan": -100 + 200 * n})
    recipe = {"song": {"title": "Small", "tempo": 240.0}, "section": [{"name": "verse", "bars": [1, 1]}],
              "layer": [{"name": "regular", "take": takes}]}
    cache = TakeCache(folder / "cache")
    bounce_song(read_recipe(write_recipe(folder / "small.toml", recipe)), folder / "small", cache)
    return folder / "small"


def _places(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a document."""
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [at, *(place for key, item in inside for place in _places(item, (*at, key)))]


def _mutated(manifest: dict[str, Any], chance: random.Random) -> bytes:
    """A manifest with one to three things wrong; half of them with a checksum that matches."""
    changed = copy.deepcopy(manifest)
    for _ in range(chance.choice((1, 1, 2, 3))):
        *way, last = chance.choice([place for place in _places(changed) if place])
        table = changed
        for key in way:
            table = table[key]
        kind = chance.randrange(4)
        if kind == 0:
            del table[last]
        elif kind == 1 and isinstance(table, list):
            table += [copy.deepcopy(chance.choice(table))] * chance.choice((1, 2000))
        elif kind == 2 and isinstance(table[last], dict):
            table[last]["\ud800" if chance.random() < 0.3 else "more"] = chance.choice(STRANGE)
        else:
            table[last] = copy.deepcopy(chance.choice(STRANGE))
    if chance.random() < 0.5:
        changed["manifest_sha256"] = checksum_of_manifest(changed)
    raw = json.dumps(changed).encode()
    if chance.random() < 0.1:
        at = chance.randrange(len(raw))
        raw = raw[:at] + chance.choice((b"", b"\xff", b"[" * 100_000, b"\\ud800")) + raw[at + chance.randrange(9) :]
    return raw


@pytest.mark.parametrize("seed", [0, *(slow(seed) for seed in range(1, 26))])
def test_damaged_and_hostile_manifests_end_in_words(small, seed, tmp_path, monkeypatch):
    monkeypatch.setenv("LAYERPIPE_CACHE", os.fspath(tmp_path / "cache"))
    chance = random.Random(seed)
    good = json.loads((small / "bounce.json").read_text())
    hostile = tmp_path / "hostile"
    hostile.mkdir()
    for path in small.rglob("*"):
        if path.is_file():
            target = hostile / path.relative_to(small)
            target.parent.mkdir(exist_ok=True)
            target.write_bytes(path.read_bytes())
    for _ in range(25):
        raw = _mutated(good, chance)
        (hostile / "bounce.json").write_bytes(raw)
        sides = chance.sample([os.fspath(small), os.fspath(hostile)], 2)
        for command in (["verify", os.fspath(hostile)], ["compare", *sides, *chance.choice(((), ("--json",)))]):
            done = run_command(*command)
            assert done.exit_code in (0, 1, 2), (raw[:3000], done.exception)
            assert done.exception is None or isinstance(done.exception, SystemExit), raw[:3000]
            assert "\x1b" not in done.output, raw[:3000]
    (hostile / "bounce.json").write_text(json.dumps(good))
    manifest, unchanged = read_manifest(hostile / "bounce.json")
    assert unchanged
    assert len(manifest.files) == 4


@pytest.mark.parametrize("shape", ["deep", "wide", "keys", "faults", "digits", "one text"])
def test_a_megabyte_of_nonsense_costs_neither_much_time_nor_150_mb(tmp_path, small, shape):
    good = json.loads((small / "bounce.json").read_text())
    half = 1_000_000
    if shape == "deep":
        good["recipe"]["settings"] = "@"
        raw = json.dumps(good).replace('"@"', "[" * (half // 2) + "]" * (half // 2))
    elif shape == "wide":
        raw = json.dumps({**good, "more": [[]] * (half // 4)})
    elif shape == "keys":
        raw = json.dumps({**good, "versions": {str(n): n for n in range(half // 16)}})
    elif shape == "faults":
        raw = json.dumps({**good, "files": [0] * (half // 3)})
    elif shape == "digits":
        raw = json.dumps(good).replace('"bit_depth": 24', '"bit_depth": ' + "9" * half)
    else:
        raw = json.dumps({**good, "format": "x" * half})
    (tmp_path / "bounce.json").write_text(raw)
    before_kb, begun = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    if shape == "wide":
        # Unknown keys are ignored.
        read_manifest(tmp_path / "bounce.json")
    else:
        with pytest.raises(ValueError, match=r"^.{1,999}$"):
            read_manifest(tmp_path / "bounce.json")
    # Our own limits: a second on an idle core, with room for slow and loaded machines, and 150 MB.
    assert time.process_time() - begun < 30
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 150_000


@pytest.mark.slow
def test_the_manifest_is_the_same_on_another_linear_algebra_kernel(tmp_path):
    # OPENBLAS_CORETYPE chooses the kernel of the OpenBLAS inside numpy's wheels; other builds ignore it.
    recipe = recipe_of(tmp_path)
    # A take and its inverse cancel on both sides: no correlation is left to measure.
    recipe["layer"].append({"name": "nothing", "take": [
        {"name": "up", "file": "regular-left.wav", "pan": -30},
        {"name": "down", "file": "regular-left.wav", "pan": -30, "invert_polarity": True}]})
    write_recipe(tmp_path / "song.toml", recipe)
    found = []
    for kernel in ("Prescott", "Haswell"):
        out = tmp_path / kernel
        subprocess.run([sys.executable, "-m", "layerpipe", "bounce", os.fspath(tmp_path / "song.toml"), "--out",
                        os.fspath(out), "--quiet"], check=True, cwd=Path(__file__).parents[3],
                       env={**os.environ, "LAYERPIPE_CACHE": os.fspath(out / "cache"), "OPENBLAS_CORETYPE": kernel})
        found.append((out / "song" / "bounce.json").read_bytes())
    assert found[0] == found[1]
    nothing = next(file for file in json.loads(found[0])["files"] if file["path"] == "layers/nothing.wav")
    assert (nothing["correlation"], nothing["true_peak_dbtp"]) == (None, "-inf")


def test_no_measurement_has_more_than_six_decimals(small):
    for file in json.loads((small / "bounce.json").read_text())["files"]:
        for key in ("integrated_lufs", "true_peak_dbtp", "sample_peak_dbfs", "correlation"):
            if isinstance(file[key], float):
                assert file[key] == np.round(file[key], 6)

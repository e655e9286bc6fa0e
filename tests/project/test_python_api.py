"""The Python door: every promised name is there, lazily, and every example in a docstring is true."""

from __future__ import annotations

import dataclasses
import doctest
import importlib
import inspect
import subprocess
import sys
from pathlib import Path

import msgspec
import numpy as np
import pytest

import layerpipe

PROJECT = Path(__file__).resolve().parents[2]
FUNCTIONS = [name for name in layerpipe.__all__ if inspect.isfunction(getattr(layerpipe, name))]
NOT_RESULTS = {"Recipe", "RecipeFile", "Chain", "Check", "TakeCache", "Energies"}
"""Inputs, and the two that hold files open."""


def test_dir_shows_the_promised_names_and_no_others():
    assert dir(layerpipe) == sorted(layerpipe.__all__)
    with pytest.raises(AttributeError, match="nothing"):
        layerpipe.nothing  # noqa: B018 - the access is what is tested


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_says_what_it_takes_returns_and_raises(name):
    text = inspect.getdoc(getattr(layerpipe, name)) or ""
    assert "Raises" in text or name in ("true_peak_dbtp",), name
    assert inspect.signature(getattr(layerpipe, name)).return_annotation is not inspect.Signature.empty


def test_results_are_frozen_dataclasses():
    for name in layerpipe.__all__:
        found = getattr(layerpipe, name)
        if inspect.isclass(found) and not issubclass(found, Exception) and name not in NOT_RESULTS:
            assert dataclasses.is_dataclass(found), name
            assert found.__dataclass_params__.frozen, name


@pytest.mark.parametrize("module", ["layerpipe.jobs.from_python.arrays", "layerpipe.jobs.from_python.recipes"])
def test_the_examples_are_true(module, monkeypatch):
    monkeypatch.chdir(PROJECT)
    found = doctest.testmod(importlib.import_module(module), optionflags=doctest.ELLIPSIS)
    assert found.attempted > 3
    assert found.failed == 0


def test_importing_the_package_imports_nothing_slow():
    done = subprocess.run([sys.executable, "-c", "import sys, layerpipe; print('numpy' in sys.modules)"],
                          capture_output=True, text=True, check=True, cwd=PROJECT)
    assert done.stdout.strip() == "False"


@pytest.mark.parametrize("call", [
    lambda: layerpipe.process([[0.0, 0.0]], 48_000, {}),
    lambda: layerpipe.process([0.0], 48_000, {"high_pass": [{"hz": 30_000}]}),
    lambda: layerpipe.process([0.0], 48_000, {"high_passs": []}),
    lambda: layerpipe.pan([0.0], 101),
    lambda: layerpipe.loudness([np.nan], 48_000),
    lambda: layerpipe.find_onsets([0.0], 100),
    lambda: layerpipe.find_defects([], 48_000),
    lambda: layerpipe.find_defects([0.0], 48_000, limits=layerpipe.Check(tuning_cents=1000.0)),
    lambda: layerpipe.process([0.0], 48_000, {"bell": [object()]}),
])
def test_what_cannot_be_used_is_refused_in_words(call):
    with pytest.raises(layerpipe.ParameterError):
        call()


def test_a_chain_on_an_array_is_the_chain_of_a_bounce():
    song = layerpipe.process_takes(layerpipe.read_recipe(PROJECT / "recipes/lantern.toml"))
    take = song.takes[0]
    raw = take.source.source.read(0, 3 * song.rate_hz)
    chain = msgspec.structs.replace(take.layer.chain, compressor=None)
    filtered = layerpipe.process(raw, song.rate_hz, chain)
    again = layerpipe.process(filtered, song.rate_hz, {})
    np.testing.assert_array_equal(filtered, again)
    assert np.abs(filtered).max() < 2 * np.abs(raw).max()

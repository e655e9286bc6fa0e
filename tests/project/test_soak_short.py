"""Short versions of the benches in `tests/soak`: the same commands with small counts, in a process of their own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[2]


def _soak(*command: str) -> dict:
    """Run one bench; its line of figures."""
    done = subprocess.run([sys.executable, "-m", *command], cwd=PROJECT, capture_output=True, text=True,
                          check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return json.loads(done.stdout.strip().splitlines()[-1])


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["bounce", "preview", "write", "fill", "review", "choose", "share"])
def test_kills_at_random_moments_lose_nothing(kind):
    told = _soak("tests.soak.kills", "--count", "3", "--kind", kind)
    assert told["complaints"] == 0
    assert told["runs"][0]["while_working"] >= 1


@pytest.mark.slow
def test_faults_all_around_are_refused_or_survived():
    told = _soak("tests.soak.faults", "--rounds", "1", "--seed", "7", "--without-rights")
    assert told["complaints"] == 0
    assert told["faults"] >= 11


@pytest.mark.slow
def test_broken_recipes_and_sounds_are_refused_with_a_letter():
    told = _soak("tests.soak.fuzz", "--count", "900", "--seed", "3", "--longest", "20")
    assert told["complaints"] == 0
    for run in told["runs"]:
        # Of answers and lists many are still good ones after a change.
        assert run["refused"] > (300 if run["target"] == "texts" else 600)
        assert run["let_through"] > 0
        assert run["peak_mb"] < 300


@pytest.mark.slow
def test_many_takes_stay_within_the_memory_goal():
    told = _soak("tests.soak.sizes", "takes", "--takes", "12", "--minutes", "0.1")
    assert told["complaints"] == 0
    assert told["peak_mb"] < 300

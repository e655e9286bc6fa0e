"""Shared fixtures: seeded sound, a cache of the test run's own."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

# As the command does before numpy is imported. A product of small matrices on two threads takes ten times the
# processor time of one thread where another worker has the second core.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PROJECT = Path(__file__).resolve().parents[1]

# A shell starts its background jobs with interrupts ignored, and the commands of the tests would inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# A loaded machine may take any time. The default run tries the same examples every time, so that what is found by
# chance never stops a change that has nothing to do with it; `tests/run --all` looks for new ones.
settings.register_profile("random", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("same", settings.get_profile("random"), derandomize=True, database=None, max_examples=30)
settings.load_profile("same")


def pytest_collection_finish() -> None:
    """Leave what was imported and collected out of every later search for garbage."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Keep cache and machine code of the tests away from the user's; all workers of a run share them."""
    folder = tmp_path_factory.getbasetemp().parent if os.environ.get("PYTEST_XDIST_WORKER") else None
    own = folder or tmp_path_factory.getbasetemp()
    os.environ["LAYERPIPE_CACHE"] = str(own / "layerpipe-cache")
    os.environ["XDG_CACHE_HOME"] = str(own / "user-cache")


@pytest.fixture
def rng() -> np.random.Generator:
    """Seeded random numbers."""
    return np.random.default_rng(20_240_611)


@pytest.fixture(scope="session")
def strum() -> np.ndarray:
    """One second of strummed-like decaying partials with a noisy attack at 48 kHz, peak about 0.7."""
    random = np.random.default_rng(7)
    t = np.arange(48_000) / 48_000
    sound = np.zeros_like(t)
    for pitch_hz in (82.41, 123.47, 164.81, 207.65, 246.94, 329.63):
        for partial in range(1, 9):
            phase = random.uniform(0, 2 * np.pi)
            sound += np.exp(-t * partial * 1.5) / partial * np.sin(2 * np.pi * pitch_hz * partial * t + phase)
    sound += np.exp(-t * 60) * random.standard_normal(len(t))
    return 0.7 * sound / np.abs(sound).max()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests of pages in this process."""
    from tests.support.pages.browser import chromium

    with chromium() as started:
        yield started

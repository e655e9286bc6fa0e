"""Songs without sound for tests of processes; imports little, because each process imports it."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.jobs.many.songs import SongOutcome
from tests.support.waiting import PATIENCE_S

OnProgress = Callable[[float], None]


def name_of(recipe: Path, on_progress: OnProgress) -> SongOutcome:
    """A song without sound: says its name and what of it is done; names decide what happens."""
    on_progress(0.5)
    if recipe.stem.startswith("refused"):
        raise RecipeError([Fault(recipe, "song", "is refused"), Fault(recipe, "layer", "is refused too")])
    if recipe.stem.startswith("killed"):
        os.kill(os.getpid(), signal.SIGKILL)
    if recipe.stem.startswith("once") and not recipe.with_suffix(".lost").exists():
        recipe.with_suffix(".lost").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if recipe.stem.startswith("wrong"):
        raise ZeroDivisionError("a mistake of ours")
    on_progress(0.5)
    return SongOutcome("done", document={"name": recipe.stem, "process": os.getpid()})


def _slow_song(recipe: Path, on_progress: OnProgress) -> SongOutcome:
    """A song that takes as long as a test is waited for and cleans up when it is stopped."""
    recipe.with_suffix(".partial").touch()
    try:
        for _ in range(round(PATIENCE_S / 0.01)):
            time.sleep(0.01)
            on_progress(0.00001)
        recipe.with_suffix(".done").touch()
    finally:
        recipe.with_suffix(".partial").unlink()
    return SongOutcome("done")


def slow_but_quick(recipe: Path, on_progress: OnProgress) -> SongOutcome:
    """A slow song, unless its name says that it is quick."""
    return SongOutcome("done") if recipe.stem == "quick" else _slow_song(recipe, on_progress)

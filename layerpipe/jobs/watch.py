"""Does something again whenever a recipe or one of its files is saved."""

from __future__ import annotations

import importlib.util
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from layerpipe.core.errors import LayerpipeError, OutputError
from layerpipe.jobs.output_places import sources_of
from layerpipe.recipe.reader import read_recipe
from layerpipe.server.watch import SavedFiles


def refuse_without(needed: Sequence[str]) -> None:
    """Say what is missing of the extra "share".

    Raises
    ------
    OutputError
        If one of the packages is not installed.
    """
    missing = [name for name in needed if importlib.util.find_spec(name) is None]
    if missing:
        raise OutputError(f"this needs {', '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not "
                          "installed; install the extra: pip install 'layerpipe[share]'")


def each_save(recipe: Path, work: Callable[[], object], tell: Callable[[str], None],
              stop: threading.Event | None = None, saved: SavedFiles | None = None) -> None:
    """Do something now and after every save, until stopped.

    Parameters
    ----------
    recipe : Path
    work : function
        A refusal is printed; the next save tries again.
    tell : function of str
    stop : threading.Event, optional
    saved : SavedFiles, optional
        The files as they were when the work was done last; then it is not done at once.

    Raises
    ------
    OutputError
        If the package that watches files is not installed.
    """
    refuse_without(("watchfiles",))
    stop = stop or threading.Event()
    while not stop.is_set():
        if saved is None:
            # Looked at before the work: what is saved meanwhile is noticed afterwards.
            saved = SavedFiles(_watched(recipe))
            try:
                work()
            except LayerpipeError as refusal:
                tell(str(refusal))
            except OSError as refusal:
                tell(f"{refusal.filename or recipe}: {refusal.strerror or refusal}")
        if not saved.wait(stop):
            return
        saved = None


def _watched(recipe: Path) -> list[Path]:
    """The recipe and the files it names; the recipe alone while it cannot be read."""
    try:
        return sources_of(read_recipe(recipe))
    except LayerpipeError:
        return [recipe]

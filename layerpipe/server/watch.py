"""Notices that a recipe or one of its files was saved."""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from pathlib import Path

Stamp = tuple[int, int, int]
_SETTLE_MS = 200
"""A program that saves in several steps is done after this; common practice, no source."""
_LOOK_MS = 500
"""Longest wait until a request to stop is noticed."""


class SavedFiles:
    """Some files, as they were when this was made.

    Parameters
    ----------
    paths : sequence of Path
        Need not exist. Links are followed.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = [Path(os.path.realpath(path)) for path in paths]
        self._before = self._stamps()

    def have_changed(self) -> bool:
        """Whether any of them is another one now."""
        return self._stamps() != self._before

    def wait(self, stop: threading.Event) -> bool:
        """Wait until one has changed.

        Parameters
        ----------
        stop : threading.Event
            Ends the waiting.

        Returns
        -------
        bool
            Whether one has changed; False if stopped.
        """
        import watchfiles

        folders = sorted({path.parent for path in self._paths if path.parent.is_dir()})
        names = {str(path) for path in self._paths}
        if self.have_changed():
            return True
        for _ in watchfiles.watch(*folders, watch_filter=lambda change, name: name in names, stop_event=stop,
                                  recursive=False, debounce=1600, step=_SETTLE_MS, rust_timeout=_LOOK_MS,
                                  yield_on_timeout=True, raise_interrupt=True):
            # Asked in any case: a change between the first look and the start of watching gives no notice.
            if self.have_changed():
                return True
        return False

    def _stamps(self) -> dict[Path, Stamp | None]:
        return {path: _stamp(path) for path in self._paths}


def _stamp(path: Path) -> Stamp | None:
    """What tells a file from its successor; None if there is none."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_ino, status.st_size, status.st_mtime_ns

"""A small song to break things with, and what must be true of it afterwards."""

from __future__ import annotations

import copy
import hashlib
import json
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from layerpipe.core.errors import LayerpipeError
from layerpipe.jobs.bounce import bounce_song
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.songs import SECONDS, plucked, session_of, write_recipe, write_take

FINE, REFUSED, BROKEN = 0, 3, 4
TIMES = 4


class Scene:
    """A song in two versions of other levels and chains, and the bytes each must come to."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        recipe = short_session_of(folder)
        self.recipe = write_recipe(folder / "song.toml", recipe)
        self.texts = [self.recipe.read_text("utf-8")]
        other = copy.deepcopy(recipe)
        other["layer"][1]["level_db"] = -6.0
        other["layer"][0]["chain"]["high_pass"] = [{"hz": 100}]
        write_recipe(self.recipe, other)
        self.texts.append(self.recipe.read_text("utf-8"))
        self.target = folder / "bounces" / "song"
        self.sources = digests(folder, "*.wav")
        self.known: list[dict[str, str]] = []
        for n in (0, 1):
            self.use(n)
            bounce(self, TakeCache(folder / "store"), folder / f"known{n}")
            self.known.append(digests(folder / f"known{n}"))

    def use(self, version: int) -> None:
        """Let the recipe be one of the two."""
        self.recipe.write_text(self.texts[version], "utf-8")

    def complaints(self, *, may_be_absent: bool) -> list[str]:
        """What is not as it must be, whatever happened."""
        found = []
        if digests(self.folder, "*.wav") != self.sources:
            found.append("a source is changed")
        if not self.target.exists():
            if not may_be_absent:
                found.append("the earlier bounce is gone")
        elif digests(self.target) not in self.known:
            found.append(f"the bounce is neither the one nor the other: {sorted(digests(self.target))}")
        return found

    def leftovers(self) -> list[str]:
        """Half-written files and folders anywhere."""
        return sorted(path.relative_to(self.folder).as_posix() for path in self.folder.rglob("*")
                      if path.name.endswith((".partial", ".retired")))


def short_session_of(folder: Path) -> dict[str, Any]:
    """The song of a session with bars of a quarter of their length, so that a round takes half the time."""
    for layer, octave in (("regular", False), ("octave", True)):
        for n, side in enumerate(("left", "right")):
            write_take(folder / f"{layer}-{side}.wav", plucked(10 * n + octave, SECONDS / TIMES, octave=octave))
    recipe = session_of(folder)
    recipe["song"] |= {"tempo": 240.0, "meter": "2/4"}
    left = recipe["layer"][0]["take"][0]
    left["passes"][1]["move"] = [{"from": 2.6 / TIMES, "to": 3.1 / TIMES, "by_ms": 7.0}]
    left["comp"][0]["to"] = 3.6 / TIMES
    return recipe


def bounce(scene: Scene, cache: TakeCache, target: Path | None = None) -> None:
    """Bounce the scene's recipe as it is now."""
    file = read_recipe(scene.recipe)
    bounce_song(file, target or scene.target, cache)


def digests(folder: Path, pattern: str = "**/*") -> dict[str, str]:
    """SHA-256 of files by their names."""
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(folder.glob(pattern)) if path.is_file()}


def forked(work: Callable[[], None], *, kill_after_s: float | None = None) -> int | None:
    """Do work in a process of its own; its exit code, or None if it was killed before it ended.

    It is killed after so much processor time, so that a kill falls as far into the work on a loaded machine.
    """
    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        code = BROKEN
        try:
            work()
            code = FINE
        except LayerpipeError as refusal:
            print(f"  refused: {refusal}", file=sys.stderr) if os.environ.get("SOAK_ALOUD") else None
            code = REFUSED
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    if kill_after_s is not None:
        while (left_s := kill_after_s - cpu_s(child)) > 0 and not _has_ended(child):
            time.sleep(max(left_s, 0.0002))
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return None if os.WIFSIGNALED(status) else os.waitstatus_to_exitcode(status)


def cpu_s(process: int) -> float:
    """Processor time a process has taken, by Linux's clock of it."""
    return time.clock_gettime((~process << 3) | 2)


def _has_ended(child: int) -> bool:
    """Whether a child has ended; it can still be waited for."""
    return os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def finish(figures: dict[str, Any], complaints: list[str]) -> int:
    """Print complaints, then one line of figures; the exit code."""
    for complaint in complaints[:50]:
        print(f"  {complaint}")
    print(json.dumps({**figures, "complaints": len(complaints)}))
    return 1 if complaints else 0


def after_fault(scene: Scene, code: int | None, *, allowed: tuple[int, ...]) -> list[str]:
    """What is not as it must be after a fault."""
    found = scene.complaints(may_be_absent=False)
    if code not in allowed:
        found.append(f"exit code {code}, allowed are {allowed}")
    return found + [f"left over: {name}" for name in scene.leftovers()]

"""Faults of a process with little room: few file descriptors, little memory, closed streams, a folder just made."""

from __future__ import annotations

import os
import random
import resource
import shutil
import subprocess
import sys
from pathlib import Path

from layerpipe.render.cache.take_cache import TakeCache
from tests.soak.scene import FINE, REFUSED, Scene, bounce, digests, forked

PROJECT = Path(__file__).resolve().parents[2]


def few_descriptors(scene: Scene, picked: random.Random) -> list[str]:
    """The process may open only a few files more than it has open."""
    most = len(list(Path("/proc/self/fd").iterdir())) + picked.randrange(2, 24)

    def work() -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
        bounce(scene, TakeCache(scene.folder / picked.choice(("store", "fresh"))))

    code = forked(work)
    shutil.rmtree(scene.folder / "fresh", ignore_errors=True)
    # The folder of a bounce that could not even be listed for clearing is cleared by the next run.
    settled = forked(lambda: bounce(scene, TakeCache(scene.folder / "store")))
    found = [] if code in (FINE, REFUSED) else [f"exit code {code}"]
    found += [] if settled == FINE else ["the next run fails"]
    return found + scene.complaints(may_be_absent=False) + [f"left over: {name}" for name in scene.leftovers()]


def little_memory(scene: Scene, picked: random.Random) -> list[str]:
    """The real command with 300 to 900 MB of address space: done, or refused in words."""
    most = picked.randrange(300, 900) << 20
    return _command(scene, lambda: resource.setrlimit(resource.RLIMIT_AS, (most, most)), "")


def closed_streams(scene: Scene, picked: random.Random) -> list[str]:
    """The real command without some of its streams, or with a full stdout."""
    return _command(scene, None, picked.choice((">&-", "2>&-", ">&- 2>&-", "<&- >&- 2>&-", ">/dev/full")))


def folder_just_made(scene: Scene, picked: random.Random) -> list[str]:
    """Several processes bounce into a folder that none of them finds there."""
    out, children = scene.folder / "new" / "folder", []
    for _ in range(picked.randrange(2, 5)):
        child = os.fork()
        if child == 0:
            code = 4
            try:
                bounce(scene, TakeCache(scene.folder / "store"), out / "song")
                code = FINE
            finally:
                os._exit(code)
        children.append(child)
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    found = [] if not any(codes) else [f"exit codes {codes}"]
    found += [] if out.exists() and digests(out / "song") in scene.known else ["no whole bounce in the new folder"]
    shutil.rmtree(scene.folder / "new", ignore_errors=True)
    return found


def _command(scene: Scene, before: object, redirect: str) -> list[str]:
    """Bounce through the command line; what is not as it must be."""
    words = ["sh", "-c", f'"{sys.executable}" -m layerpipe bounce "{scene.recipe}" --out "{scene.target.parent}" '
             f"--quiet {redirect}"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False, cwd=PROJECT,
                          preexec_fn=before)  # type: ignore[call-overload]
    # A process that a library ends leaves its folder to the next run.
    settled = forked(lambda: bounce(scene, TakeCache(scene.folder / "store")))
    found = scene.complaints(may_be_absent=False) + [f"left over: {name}" for name in scene.leftovers()]
    if done.returncode not in (0, 1) or "Traceback" in done.stderr or "Exception ignored" in done.stderr:
        found.append(f"exit code {done.returncode} {redirect}: {done.stderr[-300:]}")
    return found + ([] if settled == FINE else ["the next run fails"])

"""Let everything around a bounce go wrong, one thing at a time: `python -m tests.soak.faults`.

Each fault happens in a process of its own. Afterwards the sources and the earlier bounce are untouched, the run has
either refused with a letter or come to the very bytes, and nothing half-written is left.
"""

from __future__ import annotations

import argparse
import errno
import logging
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from layerpipe.audio_files.broadcast_wave import StemWriter
from layerpipe.core.files import atomic_folder
from layerpipe.jobs.bounce import bounce_song
from layerpipe.recipe.reader import parse_recipe
from layerpipe.render import pipeline
from layerpipe.render.cache.take_cache import TakeCache
from tests.soak.limits import closed_streams, few_descriptors, folder_just_made, little_memory
from tests.soak.scene import FINE, REFUSED, Scene, after_fault, bounce, digests, finish, forked
from tests.soak.store_faults import closed_store, damaged_store, full_store

NOBODY = 65534
Fault = Callable[[Scene, random.Random], list[str]]


def write_limit(scene: Scene, picked: random.Random) -> list[str]:
    """No file may grow past a size: the system refuses a write somewhere in the middle."""

    # Half of the limits fall into the small files: descriptions, manifest, sheet.
    most, cache = picked.randrange(1, picked.choice((30_000, 1_500_000))), picked.choice(("store", "fresh"))

    def work() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
        bounce(scene, TakeCache(scene.folder / cache))

    found = after_fault(scene, forked(work), allowed=(FINE, REFUSED))
    shutil.rmtree(scene.folder / "fresh", ignore_errors=True)
    return found


def write_error(scene: Scene, picked: random.Random) -> list[str]:
    """The disk of the stems fails at some write."""
    left = [picked.randrange(1, 40)]
    put = StemWriter._put

    def failing(writer: StemWriter, data: memoryview | bytes) -> None:
        left[0] -= 1
        if left[0] == 0:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        put(writer, data)

    def work() -> None:
        StemWriter._put = failing
        bounce(scene, TakeCache(scene.folder / "store"))

    return after_fault(scene, forked(work), allowed=(FINE, REFUSED))


def read_error(scene: Scene, picked: random.Random) -> list[str]:
    """The disk of the takes (or of the store) fails at some read."""
    left, cache = [picked.randrange(1, 60)], picked.choice(("store", "fresh"))
    pread = os.pread

    def failing(fd: int, count: int, at: int) -> bytes:
        left[0] -= 1
        if left[0] == 0:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return pread(fd, count, at)

    def work() -> None:
        os.pread = failing
        bounce(scene, TakeCache(scene.folder / cache))

    found = after_fault(scene, forked(work), allowed=(FINE, REFUSED))
    shutil.rmtree(scene.folder / "fresh", ignore_errors=True)
    return found


def no_permission(scene: Scene, picked: random.Random) -> list[str]:
    """Another user, or a folder that may not be written any more: refused, and the store does without its place."""
    outside = picked.random() < 0.5
    target = scene.folder / ("closed" if outside else "bounces") / "song"
    target.parent.mkdir(exist_ok=True)

    def work() -> None:
        if os.geteuid() == 0:
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        bounce(scene, TakeCache(scene.folder / "store"), target)

    mode = target.parent.stat().st_mode
    target.parent.chmod(0o555)
    code = forked(work)
    target.parent.chmod(mode)
    return after_fault(scene, code, allowed=(REFUSED,))


def clock_set_back(scene: Scene, picked: random.Random) -> list[str]:
    """Sources from the future or the past, then one that changes while all its visible times stay the same."""
    source = sorted(scene.folder.glob("*.wav"))[0]
    content, at = source.read_bytes(), picked.choice((100_000_000, 2_200_000_000))
    for path in scene.folder.glob("*.wav"):
        os.utime(path, (at, at))
    cache = scene.folder / "store"
    found = after_fault(scene, forked(lambda: bounce(scene, TakeCache(cache))), allowed=(FINE,))
    changed = bytearray(content)
    changed[5_000] ^= 4
    source.write_bytes(changed)
    os.utime(source, (at, at))
    target = scene.folder / "elsewhere" / "song"
    if forked(lambda: bounce(scene, TakeCache(cache), target)) != FINE:
        found.append("the changed take is refused")
    elif digests(target) in scene.known:
        found.append("a changed take is taken for the one before")
    shutil.rmtree(target.parent, ignore_errors=True)
    source.write_bytes(content)
    return found


def at_once(scene: Scene, picked: random.Random) -> list[str]:
    """Several processes bounce both versions into one folder, filling one store."""
    fresh = scene.folder / "shared"
    children = []
    for n in range(picked.randrange(2, 5)):
        text = scene.texts[n % 2]
        child = os.fork()
        if child == 0:
            code = 4
            try:
                file, cache = parse_recipe(scene.recipe, text), TakeCache(fresh)
                bounce_song(file, scene.target, cache)
                code = FINE
            finally:
                os._exit(code)
        children.append(child)
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    shutil.rmtree(fresh, ignore_errors=True)
    found = after_fault(scene, FINE, allowed=(FINE,))
    return found if not any(codes) else [*found, f"exit codes {codes}"]


def changed_while_read(scene: Scene, picked: random.Random) -> list[str]:
    """A take is written to while it is read: noticed and refused."""
    source = sorted(scene.folder.glob("*.wav"))[picked.randrange(4)]
    content = source.read_bytes()
    run_chain = pipeline.chain.run_chain

    def touched(*arguments: object) -> object:
        for n, block in enumerate(run_chain(*arguments)):
            if n == 0:
                with source.open("r+b") as file:
                    file.seek(9_000)
                    file.write(bytes([content[9_000] ^ 8]))
            yield block

    def work() -> None:
        pipeline.chain.run_chain = touched
        bounce(scene, TakeCache(scene.folder / "fresh"))

    code = forked(work)
    source.write_bytes(content)
    shutil.rmtree(scene.folder / "fresh", ignore_errors=True)
    return after_fault(scene, code, allowed=(REFUSED,))


def without_exchange(scene: Scene, picked: random.Random) -> list[str]:
    """A disk that cannot exchange folders, and a kill between the two renames: the earlier bounce comes back."""
    renames = [picked.randrange(1, 3)]
    rename = Path.rename

    def dying(path: Path, target: Path) -> Path:
        done = rename(path, target)
        renames[0] -= 1
        if renames[0] == 0:
            os._exit(FINE)
        return done

    def work() -> None:
        atomic_folder._exchange = lambda one, other: False
        Path.rename = dying
        bounce(scene, TakeCache(scene.folder / "store"))

    forked(work)
    here = digests(scene.target) if scene.target.exists() else None
    retired = [digests(path) for path in scene.target.parent.glob(".song.*.retired")]
    found = [] if here in scene.known or any(kept in scene.known for kept in retired) else ["no whole bounce is left"]
    if here is None:
        # The next run is refused for another reason; the earlier bounce must be back under its name all the same.
        broken = scene.recipe.read_text("utf-8").replace("regular-left.wav", "nowhere.wav")
        file = parse_recipe(scene.recipe, broken)
        forked(lambda: bounce_song(file, scene.target, TakeCache(scene.folder / "store")) and None)
        found += [] if scene.target.exists() and digests(scene.target) in scene.known else ["it does not come back"]
    code = forked(lambda: bounce(scene, TakeCache(scene.folder / "store")))
    return found + after_fault(scene, code, allowed=(FINE,))


def full_disk(scene: Scene, picked: random.Random) -> list[str]:
    """A small disk of its own for the output, the store, or both (needs the right to mount one)."""
    disk = scene.folder / "disk"
    disk.mkdir(exist_ok=True)
    size = picked.randrange(64, 6_000)
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}k,mode=777", "tmpfs", disk], capture_output=True,
                      check=False).returncode:
        return ["no right to mount a small disk"]
    try:
        store_on_it, out_on_it = picked.choice(((True, False), (False, True), (True, True)))
        cache = disk / "store" if store_on_it else scene.folder / "store"
        target = disk / "out" / "song" if out_on_it else scene.target
        code = forked(lambda: bounce(scene, TakeCache(cache), target))
        found = after_fault(scene, code, allowed=(FINE, REFUSED) if out_on_it else (FINE,))
        if out_on_it and target.exists() and digests(target) not in scene.known:
            found.append("half a bounce on the full disk")
        found += [f"left on the full disk: {path.name}" for path in disk.rglob("*.partial")]
    finally:
        subprocess.run(["umount", disk], check=True)
    return found


FAULTS: dict[str, Fault] = {fault.__name__: fault for fault in (
    write_limit, write_error, read_error, full_store, no_permission, closed_store, clock_set_back, at_once,
    damaged_store, changed_while_read, without_exchange, full_disk, few_descriptors, little_memory, closed_streams,
    folder_just_made)}
NEED_RIGHTS = ("full_disk",)


def run(names: list[str], rounds: int, seed: int, folder: Path) -> tuple[dict[str, object], list[str]]:
    """Every fault so many times, on one scene."""
    folder.chmod(0o755)
    # Children end without clearing their temporary stores; those go with the scene.
    (folder / "temporary").mkdir(mode=0o777)
    (folder / "temporary").chmod(0o777)
    tempfile.tempdir = os.fspath(folder / "temporary")
    scene = Scene(folder)
    scene.use(0)
    bounce(scene, TakeCache(folder / "store"))
    picked, complaints = random.Random(seed), []
    begun = time.perf_counter()
    for n in range(rounds):
        for name in names:
            scene.use(n % 2)
            found = [f"{name}, round {n}: {what}" for what in FAULTS[name](scene, picked)]
            complaints += found
            print(*found, sep="\n", end="\n" * bool(found), file=sys.stderr, flush=True)
    return {"faults": len(names), "rounds": rounds, "seconds": round(time.perf_counter() - begun, 1)}, complaints


def main(arguments: list[str] | None = None) -> int:
    """The command."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--rounds", type=int, default=40, help="times each fault happens")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--fault", choices=sorted(FAULTS), action="append")
    asked.add_argument("--without-rights", action="store_true", help="leave out what needs the right to mount disks")
    found = asked.parse_args(arguments)
    logging.disable(logging.WARNING)
    names = found.fault or [name for name in FAULTS if not (found.without_rights and name in NEED_RIGHTS)]
    with tempfile.TemporaryDirectory(prefix="soak-faults-") as room:
        figures, complaints = run(names, found.rounds, found.seed, Path(room))
    return finish({"soak": "faults", "names": names, **figures}, complaints)


if __name__ == "__main__":
    sys.exit(main())

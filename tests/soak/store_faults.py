"""What can happen to the store of processed takes: a full disk, no place for it, damage.

The bounce comes to the same bytes.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

from layerpipe.core.files.atomic import NewFile
from layerpipe.render.cache import take_cache as cache_module
from layerpipe.render.cache.take_cache import TakeCache
from tests.soak.scene import FINE, Scene, after_fault, bounce, forked


def full_store(scene: Scene, picked: random.Random) -> list[str]:
    """The store's disk is full: the bounce comes to the same bytes without it."""

    whole_file = cache_module.whole_file

    @contextlib.contextmanager
    def failing(target: Path) -> Iterator[NewFile]:
        with whole_file(target) as new:
            if target.is_relative_to(scene.folder / "full"):
                # What the library buffers reaches this disk at the end, or when the buffer is full.
                os.dup2(os.open("/dev/full", os.O_RDWR), new.file.fileno())
            yield new

    def work() -> None:
        cache_module.whole_file = failing
        bounce(scene, TakeCache(scene.folder / "full"))

    found = after_fault(scene, forked(work), allowed=(FINE,))
    shutil.rmtree(scene.folder / "full", ignore_errors=True)
    return found


def closed_store(scene: Scene, picked: random.Random) -> list[str]:
    """A store that can be neither written nor made: the bounce comes to the same bytes."""
    blocked = scene.folder / "blocked"
    blocked.write_text("a file where a folder should be")
    found = after_fault(scene, forked(lambda: bounce(scene, TakeCache(blocked / "takes"))), allowed=(FINE,))
    blocked.unlink()
    return found


def damaged_store(scene: Scene, picked: random.Random) -> list[str]:
    """Entries cut short, flipped in one bit, emptied, or swapped: made again, never trusted."""
    entries = sorted(path for path in (scene.folder / "store").iterdir() if path.suffix != ".place")
    for path in picked.sample(entries, min(len(entries), picked.randrange(1, 4))):
        content = bytearray(path.read_bytes())
        way = picked.randrange(4)
        if way == 0:
            content = content[: picked.randrange(len(content) + 1)]
        elif way == 1 and content:
            content[picked.randrange(len(content))] ^= 1 << picked.randrange(8)
        elif way == 2:
            content = bytearray()
        else:
            content = bytearray(picked.choice(entries).read_bytes())
        path.write_bytes(content)
    return after_fault(scene, forked(lambda: bounce(scene, TakeCache(scene.folder / "store"))), allowed=(FINE,))

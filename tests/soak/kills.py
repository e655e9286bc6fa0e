"""Kill a bounce, a preview, a write into a recipe and a cache fill at random moments: `python -m tests.soak.kills`.

After every kill: sources and earlier outputs are untouched, nothing half-written carries its final name, and the next
run succeeds, comes to the very bytes, and clears what was left.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from layerpipe.jobs.preview import preview_song
from layerpipe.recipe.change import Change
from layerpipe.recipe.comp_edits import NewPart, remove_comps, set_comp
from layerpipe.recipe.edits import NewMove, add_moves, remove_moves, set_level
from layerpipe.recipe.reader import read_recipe
from layerpipe.recipe.shift_edits import remove_shifts, write_shift
from layerpipe.render.cache.take_cache import TakeCache
from tests.soak.scene import FINE, Scene, bounce, digests, finish, forked


EDITS = 6


class Kind:
    """One thing that is killed: how it is prepared, done, and judged."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.store_folder = scene.folder / "store"

    def prepare(self, n: int) -> None:
        """Before a run."""

    def work(self) -> None:
        """What is killed."""
        raise NotImplementedError

    def complaints(self) -> list[str]:
        """After a kill, and after the run that follows it."""
        return self.scene.complaints(may_be_absent=False)

    def settled(self) -> list[str]:
        """After the run that follows a kill."""
        return [f"left over: {name}" for name in self.scene.leftovers()]


class KilledBounce(Kind):
    """A bounce over an earlier one of the other version."""

    def prepare(self, n: int) -> None:
        self.version = n % 2
        self.scene.use(self.version)

    def work(self) -> None:
        bounce(self.scene, TakeCache(self.store_folder))

    def settled(self) -> list[str]:
        right = digests(self.scene.target) == self.scene.known[self.version]
        return super().settled() + ([] if right else ["the next run comes to other bytes"])


class KilledFill(KilledBounce):
    """The same into an empty store."""

    def prepare(self, n: int) -> None:
        super().prepare(n)
        shutil.rmtree(self.store_folder, ignore_errors=True)


class KilledPreview(Kind):
    """Listening files over earlier ones."""

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self.known = []
        for n in (0, 1):
            scene.use(n)
            self.work()
            self.known.append(digests(scene.folder / "previews"))

    def prepare(self, n: int) -> None:
        self.version = n % 2
        self.scene.use(self.version)

    def work(self) -> None:
        preview_song(read_recipe(self.scene.recipe), self.scene.folder / "previews",
                            cache=TakeCache(self.store_folder))

    def complaints(self) -> list[str]:
        allowed = [{files.get(name) for files in self.known} for name in self.known[0]]
        now = digests(self.scene.folder / "previews")
        strange = [name for name, wanted in zip(self.known[0], allowed, strict=True) if now.get(name) not in wanted]
        return super().complaints() + [f"half a listening file: {name}" for name in strange]

    def settled(self) -> list[str]:
        right = digests(self.scene.folder / "previews") == self.known[self.version]
        return super().settled() + ([] if right else ["the next run makes other listening files"])


class KilledWrite(Kind):
    """Levels, shifts and comps written into the recipe one after another: one write is over before it can be killed."""

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        path, self.whole = scene.recipe, {scene.recipe.read_bytes()}
        for n in range(EDITS):
            self.prepare(n)
            for text in self._writes():
                # A run after a kill begins by taking back what was written.
                self.whole |= {text, self._taken_back(path).after.text.encode()}

    def prepare(self, n: int) -> None:
        self.first = n % EDITS
        self.scene.use(0)

    def work(self) -> None:
        for _ in self._writes():
            pass

    @staticmethod
    def _taken_back(path: Path) -> Change:
        """The recipe without moves, comps and shifts that were written."""
        return remove_shifts(remove_comps(remove_moves(path)))

    def _writes(self) -> Iterator[bytes]:
        """The recipe after every write: two edits, and a level with each."""
        path = self.scene.recipe
        self._taken_back(path).write()
        edits: list[Callable[[], Change]] = [
            lambda: write_shift(path, "regular", "left", 12.5, "late", ["1", "2"]),
            lambda: set_comp(path, "regular", "left", "2", [NewPart(0.0, 2.2, "1", "verse")]),
            lambda: add_moves(path, "regular", "left", [NewMove(1.0, 1.5, 9.0, "early")], "1"),
            lambda: remove_moves(path), lambda: remove_comps(path), lambda: remove_shifts(path)]
        for n in (self.first, (self.first + 1) % EDITS):
            set_level(path, "octave", -float(n) - 0.5).write()
            yield path.read_bytes()
            edits[n]().write()
            yield path.read_bytes()

    def complaints(self) -> list[str]:
        is_whole = self.scene.recipe.read_bytes() in self.whole
        return super().complaints() + ([] if is_whole else ["half a recipe"])


KINDS = {"bounce": KilledBounce, "preview": KilledPreview, "write": KilledWrite, "fill": KilledFill}


def run(kind_name: str, count: int, seed: int, folder: Path) -> tuple[dict[str, object], list[str]]:
    """Kill one kind of work `count` times."""
    picked = random.Random(seed)
    scene = Scene(folder)
    scene.use(0)
    bounce(scene, TakeCache(folder / "store"))
    kind: Kind = KINDS[kind_name](scene)
    longest = sorted(_seconds(kind, n) for n in (0, 1, 0, 1, 0))[2]
    complaints: list[str] = []
    hit = 0
    for n in range(count):
        kind.prepare(n)
        at_s = picked.uniform(0, longest)
        hit += forked(kind.work, kill_after_s=at_s) is None
        found = kind.complaints()
        if forked(kind.work) != FINE:
            found.append("the next run fails")
        found += kind.complaints() + kind.settled()
        complaints += [f"{kind_name}, kill {n} after {at_s:.3f} s: {what}" for what in found]
    return {"kind": kind_name, "kills": count, "while_working": hit, "work_s": round(longest, 3)}, complaints


def _seconds(kind: Kind, n: int) -> float:
    """Processor time the work takes undisturbed."""
    kind.prepare(n)
    times = os.times()
    before = times.children_user + times.children_system
    if forked(kind.work) != FINE:
        raise SystemExit("the work fails before anything is killed")
    times = os.times()
    return times.children_user + times.children_system - before


def main(arguments: list[str] | None = None) -> int:
    """The command."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--count", type=int, default=200, help="kills of each kind")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--kind", choices=sorted(KINDS), action="append")
    found = asked.parse_args(arguments)
    figures, complaints = [], []
    with tempfile.TemporaryDirectory(prefix="soak-kills-") as room:
        for name in found.kind or KINDS:
            folder = Path(room) / name
            folder.mkdir()
            begun = time.perf_counter()
            of_kind, wrong = run(name, found.count, found.seed, folder)
            figures.append({**of_kind, "seconds": round(time.perf_counter() - begun, 1)})
            print(json.dumps(figures[-1]))
            complaints += wrong
    return finish({"soak": "kills", "runs": figures}, complaints)


if __name__ == "__main__":
    sys.exit(main())

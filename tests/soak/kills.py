"""Kill commands that write at random moments: `python -m tests.soak.kills`.

A bounce, a preview, a cache fill, writes into a recipe, an accepted review, chosen passes, and answers that arrive.
After every kill: sources and earlier outputs are untouched, nothing half-written carries its final name, and the next
run succeeds, comes to the very bytes, and clears what was left. About every third kill is followed by a whole run.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import tempfile
import time
from pathlib import Path

from layerpipe.render.cache.take_cache import TakeCache
from tests.soak.killed import KINDS, Kind
from tests.soak.scene import FINE, Scene, bounce, finish, forked

SETTLED_SHARE = 0.35


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
        code = forked(kind.work, kill_after_s=at_s)
        hit += code is None
        # Most kills hit a run that follows a kill: it must not fail either.
        found = kind.complaints() + ([] if code in (None, FINE) else ["the next run fails"])
        if picked.random() < SETTLED_SHARE or n == count - 1:
            if forked(kind.work) != FINE:
                found.append("the next run fails")
            found += kind.complaints() + kind.settled()
        complaints += (found := [f"{kind_name}, kill {n} after {at_s:.3f} s: {what}" for what in found])
        print(*found, sep="\n", end="\n" * bool(found), file=sys.stderr, flush=True)
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
            print(json.dumps(figures[-1]), flush=True)
            complaints += wrong
    return finish({"soak": "kills", "runs": figures}, complaints)


if __name__ == "__main__":
    sys.exit(main())

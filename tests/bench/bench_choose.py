"""Share of planted best choices that `choose` finds: python -m tests.bench.bench_choose [songs [first]].

Songs of five passes a side, with one pass tight but out of tune, one loose in the chorus, one with a click, a copy, and
every fourth song in need of a comp (`tests.support.passes`). Goal: 95 %, and never a copy as a double. "First two" is
what is heard without a choice. CPU time of listening, wall time of the search. "Joints" are those of the written comp,
and how many of them are audible by the limits of `check`.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from layerpipe.analysis.choose.choice import Choice
from layerpipe.jobs.check import check_recipe
from layerpipe.jobs.choose import change_of_passes, choose_passes
from layerpipe.recipe.reader import RecipeFile, read_recipe
from layerpipe.render.takes.open_takes import open_all
from tests.support.passes import SIDES, PassesSong, make_passes, write_passes

GOAL = 0.95


def chosen_of(choice: Choice) -> dict[str, Sequence[str]]:
    """Names of the chosen passes by side and section."""
    return {side: tuple(choice.passes[n][number].name for number in choice.numbers(n)) for n, side in enumerate(SIDES)}


def ranked_best(choice: Choice) -> dict[str, str]:
    """The best pair of passes throughout."""
    return {side: choice.passes[n][choice.ranking[0].numbers[n]].name for n, side in enumerate(SIDES)}


def audible_joints(file: RecipeFile, choice: Choice) -> tuple[int, int]:
    """Joints of the comp as it is written, and how many of them `check` finds fault with."""
    change = change_of_passes(file, [choice])
    if change is not None:
        change.write()
    recipe = read_recipe(file.path).recipe
    joints = sum(len(take.comp.joints) for take in open_all(recipe))
    found = check_recipe(recipe).takes if joints else []
    return joints, sum(finding.kind == "comp" for take in found for finding in take.findings)


def row_of(made: PassesSong, file: RecipeFile, choice: Choice, listened_s: float) -> tuple[bool, bool, bool, int, int]:
    """Print a song's row; whether comp and best pair are the planted ones, whether a copy is a double, its joints."""
    started = time.perf_counter()
    # A copy has not searched yet.
    comp, best = replace(choice).comp, ranked_best(choice)
    search_ms = 1000 * (time.perf_counter() - started)
    chosen = chosen_of(choice)
    right, copied = made.comp_is_right(chosen), made.doubles_a_copy(chosen)
    pair_right = made.comp_needed or best == made.best_pair
    joints, audible = audible_joints(file, choice)
    first = next(one.cost for one in choice.ranking if one.numbers == (0, 0))
    needs = "comp" if made.comp_needed else "one pass"
    print(f"{made.seed:4d}  {made.voice:8s}  {needs:8s}  "
          f"{'found' if right else 'MISSED':6s}  {'found' if pair_right else 'MISSED':6s}  "
          f"{first:9.1f}  {comp.cost:6.1f}  {listened_s:8.1f}  {search_ms:9.1f}  {joints:6d}  {audible:7d}", flush=True)
    if not right:
        kinds = {side: [one.kind for one in made.passes[side]] for side in SIDES}
        print(f"      chosen {chosen}, planted {made.best_comp}, kinds {kinds}")
    return right, pair_right, copied, joints, audible


def main(songs: int = 40, first: int = 0) -> None:
    """Print the table."""
    print("song  voice     needs     choice  pair    first two  chosen  listen s  search ms  joints  audible")
    found = []
    for seed in range(first, first + songs):
        made = make_passes(seed)
        with tempfile.TemporaryDirectory() as folder:
            file = read_recipe(write_passes(made, Path(folder)))
            started = time.process_time()
            (choice,) = choose_passes(file)
            found.append(row_of(made, file, choice, time.process_time() - started))
    right, pairs, copied, joints, audible = (sum(column) for column in zip(*found, strict=True))
    print(f"\nplanted best choices found: {right} of {songs}, {100 * right / songs:.1f} % (goal {100 * GOAL:.0f} %)")
    print(f"best pair first in the ranking (songs without comp; others count as found): {pairs} of {songs}")
    print(f"copies taken as a double: {copied}")
    print(f"joints of written comps: {joints}, of which check calls audible: {audible}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))

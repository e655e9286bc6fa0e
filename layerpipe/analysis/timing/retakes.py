"""What is better played again than repaired: strums that are missing, sections that need too many moves.

Limits: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.timing.align import Placed
from layerpipe.recipe.model import Timing

DEEPEST_MISS_DB = 9.0
USUALLY_PLAYED = 0.75
LIGHT_DB, MANY_LIGHT = 8.0, 0.02


@dataclass(frozen=True)
class Rerecord:
    """Bars to be played again, first and last, and why."""

    bars: tuple[int, int]
    why: str


@dataclass(frozen=True)
class Stretch:
    """A section, or a whole song without sections: what is played again as one."""

    name: str
    first_bar: int
    last_bar: int


def missing(name: str, placed: Placed, others: Sequence[Placed]) -> list[Rerecord]:
    """Strums that all other takes play, and this one nearly always, but not here."""
    mine = {strum.spot for strum in placed.strums if strum.spot}
    if not mine or not others:
        return []
    times = np.array([*(strum.heard_s for strum in placed.strums), *placed.doubtful_s])
    kinds: dict[tuple[int, int], int] = {}
    for spot in {strum.spot for strum in placed.strums if strum.spot and strum.counts}:
        kinds[spot.beat, spot.sixteenth] = kinds.get((spot.beat, spot.sixteenth), 0) + 1
    bars = {spot.bar for spot in mine}
    plays_lightly = _light_share(placed) > MANY_LIGHT
    loud = [{strum.spot: strum for strum in other.strums if strum.counts and strum.spot} for other in others]
    found = []
    for spot in sorted(set(loud[0]), key=lambda spot: (spot.bar, spot.beat, spot.sixteenth)):
        if spot in mine or not min(bars) <= spot.bar <= max(bars) or (plays_lightly and spot.sixteenth != 1):
            continue
        theirs = [held[spot] for held in loud if spot in held]
        usual = kinds.get((spot.beat, spot.sixteenth), 0) >= USUALLY_PLAYED * len(bars)
        plain = all(strum.onset.sure > 0.8 and strum.onset.level_db > _loud_db(other) - DEEPEST_MISS_DB
                    for strum, other in zip(theirs, others, strict=False))
        near = len(times) and np.min(np.abs(times - theirs[0].heard_s)) < 0.08
        if len(theirs) == len(others) and usual and plain and not near:
            found.append(Rerecord((spot.bar, spot.bar), f"{name}: {spot.text} is missing; the others play it"))
    return found


def _light_share(placed: Placed) -> float:
    """Share of strums far softer than a take usually plays that place of the bar: between beats more may go unheard."""
    kinds: dict[tuple[int, int], list[float]] = {}
    for strum in placed.strums:
        if strum.spot:
            kinds.setdefault((strum.spot.beat, strum.spot.sixteenth), []).append(strum.onset.rise_db)
    light = [np.array(rises) < np.median(rises) - LIGHT_DB for rises in kinds.values()]
    return float(np.mean(np.concatenate(light))) if light else 0.0


def _loud_db(placed: Placed) -> float:
    """Level of a take's usual strums."""
    return float(np.median([strum.onset.level_db for strum in placed.strums]))


def too_many(name: str, moved_bars: Sequence[int], stretches: Sequence[Stretch], timing: Timing) -> list[Rerecord]:
    """Sections that would need more moves than are worth making; each move is told by the bar it begins in."""
    found = []
    for stretch in stretches:
        inside = [bar for bar in moved_bars if stretch.first_bar <= bar <= stretch.last_bar]
        bars = stretch.last_bar - stretch.first_bar + 1
        if len(inside) > max(1.0, timing.moves_per_bar * bars):
            found.append(Rerecord((stretch.first_bar, stretch.last_bar),
                                   f"{name}, {stretch.name}: {len(inside)} moves in {bars} "
                                   f"bar{'s' if bars > 1 else ''}; playing it again is quicker and better"))
    return found


def merged(again: Sequence[Rerecord]) -> list[Rerecord]:
    """One entry for each stretch of bars; what lies inside a longer one goes into it."""
    kept: list[Rerecord] = []
    for one in sorted(again, key=lambda a: (a.bars[0] - a.bars[1], a.bars[0])):
        around = next((n for n, a in enumerate(kept) if a.bars[0] <= one.bars[0] and one.bars[1] <= a.bars[1]), None)
        if around is None:
            kept.append(one)
        else:
            kept[around] = replace(kept[around], why=f"{kept[around].why}; {one.why}")
    return sorted(kept, key=lambda a: a.bars)

"""How tight takes are: against the grid by bar and section, and against each other.

Distances are ms. How far apart two strums may be before they stop being one: working bands for plucked doubles (under
5 ms fused, to 25 a double, to 40 loose, more is a flam), common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.timing.align import Placed, Spot, Strum, spread_ms
from layerpipe.core.sound import FloatArray

ONE_MS, APART_MS = 10.0, 40.0
PAIRED_S = 0.08
WITHIN_MS = (5, 10, 20, 30)


@dataclass(frozen=True)
class Figures:
    """Strums of a bar or section: how many, median offset from the grid, scatter."""

    name: str
    bars: tuple[int, int]
    strums: int
    off_ms: float | None
    scatter_ms: float | None


@dataclass(frozen=True)
class Pair:
    """Two takes: how far apart their strums of the same place are."""

    takes: tuple[str, str]
    strums: int
    lag_ms: float | None
    """Median of how much later the first is."""
    median_ms: float | None
    p95_ms: float | None
    within: dict[int, float]
    """Share of strums within 5, 10, 20 and 30 ms."""
    as_one: float | None
    """0 to 1: would these sound like one instrument; a strum counts wholly up to 10 ms apart, not at all from 40 on."""


def figures(name: str, bars: tuple[int, int], strums: Sequence[Strum]) -> Figures:
    """Figures of the strums between two bars, both included."""
    inside = [strum for strum in strums if strum.counts and strum.spot and bars[0] <= strum.spot.bar <= bars[1]]
    if not inside:
        return Figures(name, bars, 0, None, None)
    offs = np.array([strum.off_ms for strum in inside])
    late = np.array([strum.late_ms for strum in inside])
    return Figures(name, bars, len(inside), float(np.median(offs)), spread_ms(late) if len(late) > 3 else None)


def pair_of(names: tuple[str, str], one: Placed, other: Placed) -> Pair:
    """Compare two takes strum by strum: by place, or by nearness where there is no grid."""
    return pair_from(names, np.array([apart_ms(a, b) for a, b in partners(one, other)]))


def pair_from(names: tuple[str, str], apart: FloatArray) -> Pair:
    """Figures of signed distances in ms."""
    if not len(apart):
        return Pair(names, 0, None, None, None, dict.fromkeys(WITHIN_MS, 0.0), None)
    size = np.abs(apart)
    together = np.clip((APART_MS - size) / (APART_MS - ONE_MS), 0, 1)
    return Pair(names, len(apart), float(np.median(apart)), float(np.median(size)), float(np.percentile(size, 95)),
                {limit: float(np.mean(size <= limit)) for limit in WITHIN_MS}, float(np.mean(together)))


def apart_ms(one: Strum, other: Strum) -> float:
    """By how much later one strum is than another: where both begin, or where both aim if only one is spread slowly."""
    both = (one.later_s > 0) == (other.later_s > 0)
    return 1000 * (one.heard_s - other.heard_s if both else one.aimed_s - other.aimed_s)


def partners(one: Placed, other: Placed) -> list[tuple[Strum, Strum]]:
    """Strums of two takes that belong together."""
    by_place: dict[Spot, Strum] = {strum.spot: strum for strum in other.strums if strum.counts and strum.spot}
    if by_place:
        return [(strum, by_place[strum.spot]) for strum in one.strums
                if strum.counts and strum.spot is not None and strum.spot in by_place]
    found = []
    times = np.array([strum.heard_s for strum in other.strums])
    mine = np.array([strum.heard_s for strum in one.strums])
    for strum in one.strums if len(times) else ():
        n = int(np.argmin(np.abs(times - strum.heard_s)))
        mutual = int(np.argmin(np.abs(mine - times[n])))
        if abs(times[n] - strum.heard_s) <= PAIRED_S and one.strums[mutual] is strum:
            found.append((strum, other.strums[n]))
    return found

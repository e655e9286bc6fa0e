"""How tight takes are: against the grid by bar and section, and against each other.

Differences are ms. How far apart two onsets may be before they stop sounding as one: working limits for plucked doubles
(under 5 ms fused, up to 25 a double, up to 40 loose, more is a flam); common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.timing.grid.align import AlignedOnset, AlignedTake, robust_spread
from layerpipe.core.sound import FloatArray

WITHIN_MS = (5, 10, 20, 30)


@dataclass(frozen=True)
class DoubleLimits:
    """When two onsets belong together, and when they sound as one."""

    as_one_ms: float = 10.0  # up to here a pair of onsets counts fully
    apart_ms: float = 40.0  # from here on it does not count
    paired_s: float = 0.08  # without a grid, onsets up to this far apart are a pair


DOUBLE = DoubleLimits()


@dataclass(frozen=True)
class OffsetSummary:
    """Onsets of a bar or section: how many, their average offset (median) and spread."""

    name: str
    bars: tuple[int, int]
    onsets: int
    average_offset_ms: float | None
    spread_ms: float | None


@dataclass(frozen=True)
class TakePair:
    """Two takes: how far apart their onsets at the same grid points are."""

    takes: tuple[str, str]
    onsets: int
    lag_ms: float | None
    """Median of how much later the first is."""
    median_ms: float | None
    p95_ms: float | None
    within: dict[int, float]
    """Share of onsets within 5, 10, 20 and 30 ms."""
    sounds_as_one: float | None
    """0 to 1: mean over all onsets; 1 for a difference of up to 10 ms, falling evenly to 0 at 40 ms."""


def summarise_offsets(name: str, bars: tuple[int, int], onsets: Sequence[AlignedOnset]) -> OffsetSummary:
    """Summarise the onsets of bars first to last, both included."""
    inside = [one for one in onsets if one.is_reliable and one.point and bars[0] <= one.point.bar <= bars[1]]
    if not inside:
        return OffsetSummary(name, bars, 0, None, None)
    offsets = np.array([one.offset_ms for one in inside])
    deviations = np.array([one.deviation_ms for one in inside])
    return OffsetSummary(name, bars, len(inside), float(np.median(offsets)),
                         robust_spread(deviations) if len(deviations) > 3 else None)


def compare_takes(names: tuple[str, str], one: AlignedTake, other: AlignedTake) -> TakePair:
    """Compare two takes onset by onset: by grid point, or by nearness where there is no grid."""
    return summarise_differences(names, np.array([difference_ms(a, b) for a, b in pair_onsets(one, other)]))


def summarise_differences(names: tuple[str, str], differences_ms: FloatArray) -> TakePair:
    """Statistics of signed differences in ms."""
    if not len(differences_ms):
        return TakePair(names, 0, None, None, None, dict.fromkeys(WITHIN_MS, 0.0), None)
    size = np.abs(differences_ms)
    as_one = np.clip((DOUBLE.apart_ms - size) / (DOUBLE.apart_ms - DOUBLE.as_one_ms), 0, 1)
    return TakePair(names, len(size), float(np.median(differences_ms)), float(np.median(size)),
                    float(np.percentile(size, 95)), {limit: float(np.mean(size <= limit)) for limit in WITHIN_MS},
                    float(np.mean(as_one)))


def difference_ms(one: AlignedOnset, other: AlignedOnset) -> float:
    """How much later one onset is than another: of their beginnings, or of their targets if only one is a rake."""
    same_kind = (one.swell_s > 0) == (other.swell_s > 0)
    return 1000 * (one.heard_s - other.heard_s if same_kind else one.target_s - other.target_s)


def pair_onsets(one: AlignedTake, other: AlignedTake) -> list[tuple[AlignedOnset, AlignedOnset]]:
    """Onsets of two takes that belong together."""
    if other.reliable:
        return [(onset, other.reliable[point]) for point, onset in one.reliable.items() if point in other.reliable]
    found = []
    theirs = np.array([onset.heard_s for onset in other.onsets])
    mine = np.array([onset.heard_s for onset in one.onsets])
    for onset in one.onsets if len(theirs) else ():
        nearest = int(np.argmin(np.abs(theirs - onset.heard_s)))
        back = int(np.argmin(np.abs(mine - theirs[nearest])))
        if abs(theirs[nearest] - onset.heard_s) <= DOUBLE.paired_s and one.onsets[back] is onset:
            found.append((onset, other.onsets[nearest]))
    return found

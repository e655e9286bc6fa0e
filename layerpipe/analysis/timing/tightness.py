"""How tight takes are: against the grid by bar and section, and against each other.

Differences are ms. How far apart two onsets may be before they stop sounding as one: working limits for plucked doubles
(under 5 ms fused, up to 25 a double, up to 40 loose, more is a flam); common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.timing.grid.align import robust_spread
from layerpipe.analysis.timing.grid.aligned import AlignedOnsets, AlignedTake, IntArray
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


def summarise_offsets(name: str, bars: tuple[int, int], onsets: AlignedOnsets) -> OffsetSummary:
    """Summarise the onsets of bars first to last, both included."""
    inside = onsets.is_reliable & (onsets.points.bar >= bars[0]) & (onsets.points.bar <= bars[1])
    offsets_ms, deviations_ms = onsets.offset_ms[inside], onsets.deviation_ms[inside]
    if not len(offsets_ms):
        return OffsetSummary(name, bars, 0, None, None)
    return OffsetSummary(name, bars, len(offsets_ms), float(np.median(offsets_ms)),
                         robust_spread(deviations_ms) if len(deviations_ms) > 3 else None)


def compare_takes(names: tuple[str, str], one: AlignedTake, other: AlignedTake) -> TakePair:
    """Compare two takes onset by onset: by grid point, or by nearness where there is no grid."""
    mine, its = pair_onsets(one, other)
    return summarise_differences(names, differences_ms(one.onsets, mine, other.onsets, its))


def summarise_differences(names: tuple[str, str], differences_ms: FloatArray) -> TakePair:
    """Statistics of signed differences in ms."""
    if not len(differences_ms):
        return TakePair(names, 0, None, None, None, dict.fromkeys(WITHIN_MS, 0.0), None)
    size = np.abs(differences_ms)
    as_one = np.clip((DOUBLE.apart_ms - size) / (DOUBLE.apart_ms - DOUBLE.as_one_ms), 0, 1)
    return TakePair(names, len(size), float(np.median(differences_ms)), float(np.median(size)),
                    float(np.percentile(size, 95)), {limit: float(np.mean(size <= limit)) for limit in WITHIN_MS},
                    float(np.mean(as_one)))


def differences_ms(one: AlignedOnsets, mine: IntArray, other: AlignedOnsets, its: IntArray) -> FloatArray:
    """How much later onsets are than others: of their beginnings, or of their targets if only one is a rake.

    Parameters
    ----------
    one, other : AlignedOnsets
    mine, its : np.ndarray [shape=(pairs,)]
        Rows of both.
    """
    are_alike = (one.swell_s[mine] > 0) == (other.swell_s[its] > 0)
    apart_s: FloatArray = np.where(are_alike, one.heard_s[mine] - other.heard_s[its],
                                   one.target_s[mine] - other.target_s[its])
    return 1000 * apart_s


def pair_onsets(one: AlignedTake, other: AlignedTake) -> tuple[IntArray, IntArray]:
    """Rows of the onsets of two takes that belong together, in the order of the first."""
    if len(other.reliable[0]):
        mine = np.sort(one.reliable[1])
        its = other.row_at(one.onsets.points.key[mine])
        return mine[its >= 0], its[its >= 0]
    times_s, others_s = one.onsets.heard_s, other.onsets.heard_s
    if not len(times_s) or not len(others_s):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    its, mine = _nearest(others_s, times_s), np.arange(len(times_s))
    pairs = (np.abs(others_s[its] - times_s) <= DOUBLE.paired_s) & (_nearest(times_s, others_s[its]) == mine)
    return mine[pairs], its[pairs]


def _nearest(times_s: FloatArray, to_s: FloatArray) -> IntArray:
    """Which of some times is nearest to each of others."""
    order = np.argsort(times_s, kind="stable")
    ranked = times_s[order]
    after = np.searchsorted(ranked, to_s)
    before_s, after_s = ranked[np.maximum(after - 1, 0)], ranked[np.minimum(after, len(ranked) - 1)]
    # Of equal ones the first.
    is_before = np.abs(to_s - before_s) <= np.abs(after_s - to_s)
    nearest: IntArray = order[np.searchsorted(ranked, np.where(is_before, before_s, after_s))]
    return nearest

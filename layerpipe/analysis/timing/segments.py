"""Which strums of a take are off together, from its own feel and from its double.

Runs that share a displacement are found together with single strums by one search: strums are split into pieces, each
either left alone or shifted as a whole, at the least sum of squared errors (in scatters) and a price for each shifted
piece. Optimal partitioning: Jackson et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal
Processing Letters 12(2), 2005.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.timing.align import Placed, Spot, Strum, spread_ms
from layerpipe.analysis.timing.tightness import apart_ms, partners
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.model import Timing

PRICE, FAULT_PRICE = 12.0, 7.0
"""Of a piece, in squared scatters: a single strum must be off by 3.5 of them; by 2.6 where most faults are."""
LEAST_SCATTER_MS, FEWEST = 4.0, 8
LONGEST_RUN = 64
SAME_SIDE = 0.8
BREAK_GAPS, BREAK_S = 4.0, 1.5
"""A break is longer than so many usual gaps between strums, and than so many seconds."""
SETTLED = 3
"""Times the scatter is told again without what is loose."""


@dataclass(frozen=True)
class Loose:
    """A piece of strums (indices first to last, inside those that count) that is off by `off_ms` together."""

    first: int
    last: int
    off_ms: float


def settle(late_ms: FloatArray, tolerance_ms: float, prices: FloatArray) -> tuple[list[Loose], float]:
    """Loose pieces of a take, and its scatter (ms) once they are home: what is loose is no part of how it is played.

    Parameters
    ----------
    late_ms, prices : np.ndarray [shape=(strums,)]
        As `loose_pieces` takes them.
    tolerance_ms : float
    """
    scatter_ms = spread_ms(late_ms)
    pieces: list[Loose] = []
    for _ in range(SETTLED):
        pieces = loose_pieces(late_ms, scatter_ms, tolerance_ms, prices)
        home = late_ms.copy()
        for piece in pieces:
            home[piece.first : piece.last + 1] -= piece.off_ms
        scatter_ms = spread_ms(home)
    return pieces, scatter_ms


def fault_prices(strums: Sequence[Strum]) -> FloatArray:
    """Price of a piece that begins at each strum: less at the first downbeat and after breaks, where faults are."""
    times = np.array([strum.heard_s for strum in strums])
    gaps = np.diff(times, prepend=-np.inf)
    usual = float(np.median(gaps[1:])) if len(gaps) > 1 else np.inf
    prices: FloatArray = np.where(gaps > max(BREAK_GAPS * usual, BREAK_S), FAULT_PRICE, PRICE)
    for n, strum in enumerate(strums):
        if strum.spot is not None and (strum.spot.bar, strum.spot.beat, strum.spot.sixteenth) == (1, 1, 1):
            prices[n] = FAULT_PRICE
    return prices


def loose_pieces(late_ms: FloatArray, scatter_ms: float, tolerance_ms: float,
                 prices: FloatArray | None = None) -> list[Loose]:
    """Runs and single strums that are off from the take's feel.

    Parameters
    ----------
    late_ms : np.ndarray [shape=(strums,)]
        In order of time.
    scatter_ms, tolerance_ms : float
    prices : np.ndarray [shape=(strums,)], optional
        Of a piece that begins at each strum, in squared scatters.

    Returns
    -------
    list of Loose
        None is off by less than the tolerance.
    """
    n = len(late_ms)
    unit = max(scatter_ms, LEAST_SCATTER_MS)
    z = late_ms / unit
    sums, squares = np.concatenate([[0.0], np.cumsum(z)]), np.concatenate([[0.0], np.cumsum(z**2)])
    priced = np.full(n, PRICE) if prices is None else prices
    cost, came = np.zeros(n + 1), np.full(n + 1, -1)
    for stop in range(1, n + 1):
        cost[stop] = cost[stop - 1] + z[stop - 1] ** 2
        first = np.arange(max(0, stop - LONGEST_RUN), stop)
        count = stop - first
        mean = (sums[stop] - sums[first]) / count
        apart = squares[stop] - squares[first] - count * mean**2
        tried = np.where(np.abs(mean) * unit > tolerance_ms, cost[first] + apart + priced[first], np.inf)
        best = int(np.argmin(tried))
        if tried[best] < cost[stop]:
            cost[stop], came[stop] = tried[best], first[best]
    found, stop = [], n
    while stop:
        if came[stop] < 0:
            stop -= 1
            continue
        first_one, piece = int(came[stop]), late_ms[came[stop] : stop]
        off = float(np.median(piece))
        if abs(off) > tolerance_ms and np.mean(np.sign(piece) == np.sign(off)) >= SAME_SIDE:
            found.append(Loose(first_one, stop - 1, off))
        stop = first_one
    return found[::-1]


@dataclass(frozen=True)
class Doubles:
    """Each strum's own double, and how far apart the two takes usually are."""

    apart_ms: dict[Spot, float]
    lag_ms: float
    scatter_ms: float
    late_ms: dict[Spot, float]
    """How loose the double itself is at each place."""


def doubles_of(placed: Placed, double: tuple[str, Placed] | None) -> Doubles | None:
    """What the double says."""
    if double is None:
        return None
    found = partners(placed, double[1])
    apart = {mine.spot: apart_ms(mine, its) for mine, its in found if mine.spot}
    if len(apart) < FEWEST:
        return None
    values = np.array(list(apart.values()))
    lag = float(np.median(values))
    return Doubles(apart, lag, float(1.4826 * np.median(np.abs(values - lag))),
                    {its.spot: its.late_ms or 0.0 for _, its in found if its.spot})


def apart_from_double(strums: Sequence[Strum], late: FloatArray, pairs: Doubles | None, pieces: Sequence[Loose],
                      scatter_ms: float, timing: Timing) -> list[Loose]:
    """Single strums that are inside the take's own tolerance by a little but plainly apart from the double."""
    if pairs is None:
        return []
    taken = {n for piece in pieces for n in range(piece.first, piece.last + 1)}
    unit = max(pairs.scatter_ms, scatter_ms, LEAST_SCATTER_MS * 1.4)
    found = []
    for n, strum in enumerate(strums):
        apart = pairs.apart_ms.get(strum.spot) if strum.spot else None
        if n in taken or apart is None or strum.spot is None:
            continue
        off = apart - pairs.lag_ms
        mine_is_loose = abs(late[n]) > max(timing.tolerance_ms, abs(pairs.late_ms[strum.spot]))
        if mine_is_loose and abs(off) > max(timing.double_tolerance_ms, np.sqrt(PRICE) * unit):
            found.append(Loose(n, n, float(late[n])))
    return found

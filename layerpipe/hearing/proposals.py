"""Which strums are worth moving, as few moves as possible, and what should be played again instead.

A take keeps its own feel: only what is off from where it usually plays is loose. Runs that share a displacement are
found together with single strums by one search: strums are split into pieces, each either left alone or shifted as a
whole, at the least sum of squared errors (in scatters) and a fixed price for each shifted piece.
Optimal partitioning: Jackson et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal
Processing Letters 12(2), 2005.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.hearing.grid import Placed, Spot, Strum
from layerpipe.hearing.tightness import partners
from layerpipe.recipe import Timing
from layerpipe.sound import FloatArray

PRICE = 11.0
"""Of a piece, in squared scatters: a single strum must be off by 3.3 of them."""
LEAST_SCATTER_MS, FEWEST = 4.0, 8
LONGEST_RUN = 64
SAME_SIDE = 0.8
BEFORE_ONSET_S, LEAST_RING_S = 0.008, 0.02
KEPT_LAG_MS = 15.0
"""A take that is meant to lie this far from its double keeps its distance."""
DEEPEST_MISS_DB = 9.0
USUALLY_PLAYED = 0.75
LIGHT_DB, MANY_LIGHT = 8.0, 0.02
SURE_BESIDE, SURE_ALONE = 0.55, 0.9
"""How sure the middle strum of a move must be, where the double plays there too and where only this take does."""
WORTH_MOVING = 0.8
"""The least move, in tolerances: its place may be loose while the double is nearly there, too."""


@dataclass(frozen=True)
class Proposal:
    """A move worth making: seconds in the file, ms later, the strums it takes along, why."""

    from_s: float
    to_s: float
    by_ms: float
    strums: tuple[Strum, ...]
    why: str
    joint_ms: float = 5.0
    heard: str = ""
    """What the ear may find at its joints; empty where nothing."""


@dataclass(frozen=True)
class PlayAgain:
    """Bars to be played again, first and last, and why."""

    bars: tuple[int, int]
    why: str


@dataclass(frozen=True)
class Stretch:
    """A section, or a whole song without sections: what is played again as one."""

    name: str
    first_bar: int
    last_bar: int


@dataclass(frozen=True)
class Loose:
    """A piece of strums (indices first to last, inside those that count) that is off by `off_ms` together."""

    first: int
    last: int
    off_ms: float


def loose_pieces(late_ms: FloatArray, scatter_ms: float, tolerance_ms: float) -> list[Loose]:
    """Runs and single strums that are off from the take's feel.

    Parameters
    ----------
    late_ms : np.ndarray [shape=(strums,)]
        In order of time.
    scatter_ms, tolerance_ms : float

    Returns
    -------
    list of Loose
        None is off by less than the tolerance.
    """
    n = len(late_ms)
    unit = max(scatter_ms, LEAST_SCATTER_MS)
    z = late_ms / unit
    sums, squares = np.concatenate([[0.0], np.cumsum(z)]), np.concatenate([[0.0], np.cumsum(z**2)])
    cost, came = np.zeros(n + 1), np.full(n + 1, -1)
    for stop in range(1, n + 1):
        cost[stop] = cost[stop - 1] + z[stop - 1] ** 2
        first = np.arange(max(0, stop - LONGEST_RUN), stop)
        count = stop - first
        mean = (sums[stop] - sums[first]) / count
        apart = squares[stop] - squares[first] - count * mean**2
        tried = np.where(np.abs(mean) * unit > tolerance_ms, cost[first] + apart + PRICE, np.inf)
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


def judge_take(name: str, placed: Placed, double: tuple[str, Placed] | None, others: Sequence[Placed],
               stretches: Sequence[Stretch], timing: Timing,
               frozen: Sequence[tuple[float, float]] = ()) -> tuple[list[Proposal], list[PlayAgain]]:
    """Moves worth making in one take, and what is to be played again.

    Parameters
    ----------
    name : str
        Of the take.
    placed : Placed
        Its strums, heard with the moves it has.
    double : (name, Placed), optional
        The other take of its layer.
    others : sequence of Placed
        All other takes of the song.
    stretches : sequence of Stretch
    timing : Timing
    frozen : sequence of (from_s, to_s)
        Where the recipe has moves already (seconds in the file).

    Returns
    -------
    (moves, play_again)
    """
    strums = [strum for strum in placed.strums if strum.counts and strum.spot and strum.spot.bar >= 0]
    if placed.scatter_ms is None or len(strums) < FEWEST:
        return [], []
    late = np.array([strum.late_ms for strum in strums], dtype=np.float64)
    bars = [strum.spot.bar for strum in strums if strum.spot]
    if placed.scatter_ms > timing.loosest_ms:
        why = (f"{name}: strums scatter by {placed.scatter_ms:.0f} ms; above {timing.loosest_ms:g} ms a take is "
               "played again")
        return [], [PlayAgain((min(bars), max(bars)), why)]
    again = _missing(name, placed, others)
    kinds = Counter((strum.spot.beat, strum.spot.sixteenth) for strum in strums if strum.spot)
    far = [strum for strum in strums if abs(strum.late_ms or 0.0) > timing.farthest_ms
           and strum.spot and kinds[strum.spot.beat, strum.spot.sixteenth] > 1]
    again += [PlayAgain((strum.spot.bar, strum.spot.bar),
                        f"{name}: {_place(strum.spot)} is {_off(strum.late_ms or 0.0)}; more than "
                        f"{timing.farthest_ms:g} ms is played again") for strum in far if strum.spot]
    pairs = _pairs(placed, double)
    pieces = loose_pieces(late, placed.scatter_ms, timing.tolerance_ms)
    pieces += _apart_from_double(strums, late, pairs, pieces, placed, double, timing)
    moves = []
    for piece in sorted(pieces, key=lambda piece: piece.first):
        taken = strums[piece.first : piece.last + 1]
        if (any(strum in far for strum in taken) or _begins_in_time(taken, piece.off_ms, timing)
                or not _is_trusted(taken, pairs)):
            continue
        move = _move(name, placed, taken, piece.off_ms, pairs, double, timing)
        if move is not None and not any(move.from_s < stop and start < move.to_s for start, stop in frozen):
            moves.append(move)
    again += _too_many(name, moves, stretches, timing)
    again = _merged(again)
    kept = [move for move in moves
            if not any(a.bars[0] <= strum.spot.bar <= a.bars[1] for a in again for strum in move.strums if strum.spot)]
    return kept, again


@dataclass(frozen=True)
class _Doubles:
    """Each strum's own double, and how far apart the two takes usually are."""

    apart_ms: dict[Spot, float]
    lag_ms: float
    scatter_ms: float
    late_ms: dict[Spot, float]
    """How loose the double itself is at each place."""


def _pairs(placed: Placed, double: tuple[str, Placed] | None) -> _Doubles | None:
    """What the double says."""
    if double is None:
        return None
    found = partners(placed, double[1])
    apart = {mine.spot: (mine.heard_s - its.heard_s) * 1000 for mine, its in found if mine.spot}
    if len(apart) < FEWEST:
        return None
    values = np.array(list(apart.values()))
    lag = float(np.median(values))
    return _Doubles(apart, lag, float(1.4826 * np.median(np.abs(values - lag))),
                    {its.spot: its.late_ms or 0.0 for _, its in found if its.spot})


def _apart_from_double(strums: Sequence[Strum], late: FloatArray, pairs: _Doubles | None, pieces: Sequence[Loose],
                       placed: Placed, double: tuple[str, Placed] | None, timing: Timing) -> list[Loose]:
    """Single strums that are inside the take's own tolerance by a little but plainly apart from the double."""
    if pairs is None or double is None or placed.scatter_ms is None:
        return []
    taken = {n for piece in pieces for n in range(piece.first, piece.last + 1)}
    unit = max(pairs.scatter_ms, LEAST_SCATTER_MS * 1.4)
    found = []
    for n, strum in enumerate(strums):
        apart = pairs.apart_ms.get(strum.spot) if strum.spot else None
        if n in taken or apart is None or strum.spot is None:
            continue
        off = apart - pairs.lag_ms
        mine_is_loose = abs(late[n]) > max(timing.tolerance_ms, abs(pairs.late_ms[strum.spot]))
        if mine_is_loose and abs(off) > max(timing.partner_tolerance_ms, np.sqrt(PRICE) * unit):
            found.append(Loose(n, n, float(late[n])))
    return found


def _begins_in_time(taken: Sequence[Strum], off_ms: float, timing: Timing) -> bool:
    """Whether strums that seem late show signs of sounding in time: a soft first string may have been missed."""
    signs = [abs(off_ms - (strum.onset.at_s - strum.onset.first_sign_s) * 1000) for strum in taken]
    return off_ms > 0 and float(np.median(signs)) <= timing.tolerance_ms


def _is_trusted(taken: Sequence[Strum], pairs: _Doubles | None) -> bool:
    """Whether strums are sure enough to be moved: a stir that no double answers may be no strum."""
    answered = pairs is None or any(strum.spot in pairs.apart_ms for strum in taken)
    return float(np.median([strum.onset.sure for strum in taken])) >= (SURE_BESIDE if answered else SURE_ALONE)


def _move(name: str, placed: Placed, taken: Sequence[Strum], off_ms: float, pairs: _Doubles | None,
          double: tuple[str, Placed] | None, timing: Timing) -> Proposal | None:
    """The move that brings strums home; None where there is no room for one."""
    against, by_ms = "against where it usually plays", -off_ms
    if timing.toward == "partner" and pairs is not None and double is not None:
        # A double that is loose here itself is no place to go to.
        good = [strum for strum in taken if strum.spot in pairs.apart_ms
                and abs(pairs.late_ms[strum.spot]) <= timing.tolerance_ms]
        if len(good) * 2 >= len(taken):
            keeps = pairs.lag_ms if abs(pairs.lag_ms) > KEPT_LAG_MS else 0.0
            apart = [pairs.apart_ms[strum.spot] - keeps for strum in good if strum.spot]
            by_ms, against = -float(np.median(apart)), f"against {double[0]}"
            least_ms = max(0.5 * abs(off_ms), WORTH_MOVING * timing.tolerance_ms)
            if abs(by_ms) < least_ms or by_ms * off_ms > 0:
                return None
    by_ms = round(by_ms, 1)
    times = [strum.onset.at_s for strum in placed.strums]
    first, last = taken[0].onset.at_s, taken[-1].onset.at_s
    following = [at for at in times if at > last + 1e-9]
    earlier = [at for at in times if at < first - 1e-9]
    start = max(first - BEFORE_ONSET_S, 0.0)
    stop = following[0] - BEFORE_ONSET_S if following else last + 1.0
    by_s = by_ms / 1000
    # What a move repeats must hold no attack: before its start when later, before its end when earlier.
    if by_s > 0 and earlier and earlier[-1] + LEAST_RING_S > start - by_s:
        return None
    if by_s < 0 and (last + LEAST_RING_S > stop + by_s or (earlier and earlier[-1] + LEAST_RING_S > start + by_s)):
        return None
    if first + by_s < 0:
        return None
    spots = [strum.spot for strum in taken if strum.spot]
    where = _place(spots[0]) if len(spots) == 1 else f"{_place(spots[0])} to {_place(spots[-1], short=True)}"
    why = f"{where}, {name}: {_off(-by_ms)} {against}; 1 move"
    return Proposal(round(start, 4), round(stop, 4), by_ms, tuple(taken), why)


def _place(spot: Spot | None, *, short: bool = False) -> str:
    """bar 5 beat 2, or "bar 5 beat 2 sixteenth 3"."""
    if spot is None:
        return "somewhere"
    text = f"bar {spot.bar} beat {spot.beat}"
    return text if spot.sixteenth == 1 else f"{text} sixteenth {spot.sixteenth}"


def _off(ms: float) -> str:
    """34 ms early."""
    return f"{abs(ms):.0f} ms {'late' if ms > 0 else 'early'}"


def _missing(name: str, placed: Placed, others: Sequence[Placed]) -> list[PlayAgain]:
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
            found.append(PlayAgain((spot.bar, spot.bar), f"{name}: {_place(spot)} is missing; the others play it"))
    return found


def _light_share(placed: Placed) -> float:
    """Share of strums far softer than a take usually plays that place of the bar: between beats more may go unheard."""
    kinds: dict[tuple[int, int], list[float]] = {}
    for strum in placed.strums:
        if strum.spot:
            kinds.setdefault((strum.spot.beat, strum.spot.sixteenth), []).append(strum.onset.rise_db)
    light = [rise_db < np.median(rises) - LIGHT_DB for rises in kinds.values() for rise_db in rises]
    return float(np.mean(light)) if light else 0.0


def _loud_db(placed: Placed) -> float:
    """Level of a take's usual strums."""
    return float(np.median([strum.onset.level_db for strum in placed.strums]))


def _too_many(name: str, moves: Sequence[Proposal], stretches: Sequence[Stretch], timing: Timing) -> list[PlayAgain]:
    """Sections that would need more moves than are worth making."""
    found = []
    for stretch in stretches:
        inside = [move for move in moves if move.strums[0].spot
                  and stretch.first_bar <= move.strums[0].spot.bar <= stretch.last_bar]
        bars = stretch.last_bar - stretch.first_bar + 1
        if len(inside) > max(1.0, timing.moves_per_bar * bars):
            found.append(PlayAgain((stretch.first_bar, stretch.last_bar),
                                   f"{name}, {stretch.name}: {len(inside)} moves in {bars} "
                                   f"bar{'s' if bars > 1 else ''}; playing it again is quicker and better"))
    return found


def _merged(again: Sequence[PlayAgain]) -> list[PlayAgain]:
    """One entry for each stretch of bars; what lies inside a longer one goes into it."""
    kept: list[PlayAgain] = []
    for one in sorted(again, key=lambda a: (a.bars[0] - a.bars[1], a.bars[0])):
        around = next((n for n, a in enumerate(kept) if a.bars[0] <= one.bars[0] and one.bars[1] <= a.bars[1]), None)
        if around is None:
            kept.append(one)
        else:
            kept[around] = replace(kept[around], why=f"{kept[around].why}; {one.why}")
    return sorted(kept, key=lambda a: a.bars)

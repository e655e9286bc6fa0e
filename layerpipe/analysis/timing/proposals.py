"""Which strums are worth moving, as few moves as possible, and what should be played again instead.

A take keeps its own feel: only what is off from where it usually plays is loose.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.timing.align import Placed, Spot, Strum, off_words
from layerpipe.analysis.timing.retakes import Rerecord, Stretch, merged, missing, too_many
from layerpipe.analysis.timing.segments import FEWEST, Doubles, apart_from_double, doubles_of, fault_prices, settle
from layerpipe.recipe.model import Timing

BEFORE_ONSET_S, LEAST_RING_S = 0.008, 0.02
KEPT_LAG_MS = 15.0
"""A take that is meant to lie this far from its double keeps its distance."""
SURE_BESIDE, SURE_ALONE, OFTEN_ALONE, FAINT_ALONE_DB = 0.5, 0.9, 0.5, 8.0
"""How sure the middle strum of a move must be where the double plays there too; where only this take does, how sure,
in which share of the bars it must play there, and, after the last strum both play, by how much less than usual it may
rise over what rang before: notes that end one by one are no strums."""
SURE_LATE, MISSED_STRING_MS = 0.97, 20.0
"""A strum that seems late and is less sure may have begun with a soft string that was not heard."""
WORTH_MOVING = 0.8
"""The least move, in tolerances: its place may be loose while the double is nearly there, too."""
LOOSE_DOUBLE = 2.5
"""A double that is off by this many of its scatters is no place to go to."""


@dataclass(frozen=True)
class Proposal:
    """A move worth making: seconds in the file, ms later, the strums it takes along, why."""

    from_s: float
    to_s: float
    by_ms: float
    strums: tuple[Strum, ...]
    why: str
    crossfade_ms: float = 5.0
    heard: str = ""
    """What the ear may find at its joints; empty where nothing."""


def judge_take(name: str, placed: Placed, double: tuple[str, Placed] | None, others: Sequence[Placed],
               stretches: Sequence[Stretch], timing: Timing,
               frozen: Sequence[tuple[float, float]] = ()) -> tuple[list[Proposal], list[Rerecord]]:
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
    (moves, rerecord)
    """
    strums = [strum for strum in placed.strums if strum.counts and strum.spot and strum.spot.bar >= 0]
    if placed.scatter_ms is None or len(strums) < FEWEST:
        return [], []
    bars = [strum.spot.bar for strum in strums if strum.spot]
    late = np.array([strum.late_ms for strum in strums], dtype=np.float64)
    pieces, scatter_ms = settle(late, timing.tolerance_ms, fault_prices(strums))
    if scatter_ms > timing.most_spread_ms:
        why = f"{name}: strums scatter by {scatter_ms:.0f} ms; above {timing.most_spread_ms:g} ms re-record"
        return [], [Rerecord((min(bars), max(bars)), why)]
    again = missing(name, placed, others)
    pairs = doubles_of(placed, double)
    played = Counter((strum.spot.beat, strum.spot.sixteenth) for strum in strums if strum.spot)
    often = {kind for kind, count in played.items() if count >= OFTEN_ALONE * len(set(bars))}
    least_rise_db = float(np.median([strum.onset.rise_db for strum in strums])) - FAINT_ALONE_DB
    far = [strum for strum in strums
           if abs(strum.late_ms or 0.0) > timing.most_offset_ms and _is_trusted([strum], pairs, often, least_rise_db)]
    again += [Rerecord((strum.spot.bar, strum.spot.bar),
                        f"{name}: {strum.spot.text} is {off_words(strum.late_ms or 0.0)}; more than "
                        f"{timing.most_offset_ms:g} ms is played again") for strum in far if strum.spot]
    pieces += apart_from_double(strums, late, pairs, pieces, scatter_ms, timing)
    moves = []
    for piece in sorted(pieces, key=lambda piece: piece.first):
        taken = strums[piece.first : piece.last + 1]
        if (any(strum in far for strum in taken) or not _is_trusted(taken, pairs, often, least_rise_db)
                or _may_begin_earlier(taken, piece.off_ms, timing)):
            continue
        move = _move(name, placed, taken, piece.off_ms, pairs, double, timing)
        if move is not None and not any(move.from_s < stop and start < move.to_s for start, stop in frozen):
            moves.append(move)
    again += too_many(name, [move.strums[0].spot.bar for move in moves if move.strums[0].spot], stretches, timing)
    again = merged(again)
    kept = [move for move in moves
            if not any(a.bars[0] <= strum.spot.bar <= a.bars[1] for a in again for strum in move.strums if strum.spot)]
    return kept, again


def _is_trusted(taken: Sequence[Strum], pairs: Doubles | None, often: set[tuple[int, int]],
                least_rise_db: float) -> bool:
    """Whether strums are sure enough to be judged: a stir that no double answers may be no strum."""
    sure = float(np.median([strum.onset.sure for strum in taken]))
    spots = [strum.spot for strum in taken if strum.spot]
    if pairs is not None and 2 * sum(spot in pairs.apart_ms for spot in spots) >= len(spots):
        return sure >= SURE_BESIDE
    at_the_end = pairs is not None and bool(spots) and _order(spots[0]) > max(map(_order, pairs.apart_ms))
    if at_the_end and max(strum.onset.rise_db for strum in taken) < least_rise_db:
        return False
    return sure >= SURE_ALONE and 2 * sum((spot.beat, spot.sixteenth) in often for spot in spots) >= len(spots)


def _order(spot: Spot) -> tuple[int, int, int]:
    """What places are sorted by."""
    return spot.bar, spot.beat, spot.sixteenth


def _may_begin_earlier(taken: Sequence[Strum], off_ms: float, timing: Timing) -> bool:
    """Whether strums that seem late may have been heard late."""
    unsure = float(np.median([strum.onset.sure for strum in taken])) < SURE_LATE
    return unsure and 0 < off_ms < timing.tolerance_ms + MISSED_STRING_MS


def _move(name: str, placed: Placed, taken: Sequence[Strum], off_ms: float, pairs: Doubles | None,
          double: tuple[str, Placed] | None, timing: Timing) -> Proposal | None:
    """The move that brings strums home; None where there is no room for one."""
    against, by_ms = "against where it usually plays", -off_ms
    if timing.toward == "double" and pairs is not None and double is not None:
        # A double that is loose here itself is no place to go to.
        limit_ms = max(timing.tolerance_ms, LOOSE_DOUBLE * (double[1].scatter_ms or 0.0))
        good = [strum for strum in taken if strum.spot in pairs.apart_ms
                and abs(pairs.late_ms[strum.spot]) <= limit_ms]
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
    where = spots[0].text if len(spots) == 1 else f"{spots[0].text} to {spots[-1].text}"
    why = f"{where}, {name}: {off_words(-by_ms)} {against}; 1 move"
    return Proposal(round(start, 4), round(stop, 4), by_ms, tuple(taken), why)



"""Which takes of a song drift or wander: those that move against most others.

One pair shows a slow drift only if both takes keep still otherwise. All pairs of a take together show more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from layerpipe.analysis.takes_compared.offset import OffsetLimits
from layerpipe.analysis.takes_compared.song_takes import ComparedPair, ComparedTake
from layerpipe.analysis.takes_compared.which_is_right import right_group
from layerpipe.recipe.tempo_map import TempoMap

MOVING_SHARE = 0.6
"""Share of its pairs, doubles counted twice, in which a take moves against the other, to be the one that moves."""
ALONE_SHARE = 0.5
"""The same of a take without which nothing moves; of two layers that move against each other, all takes reach it."""


def with_joint_drifts(count: int, pairs: Sequence[ComparedPair], limits: OffsetLimits | None = None
                      ) -> list[ComparedPair]:
    """Pairs of takes, those called drifts too in which a take drifts by what its pairs say together.

    Parameters
    ----------
    count : int
        How many takes.
    pairs : sequence of ComparedPair
        Of which the offset is known.
    limits : OffsetLimits, optional

    Returns
    -------
    list of ComparedPair
        The drift of a take is the lower median of its pairs, so at least half of them say as much; its standard error
        is their median, because how the take wanders is in all of them.
    """
    asked, drifting = limits or OffsetLimits(), set()
    for n in range(count):
        mine = [pair for pair in pairs if n in (pair.one, pair.other)]
        if len(mine) < 2:
            continue
        pace, error, length_s = np.array([((1 if pair.one == n else -1) * pair.found.drift_ms_per_min,
                                           pair.found.drift_error_ms_per_min, pair.found.length_s)
                                          for pair in mine]).T
        drift_ms = max(float(np.sort(sign * pace * length_s / 60)[(len(mine) - 1) // 2]) for sign in (-1, 1))
        if asked.is_drift(drift_ms, drift_ms / float(np.median(error * length_s / 60))):
            drifting.add(n)
    return [replace(pair, found=replace(pair.found, course="drift"))
            if pair.found.course == "steady" and drifting & {pair.one, pair.other} else pair for pair in pairs]


def moving_takes(takes: Sequence[ComparedTake], pairs: Sequence[ComparedPair],
                 tempo_map: TempoMap | None) -> dict[int, bool]:
    """Find the takes that drift or wander.

    Parameters
    ----------
    takes : sequence of ComparedTake
    pairs : sequence of ComparedPair
        Of which the offset is known.
    tempo_map : TempoMap, optional
        Decides between two takes.

    Returns
    -------
    dict of int to bool
        Takes by their index, worst first, and whether it is decided that it is this one.
    """
    found: dict[int, bool] = {}
    has_double = {n for pair in pairs if pair.doubles for n in (pair.one, pair.other)}
    while True:
        left = [pair for pair in pairs if pair.one not in found and pair.other not in found]
        shares, partners = _shares(len(takes), left, has_double)
        worst = float(shares.max(initial=0.0))
        rivals = [n for n in range(len(takes)) if shares[n] > worst - 1e-9]
        first = max(rivals, key=lambda n: partners[n], default=0)
        moving = [pair for pair in left if pair.found.course != "steady"]
        against = [pair for pair in moving if first in (pair.one, pair.other)]
        is_alone = len(against) > 1 and len(against) == len(moving)
        if worst < (ALONE_SHARE if is_alone else MOVING_SHARE):
            return found
        if len(rivals) == 1 or len(against) > 1:
            found[first] = True
            continue
        # Two takes that move against each other and nothing else: a drift would show against others, too; of a wobble
        # the grid knows.
        pair, has_others = against[0], sum(first in (one.one, one.other) for one in left) > 1
        right = (None if has_others and pair.found.course == "drift" else
                 right_group([[pair.one], [pair.other]], [0.0, 0.0], takes, tempo_map))
        if right is not None:
            found[(pair.other, pair.one)[right]] = True
        elif has_others:
            pairs = [one for one in pairs if one is not pair]
        else:
            found |= {pair.one: False, pair.other: False}


def _shares(count: int, left: Sequence[ComparedPair], has_double: set[int]) -> tuple[np.ndarray, np.ndarray]:
    """In what share of its pairs each take moves, and how many pairs that are; doubles count twice, because other
    layers play other strokes."""
    moves, partners = np.zeros(count), np.zeros(count)
    beside_double = {n for pair in left if pair.doubles for n in (pair.one, pair.other)}
    for pair in left:
        for n in (pair.one, pair.other):
            if n in has_double - beside_double and pair.found.course == "wobble":
                # Its double is known to move; other layers play other strokes and show no wobble alone.
                continue
            partners[n] += 1 + pair.doubles
            moves[n] += (1 + pair.doubles) * (pair.found.course != "steady")
    return np.divide(moves, partners, out=np.zeros(count), where=partners > 0), partners

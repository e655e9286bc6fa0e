"""The cheapest comp of two takes: for every part of the song a pass of each, with a price for every change of pass.

Exact dynamic programming over pairs of passes: the price of a change belongs to one take, so the step from part to part
is minimised over the passes of one take after the other. Viterbi, IEEE Trans. Information Theory 13(2), 1967; the
separation is ours.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray


class CheapestComp(NamedTuple):
    """What it costs, and the pass of both takes in every part."""

    cost: float
    one: tuple[int, ...]
    other: tuple[int, ...]


def cheapest_comp(costs: FloatArray, joints_one: FloatArray, joints_other: FloatArray) -> CheapestComp:
    """Find the cheapest comp.

    Parameters
    ----------
    costs : np.ndarray [shape=(parts, passes of one, passes of the other)]
        Of each pair of passes in each part.
    joints_one, joints_other : np.ndarray [shape=(parts - 1, passes, passes)]
        Price of a change after each part, from the first pass to the second; 0 where they are the same.

    Returns
    -------
    CheapestComp
        Of equally cheap comps, one with the earlier passes.
    """
    parts = len(costs)
    best = costs[0]
    came_one: list[npt.NDArray[np.intp]] = []
    came_other: list[npt.NDArray[np.intp]] = []
    for part in range(1, parts):
        # Rows: passes of one before, of one after; columns: passes of the other before.
        by_one = best[:, np.newaxis, :] + joints_one[part - 1][:, :, np.newaxis]
        from_one = by_one.argmin(axis=0)
        stepped = by_one.min(axis=0)
        by_other = stepped[:, :, np.newaxis] + joints_other[part - 1][np.newaxis]
        came_one.append(from_one)
        came_other.append(by_other.argmin(axis=1))
        best = by_other.min(axis=1) + costs[part]
    one, other = (int(at) for at in np.unravel_index(int(best.argmin()), best.shape))
    cost = float(best[one, other])
    ones, others = [one], [other]
    for from_one, from_other in zip(reversed(came_one), reversed(came_other), strict=True):
        other = int(from_other[one, other])
        one = int(from_one[one, other])
        ones.append(one)
        others.append(other)
    return CheapestComp(cost, tuple(reversed(ones)), tuple(reversed(others)))

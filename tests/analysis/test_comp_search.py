"""The search for the cheapest comp against all comps there are, one by one."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from layerpipe.analysis.choose.search import cheapest_comp


def every_cost(costs, joints_one, joints_other):
    """Cost of every comp, by the passes of both takes."""
    parts, ones, others = costs.shape
    for one in itertools.product(range(ones), repeat=parts):
        for other in itertools.product(range(others), repeat=parts):
            total = sum(costs[part, one[part], other[part]] for part in range(parts))
            total += sum(joints_one[part, one[part], one[part + 1]] + joints_other[part, other[part], other[part + 1]]
                         for part in range(parts - 1))
            yield total, one, other


@pytest.mark.parametrize("seed", range(12))
def test_no_comp_of_all_there_are_is_cheaper(seed):
    rng = np.random.default_rng(seed)
    parts, ones, others = int(rng.integers(1, 5)), int(rng.integers(1, 4)), int(rng.integers(1, 4))
    costs = rng.uniform(0, 30, (parts, ones, others))
    joints = [rng.uniform(0, 25, (parts - 1, count, count)) * (1 - np.eye(count)) for count in (ones, others)]
    found = cheapest_comp(costs, *joints)
    cost, one, other = min(every_cost(costs, *joints))
    assert found.cost == pytest.approx(cost)
    assert (found.one, found.other) == (one, other)


def test_of_equal_comps_the_first_passes_are_taken_without_joints():
    found = cheapest_comp(np.ones((4, 3, 3)), np.zeros((3, 3, 3)), np.zeros((3, 3, 3)))
    assert found == (4.0, (0, 0, 0, 0), (0, 0, 0, 0))


def test_a_dear_joint_keeps_one_pass_throughout():
    costs = np.array([[[0.0], [9.0]], [[9.0], [0.0]], [[0.0], [9.0]]])
    price = 1 - np.eye(2)
    assert cheapest_comp(costs, np.stack([4 * price] * 2), np.zeros((2, 1, 1))).one == (0, 1, 0)
    assert cheapest_comp(costs, np.stack([5 * price] * 2), np.zeros((2, 1, 1))).one == (0, 0, 0)

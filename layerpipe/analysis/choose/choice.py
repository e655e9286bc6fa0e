"""The choice among the passes of one take, or of two that double each other: ranking, best pair, best comp."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from layerpipe.analysis.choose.costs import JOINT, joint_costs, pair_costs, pass_costs
from layerpipe.analysis.choose.measures import MeasuredPass, PairMeasures
from layerpipe.analysis.choose.search import CheapestComp, cheapest_comp
from layerpipe.analysis.choose.spans import Span
from layerpipe.core.sound import FloatArray
from layerpipe.render.takes.open_takes import OpenTake

PERFECT = 100.0
"""Score of passes that nothing is held against; each point takes one off, and 0 is the lowest."""


@dataclass(frozen=True)
class CompPiece:
    """A pass throughout some parts of the song, first and last included; the number of the pass counts from 0."""

    first: int
    last: int
    number: int


class Joint(NamedTuple):
    """A change of pass after a part; take and passes by their numbers."""

    take: int
    part: int
    before: int
    after: int


@dataclass(frozen=True)
class RankedPair:
    """Passes that could be played throughout; numbers by take, cost in points."""

    numbers: tuple[int, ...]
    cost: float

    @property
    def score(self) -> float:
        """0 to 100, 100 is best."""
        return score_of(self.cost)


@dataclass(frozen=True)
class Choice:
    """One take, or two of a double, and everything that was measured of their passes."""

    takes: tuple[OpenTake, ...]
    spans: tuple[Span, ...]
    passes: tuple[tuple[MeasuredPass, ...], ...]
    """By take."""
    pairs: tuple[tuple[PairMeasures, ...], ...]
    """By pass of the first take and pass of the second; empty for one take."""
    usual_cents: float | None
    audible: Mapping[Joint, str] = field(default_factory=dict)
    """What `check` finds audible in joints that were listened to."""

    @property
    def layer(self) -> str:
        """Name of the layer."""
        return self.takes[0].layer.name

    @cached_property
    def weights(self) -> FloatArray:
        """Bars of every part."""
        return np.array([span.weight for span in self.spans])

    @cached_property
    def costs(self) -> FloatArray:
        """Points in every part; shape (parts, passes of the first, passes of the second), or 1 in place of those."""
        parts = len(self.spans)
        counts = [[one.parts[part].onsets for passes in self.passes for one in passes] for part in range(parts)]
        expected = [float(np.median(count)) for count in counts]
        own = [pass_costs(passes, expected, self.usual_cents) for passes in self.passes]
        if len(own) == 1:
            return own[0][:, :, np.newaxis]
        return own[0][:, :, np.newaxis] + own[1][:, np.newaxis, :] + pair_costs(self.pairs, parts)

    @cached_property
    def ranking(self) -> tuple[RankedPair, ...]:
        """Passes that are played throughout, best first."""
        means = np.tensordot(self.weights, self.costs, axes=1) / self.weights.sum()
        order = np.argsort(means, axis=None, kind="stable")
        found = [tuple(int(at) for at in np.unravel_index(int(k), means.shape))[: len(self.takes)] for k in order]
        return tuple(RankedPair(numbers, float(means.flat[k])) for numbers, k in zip(found, order, strict=True))

    @cached_property
    def comp(self) -> CheapestComp:
        """The best pass of each take in every part; its cost is in points, joints included."""
        joints = [joint_costs(passes, self.spans) for passes in self.passes]
        for joint in self.audible:
            joints[joint.take][joint.part, joint.before, joint.after] += JOINT.audible
        if len(joints) == 1:
            joints.append(np.zeros((len(self.spans) - 1, 1, 1)))
        found = cheapest_comp(self.costs * self.weights[:, np.newaxis, np.newaxis], joints[0], joints[1])
        return found._replace(cost=found.cost / float(self.weights.sum()))

    def numbers(self, take: int) -> tuple[int, ...]:
        """The pass of a take in every part."""
        return self.comp.one if take == 0 else self.comp.other

    @property
    def joints(self) -> list[Joint]:
        """Where the comp changes passes."""
        return [Joint(take, part, before, after) for take in range(len(self.takes))
                for part, (before, after) in enumerate(pairwise(self.numbers(take))) if before != after]

    def played(self, take: int) -> int:
        """The pass of a take that plays in most bars."""
        bars = np.bincount(self.numbers(take), weights=self.weights, minlength=len(self.passes[take]))
        return int(bars.argmax())

    def pieces(self, take: int) -> list[CompPiece]:
        """Where another pass than the one that plays most is heard."""
        numbers, found = self.numbers(take), list[CompPiece]()
        edges = [0, *(n + 1 for n, (a, b) in enumerate(pairwise(numbers)) if a != b), len(numbers)]
        for first, stop in pairwise(edges):
            if numbers[first] != self.played(take):
                found.append(CompPiece(first, stop - 1, numbers[first]))
        return found

    @property
    def is_comp(self) -> bool:
        """Whether any take changes passes."""
        return bool(self.joints)

    @property
    def doubled_copies(self) -> list[int]:
        """Parts in which the comp has one performance on both sides."""
        if not self.pairs:
            return []
        return [part for part, (a, b) in enumerate(zip(self.comp.one, self.comp.other, strict=True))
                if self.pairs[a][b].parts[part].same_performance]

    def score_of_pass(self, take: int, number: int) -> float:
        """Score of the best pair that a pass is part of."""
        return next(one.score for one in self.ranking if one.numbers[take] == number)


def score_of(cost: float) -> float:
    """Points as a score."""
    return max(PERFECT - cost, 0.0)

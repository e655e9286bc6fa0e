"""What is held against a pass, against two passes together, and against a change of pass: points, 0 is perfect.

One point is as bad as one millisecond more between the onsets of two takes. The weights are ours and common practice,
no source: the tests plant passes of known faults, and the order of the planted ones is what the weights have to find.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.choose.measures import MeasuredPass, PairMeasures
from layerpipe.analysis.choose.spans import Span
from layerpipe.analysis.defects.pitch.tuning import cents_between
from layerpipe.core.sound import FloatArray


@dataclass(frozen=True)
class PassWeights:
    """What is held against one pass in one part; common practice, no source."""

    per_spread_ms: float = 0.5
    """Of a pass against the grid: half of what the distance to its double costs, which is what is heard."""
    free_cents: float = 3.0
    per_cent: float = 0.3
    """Off the usual tuning of all passes, beyond what the measurement may err by."""
    noise_under_lu: float = 45.0
    per_noise_lu: float = 0.2
    """Noise nearer to the playing than this is heard once layers are added up and compressed."""
    missing_share: float = 0.5
    """Fewer onsets than this share of what passes of this part have: something is missing."""
    missing: float = 60.0
    """For a part that is not played at all."""
    fault: tuple[tuple[str, float], ...] = (("silence", 60.0), ("drop-out", 40.0), ("clipping", 20.0), ("hum", 10.0),
                                            ("click", 10.0))
    """For the most audible of a kind in a part."""
    fault_again: float = 0.25
    """Share of that for each further one."""
    most_faults: int = 5
    """Counted of a kind in a part; more make it no worse than unusable."""


@dataclass(frozen=True)
class PairWeights:
    """What is held against two passes of a double in one part; common practice, no source."""

    per_apart_ms: float = 1.0
    free_cents: float = 2.0
    per_cent: float = 0.8
    """Five cents between doubles beat slowly, twenty are plainly out of tune."""
    free_lu: float = 1.5
    per_lu: float = 0.5
    """Levels can be set with gain_db; a take that is played softer also sounds different."""
    free_brightness_db: float = 2.0
    per_brightness_db: float = 0.5
    same_performance: float = 1000.0
    """A copy is no double: more than anything else can cost."""


@dataclass(frozen=True)
class JointWeights:
    """What a change of pass costs, in points times bars, so that a long part is worth a joint sooner; ours."""

    joint: float = 10.0
    """A pass for four bars, in and out again, has to be 5 points better; for eight bars 2.5."""
    free_db: float = 1.5
    per_db: float = 4.0
    free_cents: float = 3.0
    per_cent: float = 2.0
    """Steps in level and tuning at a joint are audible before they are wrong."""
    audible: float = 10.0
    """More for a joint in which `check` finds fault: a section of four bars has to be 2.5 points better for one."""


PASS, PAIR, JOINT = PassWeights(), PairWeights(), JointWeights()


def pass_costs(passes: Sequence[MeasuredPass], expected: Sequence[float], usual_cents: float | None) -> FloatArray:
    """Points of every pass in every part.

    Parameters
    ----------
    passes : sequence of MeasuredPass
        Of one take.
    expected : sequence of float
        Usual number of onsets in each part.
    usual_cents : float or None
        Usual tuning of the song's passes.

    Returns
    -------
    np.ndarray [shape=(parts, passes)]
    """
    costs = np.zeros((len(expected), len(passes)))
    for n, one in enumerate(passes):
        noise, loud = one.checked.noise, one.checked.lufs
        under = None if noise is None or loud is None or not np.isfinite(loud) else loud - noise.lufs
        noisy = 0.0 if under is None else PASS.per_noise_lu * max(PASS.noise_under_lu - under, 0.0)
        for part, found in enumerate(one.parts):
            points = noisy + (PASS.per_spread_ms * found.spread_ms if found.spread_ms is not None else 0.0)
            if found.cents is not None and usual_cents is not None:
                points += PASS.per_cent * max(abs(cents_between(usual_cents, found.cents)) - PASS.free_cents, 0.0)
            played = found.onsets / expected[part] if expected[part] else 1.0
            if played < PASS.missing_share:
                points += PASS.missing * (1 - played)
            for kind, first in PASS.fault:
                audible = sorted((fault.audible for fault in found.faults if fault.kind == kind), reverse=True)
                if audible:
                    points += first * (audible[0] + PASS.fault_again * sum(audible[1 : PASS.most_faults]))
            costs[part, n] = points
    return costs


def pair_costs(pairs: Sequence[Sequence[PairMeasures]], parts: int) -> FloatArray:
    """Points of every two passes in every part; shape (parts, passes of one, passes of the other)."""
    costs = np.zeros((parts, len(pairs), len(pairs[0])))
    for n, row in enumerate(pairs):
        for k, pair in enumerate(row):
            usual = 0.0
            if pair.brightness_db is not None:
                usual += PAIR.per_brightness_db * max(abs(pair.brightness_db) - PAIR.free_brightness_db, 0.0)
            for part, found in enumerate(pair.parts):
                points = PAIR.same_performance if found.same_performance else 0.0
                points += usual + (PAIR.per_apart_ms * found.apart_ms if found.apart_ms is not None else 0.0)
                if found.cents is not None:
                    points += PAIR.per_cent * max(abs(found.cents) - PAIR.free_cents, 0.0)
                if found.level_db is not None:
                    points += PAIR.per_lu * max(abs(found.level_db) - PAIR.free_lu, 0.0)
                costs[part, n, k] = points
    return costs


def joint_costs(passes: Sequence[MeasuredPass], spans: Sequence[Span]) -> FloatArray:
    """Points times bars of a change of pass after each part but the last; shape (parts - 1, passes, passes)."""
    costs = np.zeros((len(spans) - 1, len(passes), len(passes)))
    for part in range(len(spans) - 1):
        for n, one in enumerate(passes):
            for k, other in enumerate(passes):
                if n != k:
                    before, after, beside = one.parts[part], other.parts[part + 1], one.parts[part + 1]
                    points = JOINT.joint
                    # Both passes in the same part, so that a louder chorus is no step.
                    if beside.level_db is not None and after.level_db is not None:
                        points += JOINT.per_db * max(abs(after.level_db - beside.level_db) - JOINT.free_db, 0.0)
                    if before.cents is not None and after.cents is not None:
                        step = abs(cents_between(before.cents, after.cents))
                        points += JOINT.per_cent * max(step - JOINT.free_cents, 0.0)
                    costs[part, n, k] = points
    return costs

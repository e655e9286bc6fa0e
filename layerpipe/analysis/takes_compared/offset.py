"""How far a take lies from another, and whether that stays so: one offset, a drift, or a wobble.

The lag of matched onsets (`matching`) over time is a curve. A take can be later throughout, which one shift mends; it
can run away from the other, or wander round it, which no shift mends. Later is positive; the first take is judged
against the second. The offset is a Huber mean (Huber, Ann. Math. Statist. 35, 1964), which loose strums hardly move;
the drift is the Theil-Sen slope (Sen, JASA 63, 1968).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from layerpipe.analysis.takes_compared.matching import Events, MatchPrices, match_onsets
from layerpipe.core.sound import FloatArray

Course = Literal["steady", "drift", "wobble", "unknown"]
"""What the lag does over the song; "steady" lags may still be large."""


@dataclass(frozen=True)
class OffsetLimits:
    """From where on a lag counts as a drift or a wobble, and how much must be heard to tell at all."""

    fewest_pairs: int = 12
    """Onsets that belong together; from fewer no course can be told. A design choice, common practice, no source."""
    least_matched: float = 0.5
    """Share of the shorter take's onsets that must belong together, or the takes are strangers (or hardly heard)."""
    least_score: float = 0.55
    """Mean worth of a pair; takes of different parts of one song reach 0.3, doubles 1.2 and more (own measurement)."""
    drift_ms: float = 20.0
    """From one end to the other; as far as a strum may be from its double before it counts as loose."""
    drift_errors: float = 5.0
    """Standard errors that a slope must be away from zero."""
    wobble_ms: float = 12.0
    """Standard deviation of the smoothed curve around its line; twice it is heard as two players apart."""
    wobble_errors: float = 3.0
    """And this many standard errors of a smoothed point."""
    window: int = 9
    """Pairs of which the smoothed curve takes the median."""
    huber: float = 1.345
    """In scatters; 95 % as exact as a mean where errors are normal (Huber 1964)."""


@dataclass(frozen=True)
class TakeOffset:
    """A take against another.

    Attributes
    ----------
    course : {"steady", "drift", "wobble", "unknown"}
    offset_ms : float or None
        How much later the take lies on average; None where that is unknown.
    error_ms : float
        Standard error of that.
    drift_ms_per_min : float
        By how much the take falls behind in a minute; negative where it runs ahead.
    spread_ms : float
        Scatter of single onsets round the smoothed curve.
    time_s, lag_ms : np.ndarray [shape=(points,)]
        The smoothed curve, by seconds of the take.
    pairs : int
        Onsets that belong together.
    confidence : float
        0 to 1: how much of both takes belongs together, and how well.
    """

    course: Course
    offset_ms: float | None
    error_ms: float
    drift_ms_per_min: float
    spread_ms: float
    time_s: FloatArray
    lag_ms: FloatArray
    pairs: int
    confidence: float


def compare_offsets(one: Events, other: Events, *, most_lag_s: float, limits: OffsetLimits | None = None,
                    prices: MatchPrices | None = None) -> TakeOffset:
    """Compare two takes of one part over their whole length.

    Parameters
    ----------
    one, other : Events
        The take and what it is compared with.
    most_lag_s : float
        How far apart they may lie; two bars are enough for what happens in a session.
    limits : OffsetLimits, optional
    prices : MatchPrices, optional

    Returns
    -------
    TakeOffset
    """
    asked = limits or OffsetLimits()
    found = match_onsets(one, other, most_lag_s=most_lag_s, prices=prices)
    shorter = min(_overlapping(one, other), _overlapping(other, one))
    matched = len(found.one) / max(shorter, 1)
    confidence = float(np.clip(matched, 0, 1) * np.clip(found.score / (2 * asked.least_score), 0, 1))
    if len(found.one) < asked.fewest_pairs or matched < asked.least_matched or found.score < asked.least_score:
        return TakeOffset("unknown", None, np.inf, 0.0, 0.0, np.zeros(0), np.zeros(0), len(found.one), confidence)
    at_s, lag_ms = one.time_s[found.one], 1000 * found.lag_s
    smooth_ms = _running_median(lag_ms, asked.window)
    spread_ms = max(1.4826 * float(np.median(np.abs(lag_ms - smooth_ms))), 0.5)
    slope = _theil_sen(at_s, lag_ms)
    middle_s = float(np.mean(at_s))
    line_ms = slope * (at_s - middle_s)
    rest_ms = lag_ms - line_ms
    wide_ms = max(1.4826 * float(np.median(np.abs(rest_ms - np.median(rest_ms)))), 0.5)
    slope_error = wide_ms / (np.sqrt(len(at_s)) * max(float(np.std(at_s)), 1e-9))
    curve_ms = smooth_ms - line_ms
    wander_ms = float(np.std(curve_ms))
    point_error_ms = 1.2533 * spread_ms / np.sqrt(asked.window)
    length_s = float(at_s[-1] - at_s[0])
    course: Course = "steady"
    if wander_ms > max(asked.wobble_ms, asked.wobble_errors * point_error_ms):
        course = "wobble"
    elif abs(slope) * length_s > asked.drift_ms and abs(slope) > asked.drift_errors * slope_error:
        course = "drift"
    offset_ms, error_ms = _huber_mean(lag_ms if course == "steady" else rest_ms, asked.huber)
    return TakeOffset(course, offset_ms, error_ms, 60 * slope, spread_ms, at_s, smooth_ms, len(found.one), confidence)


def _overlapping(one: Events, other: Events) -> int:
    """Onsets of a take while the other plays, a little more or less."""
    return int(np.count_nonzero((one.time_s >= other.time_s[0] - 1) & (one.time_s <= other.time_s[-1] + 1))) if len(
        other.time_s) else 0


def _running_median(values: FloatArray, size: int) -> FloatArray:
    """The median of the values around each; at the ends of fewer."""
    half = size // 2
    return np.array([np.median(values[max(n - half, 0) : n + half + 1]) for n in range(len(values))])


def _theil_sen(at_s: FloatArray, values: FloatArray) -> float:
    """Median slope of all pairs of points that are far apart; thinned to stay quick."""
    step = max(1, len(at_s) // 400)
    x, y = at_s[::step], values[::step]
    across, up = x[None, :] - x[:, None], y[None, :] - y[:, None]
    far = across > 0.25 * (x[-1] - x[0])
    return float(np.median(up[far] / across[far])) if far.any() else 0.0


def _huber_mean(values: FloatArray, cut: float) -> tuple[float, float]:
    """A mean that outliers hardly move, and its standard error."""
    centre = float(np.median(values))
    scale = max(1.4826 * float(np.median(np.abs(values - centre))), 1e-3)
    for _ in range(30):
        weights = np.minimum(1.0, cut * scale / np.maximum(np.abs(values - centre), 1e-12))
        moved = float(np.sum(weights * values) / np.sum(weights))
        if abs(moved - centre) < 1e-6:
            break
        centre = moved
    return centre, scale / float(np.sqrt(len(values)))

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

from layerpipe.analysis.takes_compared.matching import Events, Matched, MatchPrices, match_transposed
from layerpipe.core.sound import FloatArray

Course = Literal["steady", "drift", "wobble", "unknown"]
"""What the lag does over the song; "steady" lags may still be large."""


@dataclass(frozen=True)
class OffsetLimits:
    """From where on a lag counts as a drift or a wobble, and how much must be heard to tell at all."""

    fewest_pairs: int = 12
    """Onsets that belong together; from fewer no course can be told. A design choice, common practice, no source."""
    least_confidence: float = 0.7
    """Below this the verdict is "unknown": a wrong shift does more harm than none."""
    confidence_base: float = -3.68
    confidence_score: float = 2.20
    confidence_margin: float = 0.21
    """Logistic regression of right offsets on the score of the chain and its margin over chains that end elsewhere:
    284 pairs of takes heard well, badly and hardly, and of different songs (own measurement)."""
    drift_ms: float = 40.0
    """From one end to the other: then either end is as far off as a strum may be before it counts as loose, 20 ms."""
    drift_errors: float = 5.0
    """Standard errors that a slope must be away from zero; 4 of 94 pairs of clean takes reached 4.0 to 4.9."""
    wobble_ms: float = 13.0
    """Standard deviation of the smoothed curve around its line. Two players with 8 ms of slow wandering each stay
    below 12; a tempo that sways by 1 % over 16 s has 18."""
    wobble_errors: float = 3.0
    """And this many standard errors of a smoothed point."""
    sway_ms: float = 12.0
    sway_share: float = 0.58
    """Or the standard deviation of the slow sine that fits best, and its share of the variance: smoothing takes a fifth
    of a sway of 14 s, or all of it where there are few notes. Of 101 pairs of clean takes none has both."""
    sway_s: tuple[float, float] = (8.0, 28.0)
    """Periods of such sines; chosen. Shorter ones are strums, longer ones drifts."""
    window_s: float = 5.0
    fewest_in_window: int = 5
    most_in_window: int = 9
    """Pairs of which the smoothed curve takes the median: as many as fall into this time, within these bounds."""
    drift_over_wobble: float = 4.0
    """A lag is a drift if the drift is this many times larger than the wobble round it."""
    huber: float = 1.345
    """In scatters; 95 % as exact as a mean where errors are normal (Huber 1964)."""

    def is_drift(self, drift_ms: float, errors: float) -> bool:
        """Whether a slope, in ms from one end to the other and in standard errors, is a drift."""
        return drift_ms > self.drift_ms and errors > self.drift_errors

    def confidence_of(self, found: Matched) -> float:
        """How likely an offset is right; 0 to 1."""
        odds = self.confidence_base + self.confidence_score * found.score + self.confidence_margin * found.margin
        return float(1 / (1 + np.exp(-odds)))


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
    drift_ms_per_min, drift_error_ms_per_min : float
        By how much the take falls behind in a minute, negative where it runs ahead; and the standard error of that.
    spread_ms : float
        Scatter of single onsets round the smoothed curve.
    time_s, lag_ms : np.ndarray [shape=(points,)]
        The smoothed curve, by seconds of the take.
    pairs : int
        Onsets that belong together.
    confidence : float
        0 to 1: how likely the offset is right; calibrated on takes with known offsets.
    matched : Matched
        Which onsets those are.
    semitones : int
        By how much the take is higher than the other, folded into an octave; 0 for takes of one key.
    """

    course: Course
    offset_ms: float | None
    error_ms: float
    drift_ms_per_min: float
    drift_error_ms_per_min: float
    spread_ms: float
    time_s: FloatArray
    lag_ms: FloatArray
    pairs: int
    confidence: float
    matched: Matched
    semitones: int

    @property
    def length_s(self) -> float:
        """From the first to the last onset that both play; 0 where nothing is known."""
        return float(np.ptp(self.time_s)) if len(self.time_s) else 0.0


def compare_offsets(one: Events, other: Events, most_lag_s: float, limits: OffsetLimits | None = None, *,
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
    found, semitones = match_transposed(one, other, most_lag_s=most_lag_s, prices=prices)
    if len(found.one) < asked.fewest_pairs:
        return TakeOffset("unknown", None, np.inf, 0.0, np.inf, 0.0, np.zeros(0), np.zeros(0), len(found.one), 0.0,
                          found, semitones)
    at_s, lag_ms = one.time_s[found.one], 1000 * found.lag_s
    length_s = float(at_s[-1] - at_s[0])
    window = int(np.clip(len(at_s) * asked.window_s / max(length_s, 1e-9), asked.fewest_in_window,
                         asked.most_in_window)) // 2 * 2 + 1
    smooth_ms = _running_median(lag_ms, window)
    spread_ms = max(1.4826 * float(np.median(np.abs(lag_ms - smooth_ms))), 0.5)
    slope = _theil_sen(at_s, lag_ms)
    middle_s = float(np.mean(at_s))
    line_ms = slope * (at_s - middle_s)
    rest_ms = lag_ms - line_ms
    wide_ms = max(1.4826 * float(np.median(np.abs(rest_ms - np.median(rest_ms)))), 0.5)
    apart = np.clip(rest_ms - np.median(rest_ms), -3 * wide_ms, 3 * wide_ms)
    slope_error = float(wide_ms / (np.sqrt(len(at_s) / _repetition(apart)) * max(float(np.std(at_s)), 1e-9)))
    curve_ms = smooth_ms - line_ms
    # A stretch whose onsets were paired with their neighbours is no wobble: the smaller of two spreads.
    wander_ms = min(float(np.std(curve_ms)), 1.4826 * float(np.median(np.abs(curve_ms - np.median(curve_ms)))))
    point_error_ms = 1.2533 * spread_ms / np.sqrt(window)
    drift_ms = abs(slope) * length_s
    drifts = asked.is_drift(drift_ms, abs(slope) / slope_error)
    sway_ms, share = _sway(at_s, apart, asked.sway_s)
    wobbles = wander_ms > max(asked.wobble_ms, asked.wobble_errors * point_error_ms)
    if sway_ms > asked.sway_ms and share > asked.sway_share:
        wobbles, wander_ms = True, max(wander_ms, sway_ms)
    course: Course = "steady"
    if drifts and (not wobbles or drift_ms > asked.drift_over_wobble * wander_ms):
        course = "drift"
    elif wobbles:
        course = "wobble"
    sure = one.confidence[found.one] * other.confidence[found.other]
    offset_ms, error_ms = _huber_mean(lag_ms if course == "steady" else rest_ms, sure, asked.huber)
    confidence = asked.confidence_of(found)
    if confidence < asked.least_confidence:
        return TakeOffset("unknown", None, np.inf, 0.0, np.inf, spread_ms, np.zeros(0), np.zeros(0), len(found.one),
                          confidence, found, semitones)
    return TakeOffset(course, offset_ms, error_ms, 60 * slope, 60 * slope_error, spread_ms, at_s, smooth_ms,
                      len(found.one), confidence, found, semitones)


def _sway(at_s: FloatArray, rest_ms: FloatArray, periods_s: tuple[float, float]) -> tuple[float, float]:
    """Standard deviation of the sine that fits a lag best, and the share of the lag's variance that it explains: a
    least-squares spectrum (Lomb, Astrophysics and Space Science 39, 1976)."""
    best = (0.0, 0.0)
    for period_s in np.geomspace(*periods_s, 24):
        if period_s > 0.8 * (at_s[-1] - at_s[0]):
            break
        turned = 2 * np.pi * at_s / period_s
        columns = np.stack([np.sin(turned), np.cos(turned), np.ones(len(at_s))])
        weights = np.linalg.solve(columns @ columns.T, columns @ rest_ms)
        share = 1 - float(np.var(rest_ms - weights @ columns)) / max(float(np.var(rest_ms)), 1e-12)
        best = max(best, (share, float(np.hypot(*weights[:2]) / np.sqrt(2))))
    return best[1], best[0]


def _repetition(values: FloatArray) -> float:
    """How many values count as one: players' lateness wanders, so neighbours repeat each other (Bayley and Hammersley,
    J. R. Stat. Soc. Suppl. 8(2), 1946, 184-197, for a first-order process)."""
    power = float(np.sum(values**2))
    alike = float(np.clip(np.sum(values[1:] * values[:-1]) / max(power, 1e-12), 0.0, 0.9))
    return (1 + alike) / (1 - alike)


def _running_median(values: FloatArray, size: int) -> FloatArray:
    """The median of the values around each; at the ends of fewer."""
    half, count = size // 2, len(values)
    smooth = np.array([np.median(values[max(n - half, 0) : n + half + 1])
                       for n in range(count) if n < half or n >= count - half])
    if count <= 2 * half:
        return smooth
    inside = np.median(np.lib.stride_tricks.sliding_window_view(values, size), axis=1)
    return np.concatenate([smooth[:half], inside, smooth[half:]])


def _theil_sen(at_s: FloatArray, values: FloatArray) -> float:
    """Median slope of all pairs of points that are far apart; thinned to stay quick."""
    step = max(1, len(at_s) // 400)
    x, y = at_s[::step], values[::step]
    across, up = x[None, :] - x[:, None], y[None, :] - y[:, None]
    far = across > 0.25 * (x[-1] - x[0])
    return float(np.median(up[far] / across[far])) if far.any() else 0.0


def _huber_mean(values: FloatArray, sure: FloatArray, cut: float) -> tuple[float, float]:
    """A mean that outliers hardly move, by how sure each value is, and its standard error."""
    centre = float(np.median(values))
    scale = max(1.4826 * float(np.median(np.abs(values - centre))), 1e-3)
    for _ in range(30):
        weights = sure * np.minimum(1.0, cut * scale / np.maximum(np.abs(values - centre), 1e-12))
        moved = float(np.sum(weights * values) / np.sum(weights))
        if abs(moved - centre) < 1e-6:
            break
        centre = moved
    return centre, scale / float(np.sqrt(len(values)))

"""The onset curve: the level of the prediction residual at every millisecond, relative to the 150 ms before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.arrival import RISE_WINDOW_MS
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels import running_medians


@dataclass(frozen=True)
class CurveSettings:
    """The onset curve and its peaks, ms."""

    back_ms: int = 150  # the reference is the median of this span: shorter than an eighth at 190 beats per minute
    gap_ms: int = 6  # not counted, right before each millisecond: the rise itself
    reach_ms: int = 25  # a peak is higher than everything this near


CURVE = CurveSettings()


def onset_curve_db(residual: FloatArray, rate_hz: float) -> FloatArray:
    """Onset curve: how much the residual rises at each millisecond.

    Returns
    -------
    np.ndarray [shape=(milliseconds,), float64]
        dB of the 8 ms from each millisecond on, relative to the median of the 150 ms before.
    """
    edges = np.round(np.arange(len(residual) * 1000 // rate_hz + 1) * rate_hz / 1000).astype(int)
    sums = np.concatenate([[0.0], np.cumsum(residual**2)])
    power = np.diff(sums[edges]) * (1000 / rate_hz)
    ahead = np.concatenate([[0.0], np.cumsum(np.concatenate([power, np.zeros(RISE_WINDOW_MS)]))])
    now = (ahead[RISE_WINDOW_MS:] - ahead[:-RISE_WINDOW_MS])[: len(power)] / RISE_WINDOW_MS
    padded = np.concatenate([np.full(CURVE.back_ms, np.median(now[: CURVE.back_ms])), now])
    medians = np.empty(-(-len(power) // 2))
    running_medians(padded, 2, np.empty(CURVE.back_ms - CURVE.gap_ms), medians)
    usual = np.repeat(medians, 2)[: len(power)]
    curve: FloatArray = 10 * np.log10((now + 1e-14) / (usual + 1e-13))
    return curve


def highest_near(curve: FloatArray, reach: int) -> FloatArray:
    """The highest value within `reach` of each place."""
    if not len(curve):
        return curve
    padded = np.pad(curve, reach, constant_values=-np.inf)
    highest: FloatArray = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    return highest


def begin_of(curve: FloatArray, peak: int, least_db: float, longest_s: float) -> int:
    """First ms from which a curve stays above a limit until the peak, short dips aside; at most `longest_s` earlier."""
    first = max(peak - round(longest_s * 1000) + 4, 0)
    above = np.flatnonzero(curve[first : peak + 1] > least_db) + first
    gaps = np.flatnonzero(np.diff(above) > 9)
    return int(above[gaps[-1] + 1] if len(gaps) else above[0])

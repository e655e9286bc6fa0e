"""How far a take is from equal temperament: no chords and no key are told.

Cents are hundredths of a semitone, sharp is positive; a whole semitone cannot be told from none, so all lies within
+-50. Every partial of the long windows votes for its distance from the nearest note. Those that may be the third,
fifth, sixth or seventh of something that sounds hardly count: the overtone row has them 2 cents sharp, 14 flat,
2 sharp, 31 flat. Stiff strings stretch their upper partials: the stretch, in proportion to the square of the
frequency, is estimated with the tuning and taken away.
Equal temperament and a4 = 440 Hz: ISO 16. Stretch: Fletcher, JASA 36, 1964.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.low_band import HOP_S, LowFrames
from layerpipe.core.sound import FloatArray

QUIETEST_WINDOW_DB = -30.0
FEWEST_PARTIALS, FEWEST_WINDOWS = 24, 3
LEAST_AGREEMENT = 0.22
TRIMS_CENTS = (25.0, 12.0, 8.0, 6.0)
BORROWED_WEIGHT = 0.1
DRIFT_PARTS_S = 8.0


@dataclass(frozen=True)
class Tuning:
    """Cents against equal temperament, likely error, agreement of the partials (0 to 1), and how it drifts."""

    cents: float
    error_cents: float
    agreement: float
    partials: int
    drift_cents: float | None
    """Last third of the take less the first; None if it is too short."""


def tuning_of(low: LowFrames, a4_hz: float) -> Tuning | None:
    """Estimate the tuning of a take.

    Parameters
    ----------
    low : LowFrames
        With the partials of its windows.
    a4_hz : float
        Pitch of the A above middle C.

    Returns
    -------
    Tuning or None
        None where there is too little to hear, or nothing agrees: silence, drums, noise.
    """
    rows = _sounding(low)
    found = _estimate(rows, a4_hz, None)
    if found is None:
        return None
    cents, error, agreement, count = found
    return Tuning(cents, error, agreement, count, _drift(rows, a4_hz, cents))


def _sounding(low: LowFrames) -> npt.NDArray[np.float64]:
    """Partials of the windows that are loud enough."""
    if not len(low.partials):
        return np.zeros((0, 4))
    loud = low.power > float(np.percentile(low.power, 95)) * 10 ** (QUIETEST_WINDOW_DB / 10)
    steady = loud[low.partials[:, 0].astype(int)] & (low.partials[:, 3] > 0.3)
    kept: npt.NDArray[np.float64] = low.partials[steady].astype(np.float64)
    return kept


def _estimate(rows: npt.NDArray[np.float64], a4_hz: float,
              around: float | None) -> tuple[float, float, float, int] | None:
    """Cents, likely error, agreement, partials."""
    if len(rows) < FEWEST_PARTIALS or len(np.unique(rows[:, 0])) < FEWEST_WINDOWS:
        return None
    hz, amplitude = rows[:, 1], rows[:, 2]
    away = 1200 * np.log2(hz / a4_hz)
    weight = np.sqrt(amplitude) * np.where(_borrowed(rows), BORROWED_WEIGHT, 1.0)
    vector = np.sum(weight * np.exp(2j * np.pi * away / 100)) / weight.sum()
    agreement = float(abs(vector))
    if around is None and agreement < LEAST_AGREEMENT:
        return None
    middle = float(np.angle(vector)) / (2 * np.pi) * 100 if around is None else around
    stretch, kept = 0.0, np.ones(len(rows), dtype=bool)
    curve = np.minimum((hz / 1000.0) ** 2, 2.2)
    for trim in TRIMS_CENTS:
        off = (away - stretch * curve - middle + 50) % 100 - 50
        kept = np.abs(off) < trim
        if np.count_nonzero(kept) < FEWEST_PARTIALS // 2:
            return None
        middle, stretch = _line(curve[kept], (off + middle + stretch * curve)[kept], weight[kept])
    off = ((away - stretch * curve - middle + 50) % 100 - 50)[kept]
    spread = math.sqrt(float(np.sum(weight[kept] * off**2) / weight[kept].sum()))
    return ((middle + 50) % 100 - 50, spread / math.sqrt(max(len(np.unique(rows[kept, 0])), 1)), agreement,
            int(np.count_nonzero(kept)))


def _line(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Weighted line y = a + b x with b between 0 and 6 cents: strings stretch, by no more than that at 1 kHz."""
    total = weight.sum()
    mean_x, mean_y = float((weight * x).sum() / total), float((weight * y).sum() / total)
    spread = float((weight * (x - mean_x) ** 2).sum() / total)
    slope = float((weight * (x - mean_x) * (y - mean_y)).sum() / total) / (spread + 0.02)
    slope = min(max(slope, 0.0), 6.0)
    return mean_y - slope * mean_x, slope


def _borrowed(rows: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Which partials may be a third, fifth, sixth or seventh of another one in their window."""
    borrowed = np.zeros(len(rows), dtype=bool)
    starts = np.flatnonzero(np.diff(rows[:, 0], prepend=-1.0))
    for start, stop in zip(starts, np.append(starts[1:], len(rows)), strict=True):
        octaves = np.log2(rows[start:stop, 1])
        apart = octaves[:, None] - octaves[None, :]
        for number in (3, 5, 6, 7):
            borrowed[start:stop] |= (np.abs(apart - math.log2(number)) < 0.005).any(axis=1)
    return borrowed


def _drift(rows: npt.NDArray[np.float64], a4_hz: float, middle: float) -> float | None:
    """Last third less first third, each estimated near the whole take's tuning."""
    if not len(rows) or (rows[-1, 0] - rows[0, 0]) * HOP_S < 3 * DRIFT_PARTS_S:
        return None
    edges = np.quantile(rows[:, 0], [1 / 3, 2 / 3])
    first = _estimate(rows[rows[:, 0] <= edges[0]], a4_hz, middle)
    last = _estimate(rows[rows[:, 0] > edges[1]], a4_hz, middle)
    if first is None or last is None:
        return None
    return (last[0] - first[0] + 50) % 100 - 50

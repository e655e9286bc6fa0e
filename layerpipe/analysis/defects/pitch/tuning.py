"""How far a take is from equal temperament, without knowing chords or key.

Cents are hundredths of a semitone, sharp is positive; a whole semitone cannot be told from none, so results are within
+-50. Every partial of the long windows votes for its distance from the nearest note. Partials that may be the third,
fifth, sixth or seventh of another one count little: the harmonic series has them 2 cents sharp, 14 flat, 2 sharp and 31
flat. Stiff strings stretch their upper partials, in proportion to the square of the frequency (Fletcher, JASA 36(1),
1964, 203-209): the stretch is estimated with the tuning and removed. Equal temperament, A4 = 440 Hz: ISO 16.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.judgement import Judgement
from layerpipe.analysis.defects.pitch.low_band import SETTINGS, LowBand
from layerpipe.core.sound import FloatArray


@dataclass(frozen=True)
class TuningLimits:
    """Which partials vote, and when their votes are a tuning."""

    quietest_window_db: float = -30.0
    """Under the loud windows; quieter ones hold more room than strings."""
    sharpness: float = 0.3
    """Share of a steady tone's; what peaks less sharply is a body or a drum."""
    partials: int = 24
    windows: int = 3
    """Fewer than either are not enough to agree."""
    agreement: float = 0.22
    """Length of the mean vector, 0 to 1. Noise and drums stay below it."""
    trims_cents: tuple[float, ...] = (25.0, 12.0, 8.0, 6.0)
    """Partials further from the estimate are dropped, step by step."""
    borrowed_weight: float = 0.1
    """Of partials that may belong to the harmonic series of another one."""
    stretch_cents: float = 6.0
    """At 1 kHz; no string is stiffer."""
    drift_part_s: float = 8.0
    """Shortest third of a take in which a drift is measured."""


LIMITS = TuningLimits()


@dataclass(frozen=True)
class Tuning:
    """Cents against equal temperament, likely error, agreement of the partials (0 to 1), and how it drifts."""

    cents: float
    error_cents: float
    agreement: float
    partials: int
    drift_cents: float | None
    """Last third of the take less the first; None if it is too short."""


def cents_between(one: float, other: float) -> float:
    """From one tuning to another the short way round, -50 to 50 cents."""
    return (other - one + 50) % 100 - 50


def unwrap_cents(mine: float, doubles: Sequence[float]) -> float:
    """The reading of a tuning that is nearest to its doubles: tuning is only known to 100 cents.

    Parameters
    ----------
    mine : float
        Cents, within +-50.
    doubles : sequence of float
        Those of its doubles; none leave it as it is.

    Returns
    -------
    float

    Examples
    --------
    >>> unwrap_cents(48.0, [-47.0])
    -52.0
    """
    if not doubles:
        return mine
    turns = np.exp(2j * np.pi * np.array(doubles) / 100)
    middle = doubles[int(np.argmax(np.real(turns * np.conj(turns.sum()))))]
    return mine + 100.0 * round((middle - mine) / 100)


def judge(cents: float | None, most_cents: float) -> Judgement:
    """Decide whether a deviation in cents is out of tune: against A4, between takes, between layers, or a drift."""
    if cents is None:
        return Judgement(False, "too little to tell")
    return Judgement(abs(cents) > most_cents, f"{abs(cents):.1f} cents {'sharp' if cents > 0 else 'flat'}")


def tuning_of(low: LowBand, a4_hz: float) -> Tuning | None:
    """Estimate the tuning of a take.

    Parameters
    ----------
    low : LowBand
        With the partials of its windows.
    a4_hz : float
        Pitch of the A above middle C.

    Returns
    -------
    Tuning or None
        None where there are too few partials, or they do not agree: silence, drums, noise.
    """
    rows = _sounding(low)
    found = _estimate(rows, a4_hz, None)
    if found is None:
        return None
    cents, error, agreement, count = found
    return Tuning(cents, error, agreement, count, _drift(rows, a4_hz, cents))


def _sounding(low: LowBand) -> npt.NDArray[np.float64]:
    """Partials of the windows that are loud enough."""
    if not len(low.partials):
        return np.zeros((0, 4))
    loud = low.power > float(np.percentile(low.power, 95)) * 10 ** (LIMITS.quietest_window_db / 10)
    steady = loud[low.partials[:, 0].astype(int)] & (low.partials[:, 3] > LIMITS.sharpness)
    kept: npt.NDArray[np.float64] = low.partials[steady].astype(np.float64)
    return kept


def _estimate(rows: npt.NDArray[np.float64], a4_hz: float,
              around: float | None) -> tuple[float, float, float, int] | None:
    """Cents, likely error, agreement, partials."""
    if len(rows) < LIMITS.partials or len(np.unique(rows[:, 0])) < LIMITS.windows:
        return None
    hz, amplitude = rows[:, 1], rows[:, 2]
    away = 1200 * np.log2(hz / a4_hz)
    weight = np.sqrt(amplitude) * np.where(_borrowed(rows), LIMITS.borrowed_weight, 1.0)
    vector = np.sum(weight * np.exp(2j * np.pi * away / 100)) / weight.sum()
    agreement = float(abs(vector))
    if around is None and agreement < LIMITS.agreement:
        return None
    middle = float(np.angle(vector)) / (2 * np.pi) * 100 if around is None else around
    stretch, kept = 0.0, np.ones(len(rows), dtype=bool)
    curve = np.minimum((hz / 1000.0) ** 2, 2.2)
    for trim in LIMITS.trims_cents:
        off = (away - stretch * curve - middle + 50) % 100 - 50
        kept = np.abs(off) < trim
        if np.count_nonzero(kept) < LIMITS.partials // 2:
            return None
        middle, stretch = _line(curve[kept], (off + middle + stretch * curve)[kept], weight[kept])
    off = ((away - stretch * curve - middle + 50) % 100 - 50)[kept]
    spread = math.sqrt(float(np.sum(weight[kept] * off**2) / weight[kept].sum()))
    return ((middle + 50) % 100 - 50, spread / math.sqrt(max(len(np.unique(rows[kept, 0])), 1)), agreement,
            int(np.count_nonzero(kept)))


def _line(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Weighted line y = a + b x with 0 <= b <= `stretch_cents`."""
    total = weight.sum()
    mean_x, mean_y = float((weight * x).sum() / total), float((weight * y).sum() / total)
    spread = float((weight * (x - mean_x) ** 2).sum() / total)
    slope = float((weight * (x - mean_x) * (y - mean_y)).sum() / total) / (spread + 0.02)
    slope = min(max(slope, 0.0), LIMITS.stretch_cents)
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
    """From the first third to the last, each estimated near the tuning of the whole take."""
    if not len(rows) or (rows[-1, 0] - rows[0, 0]) * SETTINGS.hop_s < 3 * LIMITS.drift_part_s:
        return None
    edges = np.quantile(rows[:, 0], [1 / 3, 2 / 3])
    first = _estimate(rows[rows[:, 0] <= edges[0]], a4_hz, middle)
    last = _estimate(rows[rows[:, 0] > edges[1]], a4_hz, middle)
    if first is None or last is None:
        return None
    return cents_between(first[0], last[0])

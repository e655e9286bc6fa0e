"""Sounds that end without a new onset: a hand that damps the strings, a recording that is cut off.

Both take ringing sound away and add nothing, however suddenly. The predictor of `residual` continues the ringing past
the moment; the difference between the recorded and the continued sound is what came or went. If something came, the
difference is part of the recorded sound and correlates with it; if something only went, it does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from layerpipe.analysis.onsets.residual import extrapolate
from layerpipe.core.sound import FloatArray

NO_REFERENCE_DB = 40.0
"""Rise that is reported where nothing precedes a piece: as much as a loud strum after silence."""


@dataclass(frozen=True)
class DampingLimits:
    """When strings fall silent without a strum; dB relative to the 10 ms before, tuned on takes with planted stops."""

    falling_db: float = 0.3  # a piece that rises by less than this belongs to a hand, not to a released string
    at_once_db: float = 0.5  # within 10 ms a hand adds no more than this
    soon_db: float = -10.0  # 20 to 50 ms later the strings are this far down


@dataclass(frozen=True)
class CutLimits:
    """When a recording is cut off (an edit, a gate); dB relative to the 10 ms before."""

    at_once_db: float = -1.0  # softer at once
    soon_db: float = -18.0  # and far softer within 80 ms
    new_share: float = 0.25  # correlation of the change with the recorded sound; above, something new sounds
    lead_ms: float = 1.5  # the continuation starts this long before, so that a late estimate does no harm
    length_ms: float = 10.0


@dataclass(frozen=True)
class RingingLimits:
    """When softer strings ring on in place of louder ones; after a hand the rest decays with the room."""

    early_ms: tuple[int, int] = (40, 70)
    late_ms: tuple[int, int] = (80, 130)
    change_db: tuple[float, float] = (-3.0, 1.5)  # from the early to the late span
    over_floor_db: float = 8.0  # above the softest passages


DAMPING, CUT, RINGING = DampingLimits(), CutLimits(), RingingLimits()


def is_falling(samples: FloatArray, at: int, before: int) -> bool:
    """Whether the sound from frame `at` to its end is no louder than the `before` frames ahead of it."""
    return rise_db(samples[max(at - before, 0) : at], samples[at:]) < DAMPING.falling_db


def is_damped(samples: FloatArray, frame: int, rate_hz: float) -> bool:
    """Whether the strings fall silent at `frame` without having been struck."""
    at_once, soon, _ = _rises_db(samples, frame, rate_hz)
    return at_once < DAMPING.at_once_db and soon < DAMPING.soon_db


def rings_on(samples: FloatArray, frame: int, rate_hz: float, floor_db: float) -> bool:
    """Whether softer strings keep sounding after `frame` in place of louder ones."""
    ms = rate_hz / 1000
    early, late = (samples[frame + round(start * ms) : frame + round(stop * ms)]
                   for start, stop in (RINGING.early_ms, RINGING.late_ms))
    start_ms, stop_ms = RINGING.late_ms
    if len(late) < math.floor((stop_ms - start_ms) * ms):
        return False
    low_db, high_db = RINGING.change_db
    power = float(late @ late) / len(late)
    return (low_db < rise_db(early, late) < high_db
            and 10 * math.log10(power + 1e-16) > floor_db + RINGING.over_floor_db)


def is_cut_off(samples: FloatArray, frame: int, rate_hz: float) -> bool:
    """Whether the ringing is cut off at `frame`, at once or string by string, and nothing new sounds."""
    at_once, soon, later = _rises_db(samples, frame, rate_hz)
    if at_once > CUT.at_once_db or min(soon, later) > CUT.soon_db:
        return False
    end = max(frame - round(CUT.lead_ms * rate_hz / 1000), 0)
    length = round((CUT.lead_ms + CUT.length_ms) * rate_hz / 1000)
    return new_share(samples, end, length, rate_hz) < CUT.new_share


def new_share(samples: FloatArray, frame: int, length: int, rate_hz: float,
              predictor: FloatArray | None = None) -> float:
    """How much of what changes in the `length` frames from `frame` on is new sound.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames,)]
    frame, length : int
    rate_hz : float
    predictor : np.ndarray, optional
        Of what rings before; if omitted, fitted to the 80 ms before the frame.

    Returns
    -------
    float
        About 1 where something new sounds, 0 or less where ringing only went; below 0.5 there is less energy than the
        ringing would have had.
    """
    expected = extrapolate(samples[:frame], length, rate_hz, predictor)
    recorded = samples[frame : frame + length]
    change = recorded - expected[: len(recorded)]
    return float(change @ recorded) / (float(change @ change) + 1e-30)


def _rises_db(samples: FloatArray, frame: int, rate_hz: float) -> tuple[float, float, float]:
    """Levels 0 to 10, 20 to 50 and 50 to 80 ms after a frame, relative to 12 to 2 ms before it."""
    ms = rate_hz / 1000
    before = samples[max(frame - round(12 * ms), 0) : max(frame - round(2 * ms), 0)]
    at_once, soon, later = (rise_db(before, samples[frame + round(start * ms) : frame + round(stop * ms)])
                            for start, stop in ((0, 10), (20, 50), (50, 80)))
    return at_once, soon, later


def rise_db(before: FloatArray, after: FloatArray) -> float:
    """Level of one piece relative to the piece before it, dB; 40 where there is nothing to compare."""
    if not len(before) or not len(after):
        return NO_REFERENCE_DB
    power_before, power_after = float(before @ before) / len(before), float(after @ after) / len(after)
    return 10 * math.log10((power_after + 1e-16) / (power_before + 1e-16))

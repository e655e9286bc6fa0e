"""What ends a sound and is no strum: a hand that comes down on the strings, a recording that is cut off.

Both take away of what rang and bring nothing new, however sudden they are. What rang is foretold (by the predictor of
`innovation`) past the moment; what is heard less what was foretold is what came or went. If something came it is part
of what is heard and correlates with it; what merely went does not.
"""

from __future__ import annotations

import math

from layerpipe.analysis.onsets.residual import foretold
from layerpipe.core.sound import FloatArray

NOTHING_BEFORE_DB = 40.0
STOPPING_DB = 0.3
STRUCK_DB, FALLEN_DB = 0.5, -10.0
CUT_STRUCK_DB, CUT_FALLEN_DB, NEW_SHARE = -1.0, -18.0, 0.25
"""What is cut off is softer at once, far softer soon, and what changed is no part of what is heard."""
LEAD_MS, LOOK_MS = 1.5, 10
RING_MS = (40, 70), (80, 130)
RINGS_ON_DB, OVER_FLOOR_DB = (-3.0, 1.5), 8.0
"""What rings on changes by no more from the one span to the other, and stays so far above the softest passages: after a
hand what is left dies away with the room."""


def is_stopping(samples: FloatArray, at: int, before: int) -> bool:
    """Whether the sound falls from `at` to its end: a hand that comes down before it strums, not a string let go."""
    return rise_db(samples[max(at - before, 0) : at], samples[at:]) < STOPPING_DB


def is_stop(samples: FloatArray, frame: int, rate_hz: float) -> bool:
    """Whether the strings fall silent at `frame` without having been struck."""
    struck, fallen, _ = _rises_db(samples, frame, rate_hz)
    return struck < STRUCK_DB and fallen < FALLEN_DB


def rings_on(samples: FloatArray, frame: int, rate_hz: float, floor_db: float) -> bool:
    """Whether what is left after `frame` keeps sounding: softer strings that took the place of louder ones."""
    ms = rate_hz / 1000
    soon, later = (samples[frame + round(start * ms) : frame + round(stop * ms)] for start, stop in RING_MS)
    start_ms, stop_ms = RING_MS[1]
    if len(later) < math.floor((stop_ms - start_ms) * ms):
        return False
    low_db, high_db = RINGS_ON_DB
    power = float(later @ later) / len(later)
    return low_db < rise_db(soon, later) < high_db and 10 * math.log10(power + 1e-16) > floor_db + OVER_FLOOR_DB


def is_cut(samples: FloatArray, frame: int, rate_hz: float) -> bool:
    """Whether what rings is cut off at `frame`, all of it or string by string, and nothing new is heard."""
    struck, fallen, fallen_later = _rises_db(samples, frame, rate_hz)
    if struck > CUT_STRUCK_DB or min(fallen, fallen_later) > CUT_FALLEN_DB:
        return False
    end = max(frame - round(LEAD_MS * rate_hz / 1000), 0)
    expected = foretold(samples[:end], round((LEAD_MS + LOOK_MS) * rate_hz / 1000), rate_hz)
    heard = samples[end : end + len(expected)]
    changed = heard - expected[: len(heard)]
    return bool(changed @ heard < NEW_SHARE * (changed @ changed))


def _rises_db(samples: FloatArray, frame: int, rate_hz: float) -> tuple[float, float, float]:
    """How much louder the sound is 0 to 10, 20 to 50 and 50 to 80 ms after a frame than right before it."""
    ms = rate_hz / 1000
    before = samples[max(frame - round(12 * ms), 0) : max(frame - round(2 * ms), 0)]
    first, soon, later = (rise_db(before, samples[frame + round(start * ms) : frame + round(stop * ms)])
                          for start, stop in ((0, 10), (20, 50), (50, 80)))
    return first, soon, later


def rise_db(before: FloatArray, after: FloatArray) -> float:
    """By how many dB a piece is louder than the one before it; plenty where there is nothing to compare."""
    if not len(before) or not len(after):
        return NOTHING_BEFORE_DB
    power_before, power_after = float(before @ before) / len(before), float(after @ after) / len(after)
    return 10 * math.log10((power_after + 1e-16) / (power_before + 1e-16))

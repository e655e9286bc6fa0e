"""Where exactly a strum arrives, and how likely it is a strum at all.

The moment is split from what rang before by the Akaike criterion, as first arrivals of earthquakes are picked: Maeda,
"A method for reading and checking phase times in auto-processing system of seismic wave data", Zisin 38, 1985.
A string that is let go is stirred as a whole: what cannot be foretold jumps at once, in the bass, in the middle and in
the treble, and goes on. A finger that slides along a string and a breath swell and lack the bass; a foot and a rumble
have nothing above it; a click is over before a string could answer. The weights of these signs were fitted (logistic
regression) on takes with exact truth and planted noises, voices held out in turn.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.damping import NOTHING_BEFORE_DB, is_stopping, rise_db
from layerpipe.analysis.onsets.residual import TRAIN_S, unforetold_after
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.filters import design_band_pass, run_sections

LOOK_BACK_MS, EARLIER_MS, EARLIER_RISE_DB, AGREED_MS = 36, 1.0, 7.0, 8
REST_MS = 5.0
"""An earlier string is told from what lies this long before it: noise is 7 dB over its last millisecond by chance."""
SUDDEN_MS = 8
FIRST_SIGN_MS, FIRST_SIGN_DB, QUIET_MS = 2.0, 4.0, 10
GREAT_STEP_DB = 9.0
CLICK_LATE_DB, SHARP_LATE_DB, SHARP_RISE_DB = 0.6, 1.3, 10.0
"""What cannot be foretold 15 to 45 ms after a click is what it was; a sharp one may have stirred a room."""
MUTED_STIR_DB, MUTED_POINT_DB = 6.0, 12.0
"""A muted stroke is over as soon, but stirs all strings, and is not as pointed as a click."""
BANDS_HZ = ((250.0, 600.0), (600.0, 1200.0), (1200.0, 3000.0))
"""All of them are stirred by every string."""
STIR_BEFORE_MS, STIR_MS = 33, 10
STIR_FROM_MS = (0, 5, 10, 15, 20)
WEIGHT_OF_ALL, WEIGHT_STEP, WEIGHT_SWELL, WEIGHT_STIR, WEIGHT_AGREED = -5.8, 0.35, -0.26, 0.66, 2.2


@dataclass(frozen=True)
class Arrival:
    """Where a strum arrives: its frame, whether curve and split agree, what cannot be foretold right after it
    (`step_db`, 4 ms) and after a click would be over (`late_db`, 15 to 45 ms), over what it was before, by how
    much the least stirred of the bands is stirred, and how far its peak stands above its mean."""

    frame: int
    agreed: bool
    late_db: float
    step_db: float
    stir_db: float
    point_db: float

    @property
    def sure(self) -> float:
        """How likely it is a strum, 0 to 1."""
        odds = (WEIGHT_OF_ALL + WEIGHT_STEP * min(max(self.step_db, 0.0), 12.0)
                + WEIGHT_SWELL * min(max(self.late_db - self.step_db, 0.0), 12.0)
                + WEIGHT_STIR * min(max(self.stir_db, -3.0), 12.0)
                + WEIGHT_AGREED * self.agreed)
        return 1 / (1 + math.exp(-odds))

    def is_click(self, rise_db: float) -> bool:
        """Whether it is over before the strings could answer."""
        if self.stir_db > MUTED_STIR_DB and self.point_db < MUTED_POINT_DB:
            return False
        return self.late_db < CLICK_LATE_DB or (self.late_db < SHARP_LATE_DB and rise_db > SHARP_RISE_DB)


def find_arrival(samples: FloatArray, begin: float, peak: float, rate_hz: float) -> Arrival:
    """Where exactly a strum arrives near frame `begin`.

    The greatest change need not be the first string: what lies before it is split again while that shows a rise.
    """
    ms = rate_hz / 1000
    first = max(round(begin - LOOK_BACK_MS * ms), 0)
    trained = min(round(TRAIN_S * rate_hz), first)
    stop = round(max(begin + 20 * ms, peak + 2 * ms))
    whole = unforetold_after(samples[first - trained : stop + round(40 * ms)], trained, rate_hz)
    rest = whole[: stop - first]
    frame, shortest, at_rest = _split(rest), round(EARLIER_MS * ms), round(REST_MS * ms)
    tried = frame
    while tried > 3 * shortest:
        earlier = _split(rest[:tried])
        if earlier < at_rest or rise_db(rest[:earlier], rest[earlier : earlier + shortest]) < EARLIER_RISE_DB:
            break
        if not is_stopping(samples[first : first + frame], earlier, round(8 * ms)):
            frame = earlier
        tried = earlier
    late_db = rise_db(rest[max(frame - round(14 * ms), 0) : max(frame - 4, 0)],
                       whole[frame + round(15 * ms) : frame + round(45 * ms)])
    step_db = rise_db(rest[max(frame - round(4 * ms), 0) : max(frame - 2, 0)], rest[frame : frame + round(4 * ms)])
    agreed = abs(first + frame - begin - SUDDEN_MS / 2 * ms) < AGREED_MS * ms
    # Where it is no great step, a softer string sounded before; before a great one a hand may have left the strings.
    sign = _first_sign(rest[:frame], ms) if step_db < GREAT_STEP_DB else frame
    return Arrival(first + sign, agreed, late_db, step_db, _stir_db(whole, frame, rate_hz),
                   _point_db(whole[frame : frame + round(SUDDEN_MS * ms)]))


def _point_db(piece: FloatArray) -> float:
    """How far the peak of a piece stands above its mean power."""
    if not len(piece):
        return 0.0
    return float(10 * np.log10(np.max(piece**2) / (np.mean(piece**2) + 1e-16) + 1e-9))


@functools.lru_cache(maxsize=8)
def _band_filters(rate_hz: float) -> tuple[FloatArray, ...]:
    """Band-passes as second-order sections."""
    return tuple(design_band_pass(low_hz, high_hz, rate_hz) for low_hz, high_hz in BANDS_HZ)


def _stir_db(rest: FloatArray, frame: int, rate_hz: float) -> float:
    """By how much what cannot be foretold rises at a frame in the band in which it rises least."""
    ms = rate_hz / 1000
    least = NOTHING_BEFORE_DB
    for filter_ in _band_filters(rate_hz):
        band = run_sections(filter_, rest)[0]
        before = band[max(frame - round(STIR_BEFORE_MS * ms), 0) : max(frame - round(ms), 0)]
        stirred = max(rise_db(before, band[frame + round(at * ms) : frame + round((at + STIR_MS) * ms)])
                      for at in STIR_FROM_MS)
        least = min(least, stirred)
    return least


def _first_sign(rest: FloatArray, ms: float) -> int:
    """Where what precedes an arrival begins to stir and does not come to rest again; its end where it never does."""
    size, quiet = round(FIRST_SIGN_MS * ms), round(QUIET_MS * ms)
    usual = np.mean(rest[:quiet] ** 2) + 1e-16
    for at in range(quiet, len(rest) - size, size // 2):
        stirred = 10 * np.log10(np.mean(rest[at : at + size] ** 2) / usual + 1e-9) > FIRST_SIGN_DB
        if stirred and 10 * np.log10(np.mean(rest[at:] ** 2) / usual + 1e-9) > FIRST_SIGN_DB - 1.0:
            return at
    return len(rest)


def _split(rest: FloatArray) -> int:
    """Where a piece changes from one level to another, by Akaike's criterion."""
    n = len(rest)
    power = rest**2
    head = np.cumsum(power)
    k = np.arange(1, n)
    before, after = head[:-1] / k, (head[-1] - head[:-1]) / (n - k)
    edge = 8
    cost = k * np.log(before + 1e-16) + (n - k) * np.log(after + 1e-16)
    return int(np.argmin(cost[edge : n - edge])) + edge + 1 if n > 3 * edge else 0

"""The exact moment of an onset, and how likely it is an onset at all.

The moment splits the residual into two levels by the Akaike criterion, as first arrivals of earthquakes are picked:
Maeda, "A method for reading and checking phase times in auto-processing system of seismic wave data", Zisin 38, 1985.
A plucked string excites everything at once: the residual jumps in the bass, the middle and the treble, and stays up. A
finger that slides along a string and a breath swell and have no bass; a footstep and rumble have no treble; a click is
over before a string could answer. The weights of these features come from a logistic regression on takes with exact
onsets and added noises, each timbre held out in turn.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.damping import NO_REFERENCE_DB, is_damped, is_falling, new_share, rise_db
from layerpipe.analysis.onsets.residual import PREDICTOR, fit_predictor, residual_after
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.filters import design_band_pass, run_sections

RISE_WINDOW_MS = 8
"""Length of the window in which the onset curve looks for a rise, ms: a string reaches its level within it."""


@dataclass(frozen=True)
class PickSettings:
    """Where the moment is searched, and when an earlier, softer string is the true beginning."""

    look_back_ms: float = 36.0  # a strum of six strings lasts about this long
    settle_ms: float = 5.0  # an earlier string needs this much sound before it: 1 ms of noise rises by 7 dB by chance
    earlier_ms: float = 1.0
    earlier_rise_db: float = 7.0
    agree_ms: float = 8.0  # the curve and the split agree if they are within this
    great_step_db: float = 9.0  # above this step no softer string is searched: a hand may just have left the strings
    first_sign_ms: float = 2.0
    first_sign_db: float = 4.0
    quiet_ms: float = 10.0
    least_new_share: float = 0.2  # an earlier string brings new sound; one let go or stopped only takes sound away
    new_within_ms: tuple[float, float] = (2.0, 6.0)  # the shortest and the longest piece in which it is looked for


@dataclass(frozen=True)
class DoubtSettings:
    """How much earlier or later than picked an onset may have begun."""

    rise_db: float = 3.0  # the residual rises by this at an earlier moment that was not picked
    new_share: float = 0.5  # below it the sound has less energy than what rang would have had: strings were let go
    within_ms: tuple[float, ...] = (3.0, 6.0, 10.0)  # in one of these pieces; then a later rise may be the attack
    later_ms: float = 2.0  # from here on
    hidden_ms: float = 18.0  # nothing new sounds: the strum is hidden within this


@dataclass(frozen=True)
class ClickLimits:
    """When an onset candidate is a click: the residual 15 to 45 ms later is what it was before."""

    late_db: float = 0.6
    sharp_late_db: float = 1.3  # a sharp click may excite the room
    sharp_rise_db: float = 10.0
    muted_rise_db: float = 6.0  # a muted stroke is as short, but excites every band
    muted_crest_db: float = 12.0  # and is less peaked than a click


@dataclass(frozen=True)
class BandSettings:
    """Three bands that every plucked string excites."""

    bands_hz: tuple[tuple[float, float], ...] = ((250.0, 600.0), (600.0, 1200.0), (1200.0, 3000.0))
    before_ms: float = 33.0
    length_ms: float = 10.0
    offsets_ms: tuple[int, ...] = (0, 5, 10, 15, 20)  # the bass of a string needs longer to build up


@dataclass(frozen=True)
class ConfidenceWeights:
    """Logistic regression; weights per dB of each feature."""

    bias: float = -5.8
    step: float = 0.35
    swell: float = -0.26
    band_rise: float = 0.66
    agree: float = 2.2


PICK, DOUBT, CLICK = PickSettings(), DoubtSettings(), ClickLimits()
BANDS, WEIGHTS = BandSettings(), ConfidenceWeights()


@dataclass(frozen=True)
class Arrival:
    """An onset candidate; rises are levels of the residual after the moment relative to before it, dB."""

    frame: int
    pickers_agree: bool
    """Whether the curve and the Akaike split give the same moment."""
    late_rise_db: float
    """15 to 45 ms after the moment, when a click is over."""
    step_db: float
    """In the first 4 ms."""
    band_rise_db: float
    """In the band that rises least."""
    crest_db: float
    """Peak over mean power (crest factor) of the first 8 ms."""
    earlier: int = 0
    later: int = 0
    """Frames by which it may have begun earlier or later: where the residual rises too."""

    @property
    def confidence(self) -> float:
        """Probability that this is an onset, 0 to 1."""
        odds = (WEIGHTS.bias + WEIGHTS.step * min(max(self.step_db, 0.0), 12.0)
                + WEIGHTS.swell * min(max(self.late_rise_db - self.step_db, 0.0), 12.0)
                + WEIGHTS.band_rise * min(max(self.band_rise_db, -3.0), 12.0)
                + WEIGHTS.agree * self.pickers_agree)
        return 1 / (1 + math.exp(-odds))

    def is_click(self, rise_db: float) -> bool:
        """Whether the sound is over before strings could answer; `rise_db` is the height of the onset curve."""
        if self.band_rise_db > CLICK.muted_rise_db and self.crest_db < CLICK.muted_crest_db:
            return False
        return (self.late_rise_db < CLICK.late_db
                or (self.late_rise_db < CLICK.sharp_late_db and rise_db > CLICK.sharp_rise_db))


def find_arrival(samples: FloatArray, begin: float, peak: float, rate_hz: float) -> Arrival:
    """Find the exact moment of an onset near frame `begin`.

    The greatest change need not be the first string: the part before it is split again while that part shows a rise.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames,)]
        Sound at the analysis rate, high-passed.
    begin, peak : float
        Frames at which the onset curve begins to rise and peaks.
    rate_hz : float

    Returns
    -------
    Arrival
    """
    ms = rate_hz / 1000
    first = max(round(begin - PICK.look_back_ms * ms), 0)
    trained = min(round(PREDICTOR.train_s * rate_hz), first)
    stop = round(max(begin + 20 * ms, peak + 2 * ms))
    predictor = fit_predictor(samples[first - trained : first], rate_hz)
    whole = residual_after(samples[first - trained : stop + round(40 * ms)], trained, predictor)

    def is_new(at: int) -> bool:
        shortest, longest = (round(length_ms * ms) for length_ms in PICK.new_within_ms)
        length = max(min(frame - at, longest), shortest)
        return new_share(samples, first + at, length, rate_hz, predictor) >= PICK.least_new_share

    residual = whole[: stop - first]
    frame, shortest, settled = _akaike_split(residual), round(PICK.earlier_ms * ms), round(PICK.settle_ms * ms)
    tried = earliest = frame
    is_strum = True
    while tried > 3 * shortest:
        earlier = _akaike_split(residual[:tried])
        rise = rise_db(residual[:earlier], residual[earlier : earlier + shortest])
        if earlier < settled or rise < DOUBT.rise_db:
            break
        is_strum = is_strum and rise >= PICK.earlier_rise_db
        if is_strum and not is_falling(samples[first : first + frame], earlier, round(8 * ms)) and is_new(earlier):
            frame = earlier
        tried = earliest = earlier
    late_rise_db = rise_db(residual[max(frame - round(14 * ms), 0) : max(frame - 4, 0)],
                           whole[frame + round(15 * ms) : frame + round(45 * ms)])
    step_db = rise_db(residual[max(frame - round(4 * ms), 0) : max(frame - 2, 0)],
                      residual[frame : frame + round(4 * ms)])
    agree = abs(first + frame - begin - RISE_WINDOW_MS / 2 * ms) < PICK.agree_ms * ms
    begun = _first_sign(residual[:frame], ms) if step_db < PICK.great_step_db else frame
    if begun < frame and not is_new(begun):
        begun, earliest = frame, min(earliest, begun)
    later = begun
    shares = [new_share(samples, first + begun, round(length_ms * ms), rate_hz, predictor)
              for length_ms in DOUBT.within_ms]
    if min(shares) < DOUBT.new_share:
        later += round(DOUBT.later_ms * ms)
        later += _akaike_split(residual[later:])
        if rise_db(residual[begun:later], residual[later : later + round(4 * ms)]) < DOUBT.rise_db:
            later = begun
    if max(shares) < 0.0 or is_damped(samples, first + begun, rate_hz):
        # What is heard here are strings that stop: the attack is hidden somewhere near.
        hidden = round(DOUBT.hidden_ms * ms)
        earliest, later = min(earliest, begun - hidden), max(later, begun + hidden)
    return Arrival(first + begun, agree, late_rise_db, step_db, _least_band_rise_db(whole, frame, rate_hz),
                   _crest_db(whole[frame : frame + round(RISE_WINDOW_MS * ms)]), max(begun - earliest, 0),
                   later - begun)


def _crest_db(piece: FloatArray) -> float:
    """Peak power over mean power, dB."""
    if not len(piece):
        return 0.0
    return float(10 * np.log10(np.max(piece**2) / (np.mean(piece**2) + 1e-16) + 1e-9))


@functools.lru_cache(maxsize=8)
def _band_filters(rate_hz: float) -> tuple[FloatArray, ...]:
    """Band-passes as second-order sections."""
    return tuple(design_band_pass(low_hz, high_hz, rate_hz) for low_hz, high_hz in BANDS.bands_hz)


def _least_band_rise_db(residual: FloatArray, frame: int, rate_hz: float) -> float:
    """Rise of the residual at a frame in the band in which it rises least, dB."""
    ms = rate_hz / 1000
    least = NO_REFERENCE_DB
    for sections in _band_filters(rate_hz):
        band = run_sections(sections, residual)[0]
        before = band[max(frame - round(BANDS.before_ms * ms), 0) : max(frame - round(ms), 0)]
        rise = max(rise_db(before, band[frame + round(at * ms) : frame + round((at + BANDS.length_ms) * ms)])
                   for at in BANDS.offsets_ms)
        least = min(least, rise)
    return least


def _first_sign(residual: FloatArray, ms: float) -> int:
    """First frame from which the residual before an onset stays raised; its length if there is none."""
    size, quiet = round(PICK.first_sign_ms * ms), round(PICK.quiet_ms * ms)
    usual = np.mean(residual[:quiet] ** 2) + 1e-16
    for at in range(quiet, len(residual) - size, size // 2):
        raised = 10 * np.log10(np.mean(residual[at : at + size] ** 2) / usual + 1e-9) > PICK.first_sign_db
        if raised and 10 * np.log10(np.mean(residual[at:] ** 2) / usual + 1e-9) > PICK.first_sign_db - 1.0:
            return at
    return len(residual)


def _akaike_split(residual: FloatArray) -> int:
    """Frame at which a piece changes from one level to another (Maeda 1985)."""
    n, edge = len(residual), 8
    if n <= 3 * edge:
        return 0
    power = residual**2
    head = np.cumsum(power)
    k = np.arange(1, n)
    before, after = head[:-1] / k, (head[-1] - head[:-1]) / (n - k)
    cost = k * np.log(before + 1e-16) + (n - k) * np.log(after + 1e-16)
    return int(np.argmin(cost[edge : n - edge])) + edge + 1

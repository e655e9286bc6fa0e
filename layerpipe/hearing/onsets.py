"""Onsets of plucked and strummed strings: the moment the first string of each strum sounds.

A curve tells, every millisecond, by how many dB what could not be foretold stands above what it was in the 150 ms
before; its peaks are strums. The moment is then split from what rang before by the Akaike criterion, as first arrivals
of earthquakes are picked: Maeda, "A method for reading and checking phase times in auto-processing system of seismic
wave data", Zisin 38, 1985. Times are seconds from the start of the sound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from layerpipe.hearing.innovation import TRAIN_S, Stretch, stretches, unforetold, unforetold_after
from layerpipe.sound import FloatArray, Sound

SUDDEN_MS, BACK_MS, GAP_MS = 8, 150, 6
LEAST_RISE_DB, DOUBTFUL_RISE_DB = 3.4, 1.3
FAINT_LATE_DB, FAINT_SURE = -4.0, 0.3
"""What is doubtful is a strum only where one is expected, and is never sure."""
ONE_STRUM_S = 0.048
"""Strings let go within this time are one strum."""
PEAK_REACH_MS = 25
"""A peak of the curve is higher than everything this near."""
LOOK_BACK_MS, EARLIER_MS, EARLIER_RISE_DB, AGREED_MS = 36, 1.0, 7.0, 8
FIRST_SIGN_MS, FIRST_SIGN_DB, QUIET_MS = 2.0, 3.5, 10
CLICK_LATE_DB, SHARP_LATE_DB, SHARP_RISE_DB = 0.6, 1.3, 10.0
"""What cannot be foretold 15 to 45 ms after a click is what it was; a sharp one may have stirred a room."""
SLIDE_STEP_DB, SLIDE_SWELL_DB = 4.2, 4.0
NOTHING_BEFORE_DB = 40.0
STOPPING_DB = 0.3
STRUCK_DB, FALLEN_DB = 0.5, -10.0
UNDER_LOUD_DB, UNDER_NOISE_DB = 50.0, 3.0


@dataclass(frozen=True)
class Onset:
    """A strum: when its first string sounds, how sure that is (0 to 1), how far it rises over what could be foretold,
    how loud it is (dBFS, rms of the 60 ms after), and the earliest moment that shows any sign of it."""

    at_s: float
    sure: float
    rise_db: float
    level_db: float
    sign_s: float = math.nan

    @property
    def first_sign_s(self) -> float:
        """The earliest moment that shows any sign of it; the onset itself where nothing comes before."""
        return self.at_s if math.isnan(self.sign_s) else self.sign_s


@dataclass(frozen=True)
class Heard:
    """What was heard in a take: its strums, and moments at which something stirred that was not taken for one."""

    onsets: list[Onset]
    doubtful_s: list[float]
    faint: tuple[Onset, ...] = ()
    """Those of the doubtful moments that may be very soft or muted strums, if one is expected there."""


@dataclass(frozen=True)
class Arrival:
    """Where a strum arrives: its frame, whether curve and split agree, and what cannot be foretold right after it
    (`step_db`, 4 ms) and after a click would be over (`late_db`, 15 to 45 ms), over what it was before."""

    frame: int
    agreed: bool
    late_db: float
    step_db: float
    sign: int


def find_onsets(sound: Sound) -> list[Onset]:
    """Onsets of a take of plucked strings.

    Parameters
    ----------
    sound : Sound
        Read in pieces; memory does not grow with its length.

    Returns
    -------
    list of Onset
        In order of time, at least 48 ms apart.
    """
    return hear_strums(sound).onsets


def hear_strums(sound: Sound) -> Heard:
    """Onsets of a take, and moments at which something stirred that was not taken for a strum.

    Parameters
    ----------
    sound : Sound
        Read in pieces; memory does not grow with its length.

    Returns
    -------
    Heard
    """
    found: list[Onset] = []
    doubtful: list[float] = []
    softest_db: list[float] = []
    faint: list[Onset] = []
    for stretch in stretches(sound):
        softest_db.append(stretch_noise_db(stretch))
        onsets, stirred, maybe = _onsets_of(stretch)
        doubtful += stirred
        faint += maybe
        for onset in onsets:
            if not found or onset.at_s - found[-1].at_s > ONE_STRUM_S:
                found.append(onset)
    if not found:
        return Heard([], doubtful)
    loud_db = float(np.percentile([onset.level_db for onset in found], 90))
    least_db = max(loud_db - UNDER_LOUD_DB, min(softest_db) + UNDER_NOISE_DB)
    doubtful += [onset.at_s for onset in found if onset.level_db <= least_db]
    return Heard([onset for onset in found if onset.level_db > least_db], sorted(doubtful),
                 tuple(onset for onset in faint if onset.level_db > least_db))


def stretch_noise_db(stretch: Stretch) -> float:
    """Level of the softest passages of a stretch, dBFS."""
    size = round(0.02 * stretch.rate_hz)
    powers = np.mean(stretch.samples[: len(stretch.samples) // size * size].reshape(-1, size) ** 2, axis=1)
    powers = powers[powers > 1e-12]
    return float(10 * np.log10(np.percentile(powers, 2))) if len(powers) else -120.0


def rise_curve_db(rest: FloatArray, rate_hz: float) -> FloatArray:
    """By how much what could not be foretold rises, for each millisecond.

    Returns
    -------
    np.ndarray [shape=(milliseconds,), float64]
        dB of the 8 ms from each millisecond on, over the median of the 150 ms before.
    """
    edges = np.round(np.arange(len(rest) * 1000 // rate_hz + 1) * rate_hz / 1000).astype(int)
    sums = np.concatenate([[0.0], np.cumsum(rest**2)])
    power = np.diff(sums[edges]) * (1000 / rate_hz)
    ahead = np.concatenate([[0.0], np.cumsum(np.concatenate([power, np.zeros(SUDDEN_MS)]))])
    sudden = (ahead[SUDDEN_MS:] - ahead[:-SUDDEN_MS])[: len(power)] / SUDDEN_MS
    padded = np.concatenate([np.full(BACK_MS, np.median(sudden[:BACK_MS])), sudden])
    before = np.lib.stride_tricks.sliding_window_view(padded, BACK_MS - GAP_MS)[: len(power) : 2]
    usual = np.repeat(np.median(before, axis=1), 2)[: len(power)]
    curve: FloatArray = 10 * np.log10((sudden + 1e-14) / (usual + 1e-13))
    return curve


def _onsets_of(stretch: Stretch) -> tuple[list[Onset], list[float], list[Onset]]:
    """Onsets inside the judged part of a stretch, what was doubtful there, and what of that may be faint strums."""
    from scipy import ndimage

    rate_hz, samples = stretch.rate_hz, stretch.samples
    curve = rise_curve_db(unforetold(stretch), rate_hz)
    highest = ndimage.maximum_filter1d(curve, 2 * PEAK_REACH_MS + 1)
    found: list[Onset] = []
    doubtful: list[float] = []
    faint: list[Onset] = []
    last: tuple[int, int] | None = None
    back = round(0.008 * rate_hz)
    for peak in map(int, np.flatnonzero((curve == highest) & (curve > DOUBTFUL_RISE_DB))):
        rise_db = float(curve[peak])
        if rise_db <= LEAST_RISE_DB:
            doubtful.append(stretch.start_s + peak / 1000)
            faint += _faint_at(stretch, peak, rise_db)
            continue
        begin = _begin_of(curve, peak)
        arrival = _arrival(samples, begin / 1000 * rate_hz, (peak + SUDDEN_MS) / 1000 * rate_hz, rate_hz)
        if last is not None and begin - last[0] < ONE_STRUM_S * 1000:
            piece = samples[max(last[1] - back, 0) : arrival.frame]
            if arrival.frame - last[1] < back or not _is_stopping(piece, back, back):
                continue
            # A hand came down and then strummed: the strum is meant.
            early_s = stretch.start_s + last[1] / rate_hz
            found = [onset for onset in found if abs(onset.at_s - early_s) > 1e-6]
        last = begin, arrival.frame
        at_s = stretch.start_s + arrival.frame / rate_hz
        if not _is_pluck(arrival, rise_db) or _is_stop(samples, arrival.frame, rate_hz):
            doubtful.append(at_s)
            if not _is_stop(samples, arrival.frame, rate_hz):
                faint.append(_onset_at(stretch, arrival, rise_db, FAINT_SURE))
            continue
        found.append(_onset_at(stretch, arrival, rise_db, _sureness(arrival, rise_db)))
    start_s, stop_s = stretch.judged_s
    return ([onset for onset in found if start_s <= onset.at_s < stop_s],
            [at_s for at_s in doubtful if start_s <= at_s < stop_s],
            [onset for onset in faint if start_s <= onset.at_s < stop_s])


def _onset_at(stretch: Stretch, arrival: Arrival, rise_db: float, sure: float) -> Onset:
    """An onset where a strum arrives."""
    rate_hz = stretch.rate_hz
    after = stretch.samples[arrival.frame : arrival.frame + round(0.06 * rate_hz)]
    level_db = float(10 * np.log10(np.mean(after**2) + 1e-14)) if len(after) else -140.0
    return Onset(float(stretch.start_s + arrival.frame / rate_hz), sure, rise_db, level_db,
                 float(stretch.start_s + arrival.sign / rate_hz))


def _faint_at(stretch: Stretch, peak: int, rise_db: float) -> list[Onset]:
    """The faint strum that a low peak of the curve may be; none where strings only fall silent."""
    rate_hz = stretch.rate_hz
    arrival = _arrival(stretch.samples, peak / 1000 * rate_hz, (peak + SUDDEN_MS) / 1000 * rate_hz, rate_hz)
    if arrival.late_db < FAINT_LATE_DB or _is_stop(stretch.samples, arrival.frame, rate_hz):
        return []
    return [_onset_at(stretch, arrival, rise_db, FAINT_SURE)]


def _is_pluck(arrival: Arrival, rise_db: float) -> bool:
    """A click is over before the strings could answer; a sliding finger swells where a pluck steps."""
    is_click = arrival.late_db < CLICK_LATE_DB or (arrival.late_db < SHARP_LATE_DB and rise_db > SHARP_RISE_DB)
    is_slide = arrival.step_db < SLIDE_STEP_DB and arrival.late_db > arrival.step_db + SLIDE_SWELL_DB
    return not (is_click or is_slide)


def _sureness(arrival: Arrival, rise_db: float) -> float:
    """0 to 1 from how far it rises, how suddenly, and whether both looks agree on the moment."""
    rise = 1 / (1 + np.exp(-(rise_db - 6.0) / 1.5))
    step = 1 / (1 + np.exp(-(arrival.step_db - 5.0) / 1.0))
    return float(rise * (0.4 + 0.6 * step) * (1.0 if arrival.agreed else 0.6))


def _begin_of(curve: FloatArray, peak: int) -> int:
    """The millisecond from which on the curve stays up until the peak, bridging short dips, at most one strum long."""
    least = max(LEAST_RISE_DB, curve[peak] - 18.0)
    first = max(peak - round(ONE_STRUM_S * 1000) + 4, 0)
    above = np.flatnonzero(curve[first : peak + 1] > least) + first
    gaps = np.flatnonzero(np.diff(above) > 9)
    return int(above[gaps[-1] + 1] if len(gaps) else above[0])


def _arrival(samples: FloatArray, begin: float, peak: float, rate_hz: float) -> Arrival:
    """Where exactly a strum arrives near frame `begin`.

    The greatest change need not be the first string: what lies before it is split again while that shows a rise.
    """
    ms = rate_hz / 1000
    first = max(round(begin - LOOK_BACK_MS * ms), 0)
    trained = min(round(TRAIN_S * rate_hz), first)
    stop = round(max(begin + 20 * ms, peak + 2 * ms))
    whole = unforetold_after(samples[first - trained : stop + round(40 * ms)], trained, rate_hz)
    rest = whole[: stop - first]
    frame, shortest = _split(rest), round(EARLIER_MS * ms)
    tried = frame
    while tried > 3 * shortest:
        earlier = _split(rest[:tried])
        if earlier < shortest or _rise_db(rest[:earlier], rest[earlier : earlier + shortest]) < EARLIER_RISE_DB:
            break
        if not _is_stopping(samples[first : first + frame], earlier, round(8 * ms)):
            frame = earlier
        tried = earlier
    late_db = _rise_db(rest[max(frame - round(14 * ms), 0) : max(frame - 4, 0)],
                       whole[frame + round(15 * ms) : frame + round(45 * ms)])
    step_db = _rise_db(rest[max(frame - round(4 * ms), 0) : max(frame - 2, 0)], rest[frame : frame + round(4 * ms)])
    agreed = abs(first + frame - begin - SUDDEN_MS / 2 * ms) < AGREED_MS * ms
    return Arrival(first + frame, agreed, late_db, step_db, first + _first_sign(rest[:frame], ms))


def _first_sign(rest: FloatArray, ms: float) -> int:
    """Where what precedes an arrival begins to stir and does not come to rest again; its end where it never does."""
    size, quiet = round(FIRST_SIGN_MS * ms), round(QUIET_MS * ms)
    usual = np.mean(rest[:quiet] ** 2) + 1e-16
    for at in range(quiet, len(rest) - size, size // 2):
        stirred = 10 * np.log10(np.mean(rest[at : at + size] ** 2) / usual + 1e-9) > FIRST_SIGN_DB
        if stirred and 10 * np.log10(np.mean(rest[at:] ** 2) / usual + 1e-9) > FIRST_SIGN_DB - 1.0:
            return at
    return len(rest)


def _is_stopping(samples: FloatArray, at: int, before: int) -> bool:
    """Whether the sound falls from `at` to its end: a hand that comes down before it strums, not a string let go."""
    return _rise_db(samples[max(at - before, 0) : at], samples[at:]) < STOPPING_DB


def _is_stop(samples: FloatArray, frame: int, rate_hz: float) -> bool:
    """Whether the strings fall silent at `frame` without having been struck."""
    ms = rate_hz / 1000
    before = samples[max(frame - round(12 * ms), 0) : max(frame - round(2 * ms), 0)]
    struck = _rise_db(before, samples[frame : frame + round(10 * ms)])
    fallen = _rise_db(before, samples[frame + round(20 * ms) : frame + round(50 * ms)])
    return struck < STRUCK_DB and fallen < FALLEN_DB


def _rise_db(before: FloatArray, after: FloatArray) -> float:
    """By how many dB a piece is louder than the one before it; plenty where there is nothing to compare."""
    if not len(before) or not len(after):
        return NOTHING_BEFORE_DB
    return float(10 * np.log10((np.mean(after**2) + 1e-16) / (np.mean(before**2) + 1e-16)))


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

"""Onsets of plucked and strummed strings: the moment the first string of each strum sounds.

A curve tells, every millisecond, by how many dB what could not be foretold stands above what it was in the 150 ms
before; at each of its peaks something arrives, which is a strum or not. Times are seconds from the start of the sound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.onsets.arrival import GREAT_STEP_DB, SUDDEN_MS, Arrival, find_arrival
from layerpipe.analysis.onsets.chroma import pitch_classes
from layerpipe.analysis.onsets.damping import is_cut, is_stop, is_stopping, rings_on
from layerpipe.analysis.onsets.rakes import is_same_spread, spread_ms
from layerpipe.analysis.onsets.residual import Stretch, stretches, unforetold
from layerpipe.core.sound import FloatArray, Sound

BACK_MS, GAP_MS = 150, 6
LEAST_RISE_DB, LOW_RISE_DB, DOUBTFUL_RISE_DB = 3.4, 2.1, 1.3
"""Peaks count from the first on; from the second on where nothing else is near; from the third on where expected."""
LEAST_SURE, FAINT_LATE_DB, FAINT_SURE = 0.45, -4.0, 0.3
"""What is less likely is a strum only where one is expected, and is never sure."""
APART_S = 0.06
"""How far from all others a low peak must be."""
ONE_STRUM_S = 0.048
"""Strings let go within this time are one strum."""
PEAK_REACH_MS = 25
"""A peak of the curve is higher than everything this near."""
LEAST_HEARD_S = 0.05
"""What begins later than this before the end of a sound cannot be told."""
UNDER_LOUD_DB, UNDER_NOISE_DB = 50.0, 3.0


@dataclass(frozen=True)
class Onset:
    """A strum: when its first string sounds, how sure that is (0 to 1), how far it rises over what could be foretold,
    and how loud it is (dBFS, rms of the 60 ms after)."""

    at_s: float
    sure: float
    rise_db: float
    level_db: float
    pitch_classes: tuple[float, ...] = ()
    """What sounds after it, C first; empty where the sound ends before that can be told."""
    spread_ms: float = 0.0
    """How long after its first string the last one of a slow spread follows; 0 where a strum is let go at once."""


@dataclass(frozen=True)
class Heard:
    """What was heard in a take: its strums, and moments at which something stirred that was not taken for one."""

    onsets: list[Onset]
    doubtful_s: list[float]
    faint: tuple[Onset, ...] = ()
    """Those of the doubtful moments that may be very soft or muted strums, if one is expected there."""


def find_onsets(sound: Sound, noise_db: float | None = None) -> list[Onset]:
    """Onsets of a take of plucked strings.

    Parameters
    ----------
    sound : Sound
        Read in pieces; memory does not grow with its length.
    noise_db : float, optional
        Its noise floor in dBFS; without it, its softest passages are taken for that.

    Returns
    -------
    list of Onset
        In order of time, at least 48 ms apart.
    """
    return hear_strums(sound, noise_db).onsets


def hear_strums(sound: Sound, noise_db: float | None = None) -> Heard:
    """Onsets of a take, and moments at which something stirred that was not taken for a strum.

    Parameters
    ----------
    sound : Sound
        Read in pieces; memory does not grow with its length.
    noise_db : float, optional
        Its noise floor in dBFS; without it, its softest passages are taken for that.

    Returns
    -------
    Heard
    """
    found: list[Onset] = []
    doubtful: list[float] = []
    softest_db = [] if noise_db is None else [noise_db]
    faint: list[Onset] = []
    for stretch in stretches(sound):
        floor_db = stretch_noise_db(stretch)
        if noise_db is None:
            softest_db.append(floor_db)
        onsets, stirred, maybe = _onsets_of(stretch, floor_db, sound.frames / sound.rate_hz - LEAST_HEARD_S)
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


def _onsets_of(stretch: Stretch, floor_db: float, last_s: float) -> tuple[list[Onset], list[float], list[Onset]]:
    """Onsets inside the judged part of a stretch, what was doubtful there, and what of that may be faint strums; none
    after `last_s`."""
    rate_hz, samples = stretch.rate_hz, stretch.samples
    rest = unforetold(stretch)
    curve = rise_curve_db(rest, rate_hz)
    highest = _highest_near(curve, PEAK_REACH_MS)
    found: list[Onset] = []
    low: list[Onset] = []
    doubtful: list[float] = []
    faint: list[Onset] = []
    last: tuple[int, int] | None = None
    back = round(0.008 * rate_hz)
    for peak in map(int, np.flatnonzero((curve == highest) & (curve > DOUBTFUL_RISE_DB))):
        rise_db = float(curve[peak])
        is_low = rise_db <= LEAST_RISE_DB
        begin, hand_s = peak if is_low else _begin_of(curve, peak), None
        arrival = find_arrival(samples, begin / 1000 * rate_hz, (peak + SUDDEN_MS) / 1000 * rate_hz, rate_hz)
        if not is_low and last is not None and begin - last[0] < ONE_STRUM_S * 1000:
            piece = samples[max(last[1] - back, 0) : arrival.frame]
            if arrival.frame - last[1] < back or not is_stopping(piece, back, back):
                continue
            hand_s = stretch.start_s + last[1] / rate_hz
        heard = _onset_at(stretch, arrival, rise_db)
        stopped = (((arrival.step_db < GREAT_STEP_DB and is_stop(samples, arrival.frame, rate_hz))
                    or is_cut(samples, arrival.frame, rate_hz))
                   and not rings_on(samples, arrival.frame, rate_hz, floor_db))
        if stopped or arrival.is_click(rise_db) or heard.sure < LEAST_SURE or rise_db < LOW_RISE_DB:
            doubtful.append(stretch.start_s + peak / 1000 if is_low else heard.at_s)
            if not stopped and (not is_low or arrival.late_db > FAINT_LATE_DB):
                faint.append(replace(heard, sure=min(heard.sure, FAINT_SURE)))
        elif is_low:
            low.append(heard)
        else:
            last = begin, arrival.frame
            # Where a hand came down and then strummed the strum is meant.
            found = [onset for onset in found if hand_s is None or abs(onset.at_s - hand_s) > 1e-6]
            found.append(heard)
    for one in low:
        if all(abs(one.at_s - onset.at_s) > APART_S for onset in found):
            found.append(one)
    start_s, stop_s = stretch.judged_s[0], min(stretch.judged_s[1], last_s)
    spread = _spread(stretch, rest, sorted(found, key=lambda onset: onset.at_s))
    return ([onset for onset in spread if start_s <= onset.at_s < stop_s],
            [at_s for at_s in doubtful if start_s <= at_s < stop_s],
            [onset for onset in faint if start_s <= onset.at_s < stop_s])


def _highest_near(curve: FloatArray, reach: int) -> FloatArray:
    """The highest value within `reach` of each place."""
    padded = np.pad(curve, reach, constant_values=-np.inf)
    highest: FloatArray = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    return highest


def _spread(stretch: Stretch, rest: FloatArray, found: list[Onset]) -> list[Onset]:
    """Onsets that know how slowly they are spread, without those that are strings of the spread before."""
    samples, rate_hz = stretch.samples, stretch.rate_hz
    kept: list[tuple[Onset, int]] = []
    for onset in found:
        frame = round((onset.at_s - stretch.start_s) * rate_hz)
        if not kept or not is_same_spread(samples, kept[-1][1], frame, rate_hz):
            kept.append((onset, frame))
    ends = [*(frame for _, frame in kept[1:]), None]
    return [replace(onset, spread_ms=spread_ms(samples, rest, frame, ends[n], rate_hz))
            for n, (onset, frame) in enumerate(kept)]


def _onset_at(stretch: Stretch, arrival: Arrival, rise_db: float) -> Onset:
    """An onset where a strum arrives."""
    rate_hz = stretch.rate_hz
    after = stretch.samples[arrival.frame : arrival.frame + round(0.06 * rate_hz)]
    level_db = float(10 * np.log10(np.mean(after**2) + 1e-14)) if len(after) else -140.0
    return Onset(float(stretch.start_s + arrival.frame / rate_hz), arrival.sure, rise_db, level_db,
                 pitch_classes(stretch.samples, arrival.frame, rate_hz))


def _begin_of(curve: FloatArray, peak: int) -> int:
    """The millisecond from which on the curve stays up until the peak, bridging short dips, at most one strum long."""
    least = max(LEAST_RISE_DB, curve[peak] - 18.0)
    first = max(peak - round(ONE_STRUM_S * 1000) + 4, 0)
    above = np.flatnonzero(curve[first : peak + 1] > least) + first
    gaps = np.flatnonzero(np.diff(above) > 9)
    return int(above[gaps[-1] + 1] if len(gaps) else above[0])

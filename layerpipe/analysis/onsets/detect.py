"""Onsets of plucked and strummed strings: the moment the first string of each strum sounds.

Each peak of the onset curve is a candidate, which is an onset or not. Times are seconds from the start of the take.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from layerpipe.analysis.onsets.arrival import PICK, RISE_WINDOW_MS, find_arrival
from layerpipe.analysis.onsets.changes import CHANGE, band_changes_db, change_near_db, light_strokes
from layerpipe.analysis.onsets.chroma import chroma_after
from layerpipe.analysis.onsets.damping import is_cut_off, is_damped, is_falling, rings_on
from layerpipe.analysis.onsets.metronome.comb import Rises, rises_of
from layerpipe.analysis.onsets.metronome.search import find_metronome
from layerpipe.analysis.onsets.metronome.ticks import WithoutTicks
from layerpipe.analysis.onsets.onset import Detection, Onset, Onsets
from layerpipe.analysis.onsets.onset_curve import CURVE, begin_of, highest_near, onset_curve_db
from layerpipe.analysis.onsets.phase_prediction import added_strokes
from layerpipe.analysis.onsets.rakes import is_same_rake, rake_duration_ms
from layerpipe.analysis.onsets.residual import Chunk, Piece, noise_floor_db, pieces_of, prediction_residual, read_chunk
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import Float32Array, FloatArray, Sound

STRUM_S = 0.048
"""Strings released within this time are one strum; the shortest distance of two onsets."""


@dataclass(frozen=True)
class PeakLimits:
    """Least height of a peak in dB; tuned on strummed takes, stationary noise stays below 3.4 dB."""

    certain_db: float = 3.4  # a candidate on its own
    low_db: float = 2.1  # a candidate if nothing else is near
    doubtful_db: float = 1.3  # reported as doubtful
    drop_db: float = 18.0  # an onset begins where the curve rises to this far below its peak
    low_apart_s: float = 0.06  # distance of a low peak from all others


@dataclass(frozen=True)
class OnsetLimits:
    """When a candidate counts as an onset."""

    least_confidence: float = 0.45  # below, it is an onset only where one is expected
    faint_late_db: float = -4.0  # a faint onset is not followed by less sound than before
    faint_confidence: float = 0.3  # of a faint onset at most
    under_loud_db: float = 50.0  # an onset is at most this far below the loud ones of the take
    over_noise_db: float = 3.0  # and this far above its noise floor
    faint_near_s: float = 0.03  # something changes this near to a faint onset
    before_end_s: float = 0.05  # nothing can be judged so near to the end


PEAK, ONSET = PeakLimits(), OnsetLimits()


def find_onsets(sound: Sound, noise_db: float | None = None) -> list[Onset]:
    """Find the onsets of a take of plucked strings.

    Parameters
    ----------
    sound : Sound
        Read in chunks; memory does not grow with its length.
    noise_db : float, optional
        Its noise floor in dBFS; if omitted, the level of its softest passages.

    Returns
    -------
    list of Onset
        In order of time, at least 48 ms apart.
    """
    found = detect_onsets(sound, noise_db)
    return [replace(onset, chroma=tuple(chroma) if any(chroma) else ())
            for onset, chroma in zip(found.onsets, found.chroma.tolist(), strict=True)]


class HeardPiece(NamedTuple):
    """What is detected in a part of a take; what counts as an onset is known when all parts have been heard."""

    detection: Detection
    floor_db: float
    """Level of its softest passages, dBFS."""
    rises: Float32Array
    """How much the residual rises at each millisecond."""


def detect_onsets(sound: Sound, noise_db: float | None = None, *, ask: Ask = listen_anew) -> Detection:
    """Find the onsets of a take, with the candidates that were rejected, and without the ticks of a metronome.

    Parameters
    ----------
    sound : Sound
        Read in parts; memory does not grow with its length.
    noise_db : float, optional
        Its noise floor in dBFS; if omitted, the level of its softest passages.
    ask : Ask, optional
        Who listens to the parts.

    Returns
    -------
    Detection
    """
    heard, rises = _detect(sound, noise_db, ask)
    metronome = find_metronome(rises, sound)
    if metronome is None:
        return heard
    heard, _ = _detect(WithoutTicks(sound, metronome), noise_db, ask)
    rows = np.array([not metronome.is_rest(one.at_s, one.confidence, 10 ** (one.level_db / 10)
                                           - 10 ** (one.before_db / 10), sound.rate_hz) for one in heard.onsets], bool)
    # What is left of a tick spoils phases, too.
    added = heard.added.where([n for n, one in enumerate(heard.added)
                               if not metronome.is_tick(one.at_s, PEAK.low_apart_s)])
    return replace(heard, onsets=heard.onsets.where(rows), chroma=heard.chroma[rows], added=added, metronome=metronome)


def _detect(sound: Sound, noise_db: float | None, ask: Ask) -> tuple[Detection, Rises]:
    """Onsets of everything that sounds, and how much the residual rises at each millisecond."""
    pieces = pieces_of(sound)
    # The answer about a take of one part is kept as that about the take.
    hear = ask if len(pieces) > 1 else listen_anew
    heard, floors_db, rises = list[Detection](), list[float](), Rises()
    for piece in pieces:
        detection, floor_db, its_rises = hear(detect_in_piece, piece.of(sound), *piece)
        heard.append(detection)
        floors_db.append(floor_db)
        rises.add(its_rises)
    last_s = sound.frames / sound.rate_hz - ONSET.before_end_s
    heard.insert(0, Detection.of([]))
    every, *others = (Onsets.joined(kind) for kind in zip(*(
        (one.onsets, one.faint, one.light, one.added) for one in heard), strict=True))
    apart, before_s = list[int](), -np.inf
    for n, at_s in enumerate(every.at_s[every.at_s < last_s].tolist()):
        if at_s - before_s > STRUM_S:
            apart.append(n)
            before_s = at_s
    found, chroma = every.where(apart), np.concatenate([one.chroma for one in heard])[apart]
    doubtful = [at_s for piece in heard for at_s in piece.doubtful_s if at_s < last_s]
    if not found:
        return Detection(found, chroma, doubtful), rises
    loud_db = float(np.percentile(found.level_db, 90))
    floor_db = min(floors_db if noise_db is None else [noise_db])
    least_db = max(loud_db - ONSET.under_loud_db, floor_db + ONSET.over_noise_db)
    doubtful += found.at_s[found.level_db <= least_db].tolist()
    faint, light, added = (one.where((one.at_s < last_s) & (one.level_db > least_db)) for one in others)
    rows = found.level_db > least_db
    return Detection(found.where(rows), chroma[rows], sorted(doubtful), faint, light, added), rises


def detect_in_piece(sound: Sound, start: int, size: int, step: int) -> HeardPiece:
    """Detect in a part of a take, as `Piece` describes it; times are those of the take.

    Parameters
    ----------
    sound : Sound
        The part with its neighbourhood, as `Piece.of` gives it.
    start, size, step : int
        The Piece.

    Returns
    -------
    HeardPiece
    """
    chunk = read_chunk(sound, Piece(start, size, step))
    floor_db, residual = noise_floor_db(chunk), prediction_residual(chunk)
    first, stop = (round(1000 * (at_s - chunk.start_s)) for at_s in chunk.core_s)
    return HeardPiece(_detect_in_chunk(chunk, residual, floor_db), floor_db,
                      rises_of(residual, chunk.rate_hz)[first:stop].astype(np.float32))


def _detect_in_chunk(chunk: Chunk, residual: FloatArray, floor_db: float) -> Detection:
    """Detect in the core of a chunk."""
    rate_hz, samples = chunk.rate_hz, chunk.samples
    curve = onset_curve_db(residual, rate_hz)
    highest = highest_near(curve, CURVE.reach_ms)
    found: list[Onset] = []
    low: list[Onset] = []
    doubtful: list[float] = []
    faint: list[Onset] = []
    last: tuple[int, int] | None = None
    back = round(0.008 * rate_hz)
    for peak in map(int, np.flatnonzero((curve == highest) & (curve > PEAK.doubtful_db))):
        rise_db = float(curve[peak])
        is_low = rise_db <= PEAK.certain_db
        begin, hand_s = peak, None
        if not is_low:
            begin = begin_of(curve, peak, max(PEAK.certain_db, rise_db - PEAK.drop_db), STRUM_S)
        arrival = find_arrival(samples, begin / 1000 * rate_hz, (peak + RISE_WINDOW_MS) / 1000 * rate_hz, rate_hz)
        if not is_low and last is not None and begin - last[0] < STRUM_S * 1000:
            piece = samples[max(last[1] - back, 0) : arrival.frame]
            if arrival.frame - last[1] < back or not is_falling(piece, back, back):
                continue
            hand_s = chunk.start_s + last[1] / rate_hz
        onset = _onset_of(chunk, arrival.frame, rise_db, arrival.confidence, (arrival.earlier, arrival.later))
        ended = (((arrival.step_db < PICK.great_step_db and is_damped(samples, arrival.frame, rate_hz))
                  or is_cut_off(samples, arrival.frame, rate_hz))
                 and not rings_on(samples, arrival.frame, rate_hz, floor_db))
        if (ended or arrival.is_click(rise_db) or onset.confidence < ONSET.least_confidence
                or rise_db < PEAK.low_db):
            doubtful.append(chunk.start_s + peak / 1000 if is_low else onset.at_s)
            if not ended and (not is_low or arrival.late_rise_db > ONSET.faint_late_db):
                faint.append(replace(onset, confidence=min(onset.confidence, ONSET.faint_confidence)))
        elif is_low:
            low.append(onset)
        else:
            last = begin, arrival.frame
            # Where a hand came down and then strummed, the strum counts.
            found = [one for one in found if hand_s is None or abs(one.at_s - hand_s) > 1e-6]
            found.append(onset)
    for one in low:
        if all(abs(one.at_s - onset.at_s) > PEAK.low_apart_s for onset in found):
            found.append(one)
    changes_db = band_changes_db(samples, rate_hz)
    faint = [onset for onset in faint
             if change_near_db(changes_db, onset.at_s - chunk.start_s, ONSET.faint_near_s) > CHANGE.least_db]
    known_s = [onset.at_s - chunk.start_s for onset in (*found, *faint)]
    light = [_onset_of(chunk, frame, 0.0, ONSET.faint_confidence)
             for frame in light_strokes(samples, rate_hz, changes_db, (PEAK.low_apart_s, known_s))]
    light = [one for one in light if all(abs(one.at_s - onset.at_s) > PEAK.low_apart_s for onset in (*found, *faint))]
    known_s += [onset.at_s - chunk.start_s for onset in light]
    added = [_onset_of(chunk, frame, rise_db, ONSET.faint_confidence)
             for frame, rise_db in added_strokes(samples, rate_hz, curve, (PEAK.low_apart_s, known_s))]
    start_s, stop_s = chunk.core_s
    joined = _join_rakes(chunk, residual, sorted(found, key=lambda onset: onset.at_s))
    faint_, light_, added_ = (Onsets.of(one for one in listed if start_s <= one.at_s < stop_s)
                              for listed in (faint, light, added))
    return Detection.of([one for one in joined if start_s <= one.at_s < stop_s],
                        [at_s for at_s in doubtful if start_s <= at_s < stop_s],
                        faint=faint_, light=light_, added=added_)


def _join_rakes(chunk: Chunk, residual: FloatArray, found: list[Onset]) -> list[Onset]:
    """Onsets with the duration of their rakes, without those that are later strings of a rake."""
    samples, rate_hz = chunk.samples, chunk.rate_hz
    kept: list[tuple[Onset, int]] = []
    for onset in found:
        frame = round((onset.at_s - chunk.start_s) * rate_hz)
        if not kept or not is_same_rake(samples, kept[-1][1], frame, rate_hz):
            kept.append((onset, frame))
    ends = [*(frame for _, frame in kept[1:]), None]
    return [replace(onset, rake_ms=rake_duration_ms(samples, residual, frame, ends[n], rate_hz))
            for n, (onset, frame) in enumerate(kept)]


def _onset_of(chunk: Chunk, frame: int, rise_db: float, confidence: float, doubt: tuple[int, int] = (0, 0)) -> Onset:
    """The onset at a frame; `doubt` is by how many frames it may be earlier and later."""
    after = chunk.samples[frame : frame + round(0.06 * chunk.rate_hz)]
    level_db = float(10 * np.log10(np.mean(after**2) + 1e-14)) if len(after) else -140.0
    ms = chunk.rate_hz / 1000
    before = chunk.samples[max(frame - round(40 * ms), 0) : max(frame - round(4 * ms), 1)]
    before_db = float(10 * np.log10(np.mean(before**2) + 1e-14))
    return Onset(float(chunk.start_s + frame / chunk.rate_hz), confidence, rise_db, level_db,
                 chroma_after(chunk.samples, frame, chunk.rate_hz), 0.0, before_db, doubt[0] / ms, doubt[1] / ms)

"""Whether two takes are one performance: a copy, shifted, changed in gain, or with inverted polarity.

The loudest three-second stretches of one take are searched for in the other by cross-correlation between 120 Hz and
1.4 kHz. Two performances, however tight, differ by milliseconds that change from strum to strum, so their stretches do
not correlate at one common offset. Offsets are seconds (positive: the other take is later), gains dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.defects.judgement import Judgement
from layerpipe.analysis.defects.pitch.low_band import Decimator
from layerpipe.analysis.defects.single_pass import KeptSteps
from layerpipe.core.sound import Float32Array, FloatArray, Sound
from layerpipe.dsp.fft import next_fast_length
from layerpipe.dsp.loudness.bs1770 import step_start


@dataclass(frozen=True)
class CopyLimits:
    """How takes are compared, and when one is a copy."""

    stretch_s: float = 3.0
    """Longer than a bar, so that a repeated strum is not enough."""
    reach_s: float = 2.5
    """A copy shifted further would not pass for a double."""
    stretches: int = 6
    band_hz: tuple[float, float] = (120.0, 1400.0)
    """No hum, no rumble, and what the reduced sound still holds."""
    same_place_s: float = 0.0015
    """Offsets of two stretches that count as one; players scatter by more."""
    as_good: float = 0.995
    """Of the highest correlation: of a sound that repeats itself, places a period apart differ by less. They do differ,
    because a period is no whole number of the samples that are compared."""
    agreeing: float = 0.6
    """Share of the stretches that must have the common offset."""


@dataclass(frozen=True)
class Similarity:
    """How similar two takes are."""

    correlation: float
    """Signed median of the stretches at the common offset."""
    offset_s: float
    gain_db: float
    agreeing: int
    stretches: int


def judge(evidence: Similarity | None, correlation: float) -> Judgement:
    """Decide whether two takes are one performance; `correlation` is the least that counts."""
    if evidence is None:
        return Judgement(False, "nothing to compare")
    if abs(evidence.correlation) <= correlation:
        return Judgement(False, "stretches do not correlate")
    if evidence.agreeing < max(1, round(CopyLimits.agreeing * evidence.stretches)):
        return Judgement(False, "stretches correlate at different offsets")
    return Judgement(True, "one offset, and the same wave")


def measure_similarity(one: Sound, other: Sound, within_s: tuple[float, float] = (0.0, math.inf), *,
                       steps: KeptSteps) -> Similarity | None:
    """Compare two takes of one rate; None where nothing sounds.

    Parameters
    ----------
    one, other : Sound
        Of any lengths.
    within_s : (float, float)
        Seconds of the first between which stretches are compared.
    steps : KeptSteps
        Of the first.
    """
    limits, rate = CopyLimits(), one.rate_hz
    places = _loudest(one, steps.mid_power, limits, within_s)
    if not places or other.frames < rate // 4:
        return None
    found = []
    reduce = Decimator(rate)
    for start in places:
        stop = min(start + round(limits.stretch_s * rate), one.frames)
        reach = round(limits.reach_s * rate) // reduce.factor * reduce.factor
        piece = _band(reduce.stretch(one, start, stop), reduce.rate_hz, limits)
        field = _band(reduce.stretch(other, start - reach, stop + reach), reduce.rate_hz, limits)
        match = best_match(piece, field, reach // reduce.factor)
        if match is not None:
            correlation, at, gain = match
            found.append((correlation, at / reduce.rate_hz - reach / rate, gain))
    if not found:
        return None
    rows = np.array(found)
    # The offset that is best supported. A median could lie between two, where none is.
    together = np.abs(rows[:, 1] - rows[:, 1:2]) < limits.same_place_s
    agree = together[int(np.argmax(together @ np.abs(rows[:, 0])))]
    correlations, offsets, gains = rows[agree].T
    sign = 1.0 if np.sum(correlations) >= 0 else -1.0
    gain = float(np.median(np.abs(gains)))
    return Similarity(sign * float(np.median(np.abs(correlations))), float(np.median(offsets)),
                      20 * math.log10(gain) if gain > 0 else -math.inf, int(np.count_nonzero(agree)), len(rows))


def _loudest(sound: Sound, power: Float32Array, limits: CopyLimits, within_s: tuple[float, float]) -> list[int]:
    """First samples of the loudest stretches, from all parts of the take."""
    first = max(round(within_s[0] * 100), 0)
    energy = power[first : round(min(within_s[1], sound.frames / sound.rate_hz) * 100)]
    width = min(round(limits.stretch_s * 100), len(energy))
    if not width or not energy.any():
        return []
    running = np.concatenate([[0.0], np.cumsum(energy, dtype=np.float64)])
    places: list[int] = []
    for part in np.array_split(np.arange(len(energy) - width + 1), limits.stretches):
        if len(part):
            best = first + int(part[int(np.argmax(running[part + width] - running[part]))])
            start = step_start(best, sound.rate_hz)
            if not places or start - places[-1] > sound.rate_hz:
                places.append(start)
    return places


def _band(low: FloatArray, rate_hz: float, limits: CopyLimits) -> FloatArray:
    """The band that is compared."""
    spectrum = np.fft.rfft(low)
    hz = np.fft.rfftfreq(len(low), 1 / rate_hz)
    spectrum[(hz < limits.band_hz[0]) | (hz > limits.band_hz[1])] = 0.0
    return np.fft.irfft(spectrum, len(low))


def best_match(piece: FloatArray, field: FloatArray, meant: int | None = None) -> tuple[float, float, float] | None:
    """Highest correlation (signed), its place in samples and parts of them, and the other take's gain there; of places
    that match as well, the one nearest to where it is `meant` to be."""
    energy = float(piece @ piece)
    if energy <= 1e-12 or len(field) < len(piece):
        return None
    # Circular: of the places that are looked at none wraps around.
    size = next_fast_length(len(field))
    count = len(field) - len(piece) + 1
    product = np.fft.irfft(np.fft.rfft(field, size) * np.conj(np.fft.rfft(piece, size)), size)[:count]
    running = np.concatenate([[0.0], np.cumsum(field * field)])
    around = np.maximum(running[len(piece) :] - running[: -len(piece)], 0.0)[:count]
    measure = product / np.sqrt(energy * np.maximum(around, 1e-4 * around.max() + 1e-20))
    strength = np.abs(measure)
    at = int(np.argmax(strength))
    if meant is not None:
        around_it = np.pad(strength, 1)
        is_peak = (strength >= around_it[:-2]) & (strength >= around_it[2:])
        as_good = np.flatnonzero(is_peak & (strength >= CopyLimits.as_good * strength[at]))
        at = int(as_good[np.argmin(np.abs(as_good - meant))])
    shift = 0.0
    if 0 < at < count - 1:
        left, top, right = strength[at - 1 : at + 2]
        bend = left - 2 * top + right
        shift = float(0.5 * (left - right) / bend) if bend < -1e-12 else 0.0
    # A copy shifted by part of a reduced sample correlates in full between two of them.
    across = np.fft.rfft(field[at : at + len(piece)])
    turned = across * np.exp(2j * np.pi * shift * np.arange(len(across)) / len(piece))
    there = np.fft.irfft(turned, len(piece))
    inner = float(there @ piece)
    whole = inner / np.sqrt(energy * max(float(there @ there), 1e-20))
    best = whole if abs(whole) > abs(measure[at]) else float(measure[at])
    return best, at + shift, inner / energy

"""Whether two takes are one performance: a copy, shifted, turned up or down, or upside down.

The loudest three-second stretches of one take are looked for in the other by cross-correlation of what lies between
120 Hz and 1.4 kHz. Two performances, however tight, differ by milliseconds that differ from strum to strum, so their
stretches do not correlate at one common offset. Offsets are frames (positive: the other one is later), gains dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.defects.low_band import Decimator
from layerpipe.analysis.defects.single_pass import Heard
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.loudness import step_start

STRETCH_S, REACH_S = 3.0, 2.5
MOST_STRETCHES = 6
BAND_HZ = (120.0, 1400.0)
SAME_PLACE_S = 0.0015


@dataclass(frozen=True)
class Similarity:
    """How like two takes are: correlation (signed, median of the stretches), offset in s, gain in dB, stretches."""

    correlation: float
    offset_s: float
    gain_db: float
    agreeing: int
    stretches: int


def similarity(one: Sound, other: Sound, heard: Heard) -> Similarity | None:
    """Compare two takes of one rate; None where nothing sounds.

    Parameters
    ----------
    one, other : Sound
    heard : Heard
        Of the first.
    """
    rate = one.rate_hz
    places = _loudest(heard)
    if not places or other.frames < rate // 4:
        return None
    found = []
    reduce = Decimator(rate)
    for start in places:
        stop = min(start + round(STRETCH_S * rate), one.frames)
        reach = round(REACH_S * rate) // reduce.factor * reduce.factor
        piece = _band(reduce.stretch(one, start, stop), reduce.rate_hz)
        field = _band(reduce.stretch(other, start - reach, stop + reach), reduce.rate_hz)
        match = _best(piece, field)
        if match is not None:
            correlation, at, gain = match
            found.append((correlation, at / reduce.rate_hz - reach / rate, gain))
    if not found:
        return None
    rows = np.array(found)
    strongest = rows[np.argsort(-np.abs(rows[:, 0]))[: max(1, len(rows) // 2)]]
    offset = float(np.median(strongest[:, 1]))
    agree = np.abs(rows[:, 1] - offset) < SAME_PLACE_S
    middle = float(np.median(np.abs(rows[agree, 0]))) if agree.any() else 0.0
    sign = 1.0 if np.sum(rows[agree, 0]) >= 0 else -1.0
    gain = float(np.median(np.abs(rows[agree, 2]))) if agree.any() else 0.0
    return Similarity(sign * middle, offset, 20 * math.log10(gain) if gain > 0 else -math.inf,
                    int(np.count_nonzero(agree)), len(rows))


def _loudest(heard: Heard) -> list[int]:
    """First frames of the loudest stretches, from all over the take."""
    energy = heard.steps.mid_power
    width = min(round(STRETCH_S * 100), len(energy))
    if not width or not energy.any():
        return []
    running = np.concatenate([[0.0], np.cumsum(energy, dtype=np.float64)])
    places: list[int] = []
    for part in np.array_split(np.arange(len(energy) - width + 1), MOST_STRETCHES):
        if len(part):
            best = int(part[int(np.argmax(running[part + width] - running[part]))])
            start = step_start(best, heard.rate_hz)
            if not places or start - places[-1] > heard.rate_hz:
                places.append(start)
    return places


def _band(low: FloatArray, rate_hz: float) -> FloatArray:
    """What lies between 120 Hz and 1.4 kHz."""
    spectrum = np.fft.rfft(low)
    hz = np.fft.rfftfreq(len(low), 1 / rate_hz)
    spectrum[(hz < BAND_HZ[0]) | (hz > BAND_HZ[1])] = 0.0
    return np.fft.irfft(spectrum, len(low))


def _best(piece: FloatArray, field: FloatArray) -> tuple[float, float, float] | None:
    """Highest correlation (signed), where (samples, between them too), and the gain of the other take there."""
    energy = float(piece @ piece)
    if energy <= 1e-12 or len(field) < len(piece):
        return None
    size = 1 << (len(field) + len(piece)).bit_length()
    count = len(field) - len(piece) + 1
    product = np.fft.irfft(np.fft.rfft(field, size) * np.conj(np.fft.rfft(piece, size)), size)[:count]
    running = np.concatenate([[0.0], np.cumsum(field * field)])
    around = np.maximum(running[len(piece) :] - running[: -len(piece)], 0.0)[:count]
    measure = product / np.sqrt(energy * np.maximum(around, 1e-4 * around.max() + 1e-20))
    at = int(np.argmax(np.abs(measure)))
    shift = 0.0
    if 0 < at < count - 1:
        left, top, right = np.abs(measure[at - 1 : at + 2])
        bend = left - 2 * top + right
        shift = float(0.5 * (left - right) / bend) if bend < -1e-12 else 0.0
    # A copy shifted by a part of a low sample correlates in full between two of them.
    across = np.fft.rfft(field[at : at + len(piece)])
    turned = across * np.exp(2j * np.pi * shift * np.arange(len(across)) / len(piece))
    there = np.fft.irfft(turned, len(piece))
    inner = float(there @ piece)
    whole = inner / np.sqrt(energy * max(float(there @ there), 1e-20))
    best = whole if abs(whole) > abs(measure[at]) else float(measure[at])
    return best, at + shift, inner / energy

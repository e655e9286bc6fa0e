"""Tempo, meter and bar 1, estimated from onsets alone.

Pulse: the period at which all onsets, weighted by confidence, add up in phase, over all takes together; the longer the
song, the sharper the sum. Circular statistics: Fisher, 1993. Which pulses are bars and beats: `meter`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.metronome.ticks import Metronome
from layerpipe.analysis.onsets.onset import Detection, Onsets
from layerpipe.analysis.timing.grid.count_in import CountIn, count_in_of
from layerpipe.analysis.timing.grid.meter import PulseTrain, candidates_of, odds_of
from layerpipe.core.sound import Float32Array, FloatArray

FEWEST_ONSETS = 12
MOST_LISTED, LEAST_ODDS = 4, 0.01
"""Estimates that are given at most, and what they have at least; the first is always given."""


@dataclass(frozen=True)
class PulseSettings:
    """The pulse."""

    period_s: tuple[float, float] = (0.11, 0.75)  # sixteenths at 136 to quarters at 80 beats per minute
    nearly_as_good: float = 0.88  # every multiple of the rate fits too; the slowest this good is the pulse


@dataclass(frozen=True)
class DoubtLimits:
    """When a tempo is uncertain or wrong."""

    sure: float = 0.98  # odds of tempo, meter and bar 1 together; from there on 1,063 of 1,068 are right (bench_tempo)
    sure_bars: float = 8.0  # fewer bars repeat too little
    click_share: float = 0.005  # a pulse that is so near to a part or multiple of a metronome's is that
    sure_fit: float = 0.75  # phase strength of the pulse; below, the onsets are on no grid
    inaudible_drift_s: float = 0.008  # over the song; a whole number of beats per minute this near is meant
    audible_drift_s: float = 0.03  # over the song; tempos that drift apart less are the same
    wrong_below: float = 0.45  # phase strength of the recipe's tempo
    better_by: float = 0.3  # phase strength of another tempo over the recipe's
    drift_ms: float = 6.0  # from each quarter of the song to the next


PULSE, DOUBT = PulseSettings(), DoubtLimits()
_RATES_AT_ONCE, _SPREAD = 4096, 12
"""Of the search for a pulse; points of a grid to either side of an onset."""
_PULSES_IN_A_BEAT = {2: (0.5, 1, 2, 4, 8), 3: (1, 3, 6, 12)}


@dataclass(frozen=True)
class TempoEstimate:
    """Beats per minute, meter and seconds of bar 1."""

    tempo: float
    meter: str
    bar_one_s: float
    odds: float
    """Probability (0 to 1) of tempo and meter, of all that were considered."""
    sure: bool = False
    """Whether nothing else explains what is played, bar 1 included."""


def round_tempo(tempo: float, span_s: float) -> float:
    """The nearest whole tempo if onsets over `span_s` seconds could not tell the two apart, else three decimals."""
    whole = float(round(tempo))
    return whole if abs(whole / tempo - 1) * span_s < DOUBT.inaudible_drift_s else round(tempo, 3)


def phase_strength(times_s: FloatArray, weights: FloatArray, period_s: float) -> complex:
    """Mean of unit vectors at the phases of onsets; its size is 1 if all are on a grid of this period."""
    return complex(np.sum(weights * np.exp(2j * np.pi * times_s / period_s)) / np.sum(weights))


def find_pulse(times_s: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """The longest period (s) whose grid the onsets are on, and how well they fit it (0 to 1)."""
    span = float(times_s.max() - times_s.min())
    low, high = 1 / PULSE.period_s[1], 1 / PULSE.period_s[0]
    step = 0.2 / max(span, 1.0)
    strength = _strengths(times_s, weights, low, step, math.ceil((high - low) / step))
    peaks = np.flatnonzero((strength[1:-1] >= strength[:-2]) & (strength[1:-1] >= strength[2:])) + 1
    if not len(peaks):
        return 1 / float(np.arange(low, high, step)[int(np.argmax(strength))]), float(strength.max())
    best = float(strength[peaks].max())
    chosen = next(int(n) for n in peaks if strength[n] >= PULSE.nearly_as_good * best)
    rate = float(np.arange(low, high, step)[chosen])
    fine = np.linspace(rate - step / 2, rate + step / 2, 41)
    sizes = [abs(phase_strength(times_s, weights, 1 / one)) for one in fine]
    return 1 / float(fine[int(np.argmax(sizes))]), float(max(sizes))


def _strengths(times_s: FloatArray, weights: FloatArray, lowest: float, step: float, count: int) -> FloatArray:
    """Size of the phase strength at evenly spaced rates, to 1e-11, shape (count,).

    A Fourier transform of moments that are not evenly spaced: onsets are spread over points of a grid by a Gaussian,
    and what that does to the sums is undone. Greengard and Lee, Accelerating the nonuniform fast Fourier transform,
    SIAM Review 46, 2004; formulas from memory, with their grid of twice as many points as rates.
    """
    points, at_s = 2 * _RATES_AT_ONCE, times_s - times_s.min()
    nearest = np.floor(at_s * step * points)
    past = at_s * step * points - nearest
    number = np.arange(-_RATES_AT_ONCE // 2, _RATES_AT_ONCE // 2)
    narrow = 3 * np.pi / _SPREAD  # of the Gaussian over the grid, exp(-narrow / 4 * points**2)
    undo = np.exp(number**2 * 4 * np.pi**2 / narrow / points**2) * np.sqrt(narrow / (4 * np.pi))
    strengths = np.zeros(count)
    for first in range(0, count, _RATES_AT_ONCE):
        vectors = weights * np.exp(2j * np.pi * at_s * (lowest + (first + _RATES_AT_ONCE // 2) * step))
        grid = np.zeros(points, np.complex128)
        for near in range(1 - _SPREAD, _SPREAD + 1):
            spread, place = np.exp((past - near) ** 2 * -narrow / 4), (nearest + near).astype(np.intp) % points
            grid.real += np.bincount(place, spread * vectors.real, points)
            grid.imag += np.bincount(place, spread * vectors.imag, points)
        sums = np.fft.ifft(grid, norm="forward")[number]
        strengths[first : first + _RATES_AT_ONCE] = (np.abs(sums) * undo)[: count - first]
    strengths /= weights.sum()
    return strengths


def estimate_tempo(takes: Sequence[Detection]) -> list[TempoEstimate]:
    """Estimate tempo, meter and bar 1; a count-in is used for the tempo and is not the song.

    Parameters
    ----------
    takes : sequence of Detection
        All takes of one song. If some have a metronome, the grid is that of the one with the most ticks, if the takes
        follow it.

    Returns
    -------
    list of TempoEstimate
        Up to four, the most likely first; empty with too few onsets.
    """
    counts = [count_in_of(take.onsets) for take in takes]
    played = Onsets.joined([take.onsets[count.strokes :] for take, count in zip(takes, counts, strict=True)])
    if len(played) < FEWEST_ONSETS:
        return []
    chroma = np.concatenate([take.chroma[count.strokes :] for take, count in zip(takes, counts, strict=True)])
    click = max((take.metronome for take in takes if take.metronome), key=lambda one: one.ticks, default=None)
    train, fit = pulse_train(played, chroma, len(takes), click)
    found = candidates_of(train)
    if not found.meter:
        return []
    starts_s = train.start_s + found.first * train.period_s
    counted = [count for count in counts if count.strokes]
    odds = odds_of(found, train.period_s, starts_s, [*counted, *([CountIn(0, click.apart_s)] if click else [])])
    groups: dict[tuple[str, float], list[int]] = {}
    for n, key in enumerate(zip(found.meter, found.tempo.tolist(), strict=True)):
        groups.setdefault(key, []).append(n)
    span_s = len(train.strength) * train.period_s
    estimates = []
    for (meter, tempo), members in groups.items():
        best = members[int(np.argmax(odds[members]))]
        rounded = round_tempo(tempo, span_s)
        # The middle of the song keeps its place on the grid.
        middle_s = train.start_s + span_s / 2
        bar_one_s = middle_s - (middle_s - starts_s[best]) * tempo / rounded
        estimates.append(TempoEstimate(rounded, meter, round(max(float(bar_one_s), 0.0), 4),
                                       round(float(odds[members].sum()), 3),
                                       bool(odds[best] >= DOUBT.sure and fit >= DOUBT.sure_fit
                                            and len(train.strength) >= DOUBT.sure_bars * found.bar_pulses[best])))
    first, *rest = sorted(estimates, key=lambda estimate: -estimate.odds)
    return [first, *(one for one in rest[: MOST_LISTED - 1] if one.odds >= LEAST_ODDS)]


def pulse_train(onsets: Onsets, chroma: Float32Array, takes: int,
                click: Metronome | None = None) -> tuple[PulseTrain, float]:
    """Assign onsets to pulses.

    Parameters
    ----------
    onsets : Onsets
        Of all takes.
    chroma : np.ndarray [shape=(onsets, 12), float32]
    takes : int
        How many there are.
    click : Metronome, optional
        Pulses are parts or multiples of its ticks, if the onsets follow it.

    Returns
    -------
    (train, fit)
        The pulses, and how well onsets fit them (0 to 1).
    """
    times, weights, levels = onsets.at_s, onsets.confidence + 1e-3, onsets.level_db
    period_s, fit = find_pulse(times, weights)
    phase_s = np.angle(phase_strength(times, weights, period_s)) / (2 * np.pi) * period_s
    if click is not None:
        ratio = click.apart_s / period_s
        whole = round(ratio) if ratio > 1 else 1 / round(1 / ratio)
        if abs(ratio / whole - 1) < DOUBT.click_share:
            period_s = click.apart_s / whole
            phase_s = np.float64(click.first_s % period_s)
    number = np.round((times - phase_s) / period_s).astype(int)
    first = int(number.min())
    loudness = np.clip((levels - np.percentile(levels, 95)) / 30 + 1, 0.05, 1.2)
    strength = np.zeros(number.max() - first + 1)
    np.add.at(strength, number - first, loudness * weights / takes)
    chroma_of_pulses = np.zeros((len(strength), 12))
    np.add.at(chroma_of_pulses, number - first, chroma)
    return PulseTrain(strength, chroma_of_pulses, first * period_s + phase_s, period_s), fit


def find_other_tempo(times_s: FloatArray, weights: FloatArray, offsets_ms: FloatArray, tempo: float,
                     pulses_per_beat: int) -> float | None:
    """The tempo that is played, if it plainly is not the recipe's; else None.

    Parameters
    ----------
    times_s, weights, offsets_ms : np.ndarray [shape=(onsets,)]
        Onsets, their confidence, their distance from the nearest grid point.
    tempo : float
        Of the recipe, beats per minute.
    pulses_per_beat : int
        Eighths in a beat: 2, or 3 in a compound meter.
    """
    if len(times_s) < FEWEST_ONSETS:
        return None
    strength = abs(phase_strength(times_s, weights, 60 / tempo / (2 * pulses_per_beat)))
    drifting = _drifts(times_s, offsets_ms)
    if strength >= DOUBT.wrong_below and not drifting:
        return None
    found_s, fit = find_pulse(times_s, weights)
    span_s = float(np.ptp(times_s))
    # A pulse that divides the recipe's beat evenly, also by three, agrees with it.
    if any(abs(60 / (found_s * pulses) / tempo - 1) * span_s <= DOUBT.audible_drift_s
           for pulses in (*_PULSES_IN_A_BEAT[2], *_PULSES_IN_A_BEAT[3])):
        return None
    beats_s = [found_s * pulses for pulses in _PULSES_IN_A_BEAT[pulses_per_beat]]
    likely = 60 / min(beats_s, key=lambda beat_s: abs(np.log(beat_s * tempo / 60)))
    if fit < strength + DOUBT.better_by and not (drifting and fit > strength):
        return None
    return round_tempo(float(likely), span_s)


def _drifts(times_s: FloatArray, offsets_ms: FloatArray) -> bool:
    """Whether offsets grow steadily in one direction."""
    quarters = [part for part in np.array_split(offsets_ms[np.argsort(times_s)], 4) if len(part) > 3]
    steps = np.diff([float(np.median(part)) for part in quarters])
    return bool(len(steps) == 3 and (np.all(steps > DOUBT.drift_ms) or np.all(steps < -DOUBT.drift_ms)))

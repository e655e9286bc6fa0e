"""Tempo, meter and bar 1, estimated from onsets alone.

Pulse: the period at which all onsets, weighted by confidence, add up in phase, over all takes together; the longer the
song, the sharper the sum. Meter: the grouping of pulses whose places differ most in how often and how loud they are
played. Both are estimates with a confidence from 0 to 1. Circular statistics: Fisher, 1993.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.onsets.chroma import two_bar_harmony
from layerpipe.analysis.onsets.detect import Onset
from layerpipe.core.sound import FloatArray

FEWEST_ONSETS = 12
METERS = {"4/4": (8, 2), "3/4": (6, 2), "6/8": (6, 3), "12/8": (12, 3)}
"""Pulses in a bar, pulses in a beat, where a pulse is an eighth."""


@dataclass(frozen=True)
class PulseSettings:
    """The pulse."""

    period_s: tuple[float, float] = (0.11, 0.75)  # sixteenths at 136 to quarters at 80 beats per minute
    nearly_as_good: float = 0.88  # every multiple of the rate fits too; the slowest this good is the pulse


@dataclass(frozen=True)
class MeterPriors:
    """What is likely before anything is analysed; common practice, no source."""

    three_four: float = 0.95  # relative to 4/4 and 6/8
    twelve_eight: float = 0.84  # where the halves of a bar are alike, it is 6/8
    halved: float = 0.95  # the pulse is a sixteenth
    tempo_range: tuple[float, float] = (40.0, 190.0)  # beats per minute
    usual_simple: float = 88.0  # beats per minute that songs have most often
    usual_compound: float = 60.0
    tempo_octaves: float = 0.7  # standard deviation around the usual tempo
    begins_on_one: float = 0.1  # most songs begin on a downbeat: weight of the first pulse
    two_bar_contrast: float = 0.5  # if harmony changes this much more at every second bar line of 6/8,
    two_bar_factor: float = 1.3  # 12/8 is this much likelier


@dataclass(frozen=True)
class DoubtLimits:
    """When a tempo is uncertain or wrong."""

    close_rival: float = 0.85  # the second estimate has this share of the first one's confidence
    inaudible_drift_s: float = 0.008  # over the song; a whole number of beats per minute this near is meant
    audible_drift_s: float = 0.03  # over the song; tempos that drift apart less are the same
    wrong_below: float = 0.45  # phase strength of the recipe's tempo
    better_by: float = 0.3  # phase strength of another tempo over the recipe's
    drift_ms: float = 6.0  # from each quarter of the song to the next


PULSE, PRIORS, DOUBT = PulseSettings(), MeterPriors(), DoubtLimits()
_METER_PRIOR = {"3/4": PRIORS.three_four, "12/8": PRIORS.twelve_eight}
_PULSES_IN_A_BEAT = {2: (0.5, 1, 2, 4, 8), 3: (1, 3, 6, 12)}


@dataclass(frozen=True)
class TempoEstimate:
    """Beats per minute, meter, seconds of bar 1, confidence (0 to 1)."""

    tempo: float
    meter: str
    bar_one_s: float
    confidence: float


def is_ambiguous(estimates: Sequence[TempoEstimate]) -> bool:
    """Whether the second estimate is nearly as likely as the first."""
    return len(estimates) > 1 and estimates[1].confidence > DOUBT.close_rival * estimates[0].confidence


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
    rates = np.arange(low, high, 0.2 / max(span, 1.0))
    strength = _strengths(times_s, weights, rates)
    peaks = np.flatnonzero((strength[1:-1] >= strength[:-2]) & (strength[1:-1] >= strength[2:])) + 1
    if not len(peaks):
        return 1 / float(rates[int(np.argmax(strength))]), float(strength.max())
    best = float(strength[peaks].max())
    rate = float(rates[next(int(n) for n in peaks if strength[n] >= PULSE.nearly_as_good * best)])
    step = 0.1 / max(span, 1.0)
    fine = np.linspace(rate - step, rate + step, 41)
    sizes = [abs(phase_strength(times_s, weights, 1 / one)) for one in fine]
    return 1 / float(fine[int(np.argmax(sizes))]), float(max(sizes))


def _strengths(times_s: FloatArray, weights: FloatArray, rates: FloatArray) -> FloatArray:
    """Size of the phase strength at evenly spaced rates: each step turns every onset's vector by its own angle."""
    vectors = weights * np.exp(2j * np.pi * times_s * rates[0])
    turn = np.exp(2j * np.pi * times_s * (rates[1] - rates[0]))
    sums = np.empty(len(rates), np.complex128)
    for n in range(len(rates)):
        sums[n] = vectors.sum()
        vectors *= turn
    sizes: FloatArray = np.abs(sums) / weights.sum()
    return sizes


@dataclass(frozen=True)
class _PulseTrain:
    """How strongly each pulse of a song is played."""

    strength: FloatArray
    chroma: FloatArray
    """Shape (pulses, 12)."""
    start_s: float
    """Time of the first pulse."""
    first: int
    """Its number, counted from the phase."""
    phase_s: float
    period_s: float
    fit: float


def estimate_tempo(takes: Sequence[Sequence[Onset]]) -> list[TempoEstimate]:
    """Estimate tempo, meter and bar 1.

    Parameters
    ----------
    takes : sequence of sequences of Onset
        All takes of one song.

    Returns
    -------
    list of TempoEstimate
        Up to four, the most likely first; empty with too few onsets.
    """
    onsets = [onset for take in takes for onset in take]
    if len(onsets) < FEWEST_ONSETS:
        return []
    train = _pulse_train(onsets, len(takes))
    estimates = [estimate for halves in (1, 2) for meter in METERS
                 if (estimate := _fit_meter(train, meter, halves)) is not None]
    estimates = _weigh_harmony(estimates, train)
    estimates.sort(key=lambda estimate: -estimate.confidence)
    best = estimates[0].confidence if estimates else 1.0
    return [replace(one, confidence=round(one.confidence / max(best, 1.0), 3)) for one in estimates[:4]]


def _pulse_train(onsets: Sequence[Onset], takes: int) -> _PulseTrain:
    """Assign onsets to pulses."""
    times = np.array([onset.at_s for onset in onsets])
    weights = np.array([onset.confidence for onset in onsets]) + 1e-3
    levels = np.array([onset.level_db for onset in onsets])
    period_s, fit = find_pulse(times, weights)
    phase_s = np.angle(phase_strength(times, weights, period_s)) / (2 * np.pi) * period_s
    number = np.round((times - phase_s) / period_s).astype(int)
    first = int(number.min())
    loudness = np.clip((levels - np.percentile(levels, 95)) / 30 + 1, 0.05, 1.2)
    strength = np.zeros(number.max() - first + 1)
    np.add.at(strength, number - first, loudness * weights / takes)
    chroma = np.zeros((len(strength), 12))
    for onset, at in zip(onsets, number - first, strict=True):
        if onset.chroma:
            chroma[at] += onset.chroma
    return _PulseTrain(strength, chroma, first * period_s + phase_s, first, phase_s, period_s, fit)


def _weigh_harmony(estimates: list[TempoEstimate], train: _PulseTrain) -> list[TempoEstimate]:
    """Prefer 12/8 to the 6/8 of the same tempo where chords last for two bars of 6/8."""
    weighed = []
    for estimate in estimates:
        short = next((one for one in estimates
                      if one.meter == "6/8" and abs(one.tempo / estimate.tempo - 1) < 0.01), None)
        if estimate.meter == "12/8" and short is not None:
            pulse_s = 60 / estimate.tempo / 3
            first = round((short.bar_one_s - train.start_s) / pulse_s)
            whole = (len(train.chroma) - first) // 6
            pulses = train.chroma[first : first + 6 * whole] if first >= 0 else train.chroma[:0]
            contrast, odd = two_bar_harmony(pulses.reshape(-1, 6, 12).sum(axis=1))
            if contrast > PRIORS.two_bar_contrast:
                estimate = replace(estimate, confidence=PRIORS.two_bar_factor * estimate.confidence,
                                   bar_one_s=round(short.bar_one_s + 6 * odd * pulse_s, 4))
        weighed.append(estimate)
    return weighed


def _fit_meter(train: _PulseTrain, meter: str, halves: int) -> TempoEstimate | None:
    """How well a meter explains where and how loud the pulses are played; a pulse is an eighth over `halves`."""
    bar, beat = (pulses * halves for pulses in METERS[meter])
    strength, period_s = train.strength, train.period_s
    tempo = 60 / (period_s * beat)
    if len(strength) < 2 * bar or not PRIORS.tempo_range[0] <= tempo <= PRIORS.tempo_range[1]:
        return None
    whole = len(strength) // bar * bar
    folded = strength[:whole].reshape(-1, bar)
    profile = folded.mean(axis=0)
    explained = 1 - np.sum((folded - profile) ** 2) / (np.sum((folded - folded.mean()) ** 2) + 1e-12)
    # A longer bar explains more by chance alone: the adjusted coefficient of determination.
    adjusted = 1 - (1 - explained) * (whole - 1) / max(whole - bar, 1)
    # The downbeat is the loudest place whose beats are louder than what is between them.
    turned = [np.roll(profile, -shift) for shift in range(bar)]
    scores = [float(one[0] + 0.5 * one[::beat].mean() - 0.5 * np.delete(one, np.arange(0, bar, beat)).mean())
              for one in turned]
    scores[0] += PRIORS.begins_on_one * float(profile.max())
    shift = int(np.argmax(scores))
    contrast = scores[shift] / (profile.max() + 1e-9)
    first = shift
    # At most a pick-up of half a bar precedes the first bar.
    if first > bar // 2 and strength[:first].max(initial=0.0) > 0.3 * profile.max():
        first -= bar
    usual = PRIORS.usual_compound if beat % 3 == 0 else PRIORS.usual_simple
    tempo_prior = float(np.exp(-0.5 * (np.log2(tempo / usual) / PRIORS.tempo_octaves) ** 2))
    meter_prior = _METER_PRIOR.get(meter, 1.0) * (1.0 if halves == 1 else PRIORS.halved)
    confidence = float(np.clip(train.fit, 0, 1) * max(adjusted, 0.0) * np.clip(contrast, 0, 1.5) / 1.5
                       * tempo_prior * meter_prior)
    bar_one_s = float((train.first + first) * period_s + train.phase_s)
    if bar_one_s < -0.25 * period_s:
        bar_one_s += bar * period_s
    rounded = round_tempo(tempo, len(strength) * period_s)
    # The middle of the song keeps its place on the grid.
    middle_s = (train.first + len(strength) / 2) * period_s + train.phase_s
    bar_one_s = middle_s - (middle_s - bar_one_s) * tempo / rounded
    return TempoEstimate(rounded, meter, round(max(bar_one_s, 0.0), 4), confidence)


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

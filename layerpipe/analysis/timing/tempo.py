"""Tempo, meter and the place of bar 1, from nothing but onsets.

Pulse: the period at which onsets, weighed by how sure they are, add up in phase, over all takes together; the sum is
as sharp as the song is long. Meter: the grouping of pulses whose places differ most in how often and how hard they
are struck. Both are guesses and say how sure they are (0 to 1). Circular statistics: Fisher, 1993.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from layerpipe.analysis.onsets.chroma import every_other
from layerpipe.analysis.onsets.detect import Onset
from layerpipe.core.sound import FloatArray

PULSES_S = (0.11, 0.75)
NEARLY_AS_GOOD = 0.88
METERS = {"4/4": (8, 2), "3/4": (6, 2), "6/8": (6, 3), "12/8": (12, 3)}
"""Pulses in a bar, pulses in a beat, where a pulse is an eighth."""
LIKELIHOOD = {"4/4": 1.0, "6/8": 1.0, "3/4": 0.95, "12/8": 0.84}
"""Before anything is heard: where a bar's halves are alike it is 6/8, not 12/8. Common practice, no source."""
BEATS_PER_MINUTE = (40.0, 190.0)
USUAL_SIMPLE, USUAL_COMPOUND = 88.0, 60.0
"""Beats per minute that songs like this have most often; common practice, no source."""
FEWEST = 12
UNHEARD_DRIFT_S, HEARD_DRIFT_S = 0.008, 0.03
PULSES_IN_A_BEAT = {2: (0.5, 1, 2, 4, 8), 3: (1, 3, 6, 12)}
BEGINS_ON_ONE = 0.1
WRONG_BELOW, BETTER_BY = 0.45, 0.3
CLOSE_RIVAL = 0.85
EVERY_OTHER, LONGER_BARS = 0.5, 1.3
"""Where the harmony changes this much more into every other bar of 6/8, 12/8 is this much likelier."""


@dataclass(frozen=True)
class Guess:
    """A clock: beats per minute, meter, seconds of bar 1, how sure (0 to 1)."""

    tempo: float
    meter: str
    bar_one_s: float
    sure: float


def is_close(guesses: Sequence[Guess]) -> bool:
    """Whether the second guess is nearly as likely as the first, which then is no more than a guess."""
    return len(guesses) > 1 and guesses[1].sure > CLOSE_RIVAL * guesses[0].sure


def whole_tempo(tempo: float, span_s: float) -> float:
    """The whole number of beats per minute nearby, where onsets over `span_s` seconds could not tell the two apart."""
    whole = float(round(tempo))
    return whole if abs(whole / tempo - 1) * span_s < UNHEARD_DRIFT_S else round(tempo, 3)


def phase_strength(times_s: FloatArray, weights: FloatArray, period_s: float) -> complex:
    """Mean of unit vectors at the phases of onsets: its size is 1 where all lie on a grid of this period."""
    return complex(np.sum(weights * np.exp(2j * np.pi * times_s / period_s)) / np.sum(weights))


def find_pulse(times_s: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """The longest period on which the onsets lie, and how well they do (0 to 1)."""
    span = float(times_s.max() - times_s.min())
    low, high = 1 / PULSES_S[1], 1 / PULSES_S[0]
    rates = np.arange(low, high, 0.2 / max(span, 1.0))
    strength = _strengths(times_s, weights, rates)
    peaks = np.flatnonzero((strength[1:-1] >= strength[:-2]) & (strength[1:-1] >= strength[2:])) + 1
    if not len(peaks):
        return 1 / float(rates[int(np.argmax(strength))]), float(strength.max())
    best = float(strength[peaks].max())
    # Every multiple of the right rate fits too; the slowest that fits is meant.
    rate = float(rates[next(int(n) for n in peaks if strength[n] >= NEARLY_AS_GOOD * best)])
    step = 0.1 / max(span, 1.0)
    fine = np.linspace(rate - step, rate + step, 41)
    sizes = [abs(phase_strength(times_s, weights, 1 / one)) for one in fine]
    return 1 / float(fine[int(np.argmax(sizes))]), float(max(sizes))


def _strengths(times_s: FloatArray, weights: FloatArray, rates: FloatArray) -> FloatArray:
    """Size of the phase strength at evenly spaced rates: from each to the next every onset turns by its own angle."""
    turned = weights * np.exp(2j * np.pi * times_s * rates[0])
    turn = np.exp(2j * np.pi * times_s * (rates[1] - rates[0]))
    sums = np.empty(len(rates), np.complex128)
    for n in range(len(rates)):
        sums[n] = turned.sum()
        turned *= turn
    sizes: FloatArray = np.abs(sums) / weights.sum()
    return sizes


def guess_clock(takes: Sequence[Sequence[Onset]]) -> list[Guess]:
    """Clocks that could be meant, the likeliest first; empty with too few onsets.

    Parameters
    ----------
    takes : sequence of sequences of Onset
        All takes of one song.
    """
    onsets = [onset for take in takes for onset in take]
    if len(onsets) < FEWEST:
        return []
    times = np.array([onset.at_s for onset in onsets])
    weights = np.array([onset.sure for onset in onsets]) + 1e-3
    levels = np.array([onset.level_db for onset in onsets])
    pulse_s, fit = find_pulse(times, weights)
    phase = np.angle(phase_strength(times, weights, pulse_s)) / (2 * np.pi) * pulse_s
    place = np.round((times - phase) / pulse_s).astype(int)
    loudness = np.clip((levels - np.percentile(levels, 95)) / 30 + 1, 0.05, 1.2)
    strength = np.zeros(place.max() - place.min() + 1)
    np.add.at(strength, place - place.min(), loudness * weights / len(takes))
    start = int(place.min())
    classes = np.zeros((len(strength), 12))
    for onset, at in zip(onsets, place - start, strict=True):
        if onset.pitch_classes:
            classes[at] += onset.pitch_classes
    guesses = []
    for halves in (1, 2):
        for meter, (bar, beat) in METERS.items():
            guesses += _as_meter(strength, start, pulse_s, phase, meter, bar * halves, beat * halves, fit, halves)
    guesses = _by_harmony(guesses, classes, start * pulse_s + phase)
    guesses.sort(key=lambda guess: -guess.sure)
    best = guesses[0].sure if guesses else 1.0
    return [Guess(g.tempo, g.meter, g.bar_one_s, round(g.sure / max(best, 1.0), 3)) for g in guesses[:4]]


def _by_harmony(guesses: list[Guess], classes: FloatArray, start_s: float) -> list[Guess]:
    """Prefer 12/8 to the 6/8 that is like it in all but length, where chords last for two bars of 6/8."""
    told = []
    for guess in guesses:
        short = next((one for one in guesses if one.meter == "6/8" and abs(one.tempo / guess.tempo - 1) < 0.01), None)
        if guess.meter != "12/8" or short is None:
            told.append(guess)
            continue
        pulse_s = 60 / guess.tempo / 3
        first = round((short.bar_one_s - start_s) / pulse_s)
        whole = (len(classes) - first) // 6
        bars = classes[first : first + 6 * whole].reshape(whole, 6, 12).sum(axis=1) if first >= 0 else classes[:0]
        share, odd = every_other(bars)
        if share > EVERY_OTHER:
            guess = replace(guess, sure=max(guess.sure, LONGER_BARS * guess.sure),
                            bar_one_s=round(short.bar_one_s + 6 * odd * pulse_s, 4))
        told.append(guess)
    return told


def _as_meter(strength: FloatArray, start: int, pulse_s: float, phase_s: float, meter: str, bar: int, beat: int,
              fit: float, halves: int) -> list[Guess]:
    """How well a meter explains where and how hard the pulses are struck."""
    if len(strength) < 2 * bar:
        return []
    tempo = 60 / (pulse_s * beat)
    if not BEATS_PER_MINUTE[0] <= tempo <= BEATS_PER_MINUTE[1]:
        return []
    whole = len(strength) // bar * bar
    folded = strength[:whole].reshape(-1, bar)
    profile = folded.mean(axis=0)
    explained = 1 - np.sum((folded - profile) ** 2) / (np.sum((folded - folded.mean()) ** 2) + 1e-12)
    # A longer bar explains more by chance alone; adjusted as in a regression.
    rows = len(folded)
    adjusted = 1 - (1 - explained) * (whole - 1) / max(whole - bar, 1) if rows > 1 else 0.0
    # The downbeat is the hardest place whose beats are harder than what lies between.
    scores = [float(np.roll(profile, -shift)[0] + 0.5 * np.roll(profile, -shift)[::beat].mean()
                    - 0.5 * np.delete(np.roll(profile, -shift), np.arange(0, bar, beat)).mean())
              for shift in range(bar)]
    # Most songs begin on a downbeat.
    scores[0] += BEGINS_ON_ONE * float(profile.max())
    shift = int(np.argmax(scores))
    contrast = scores[shift] / (profile.max() + 1e-9)
    first = shift
    # A song does not begin long before its first bar: at most a pick-up of half a bar precedes it.
    if first > bar // 2 and strength[: first].max(initial=0.0) > 0.3 * profile.max():
        first -= bar
    usual = USUAL_COMPOUND if beat % 3 == 0 else USUAL_SIMPLE
    comfort = float(np.exp(-0.5 * (np.log2(tempo / usual) / 0.7) ** 2))
    simple = LIKELIHOOD[meter] * (1.0 if halves == 1 else 0.95)
    sure = float(np.clip(fit, 0, 1) * max(adjusted, 0.0) * np.clip(contrast, 0, 1.5) / 1.5 * comfort * simple)
    bar_one_s = float((start + first) * pulse_s + phase_s)
    if bar_one_s < -0.25 * pulse_s:
        bar_one_s += bar * pulse_s
    told = whole_tempo(tempo, len(strength) * pulse_s)
    # The middle of the song stays where it is heard.
    middle_s = (start + len(strength) / 2) * pulse_s + phase_s
    bar_one_s = middle_s - (middle_s - bar_one_s) * tempo / told
    return [Guess(told, meter, round(max(bar_one_s, 0.0), 4), sure)]


def tempo_doubt(times_s: FloatArray, weights: FloatArray, off_ms: FloatArray, tempo: float,
                pulse_per_beat: int) -> float | None:
    """The likely tempo, where the recipe's plainly is not the one played; None where there is no doubt.

    Parameters
    ----------
    times_s, weights, off_ms : np.ndarray [shape=(strums,)]
        Onsets, how sure they are, their distance from the nearest place.
    tempo : float
        Of the recipe, beats per minute.
    pulse_per_beat : int
        Eighths in a beat: 2, or 3 in a compound meter.
    """
    if len(times_s) < FEWEST:
        return None
    pulse_s = 60 / tempo / (2 * pulse_per_beat)
    told = abs(phase_strength(times_s, weights, pulse_s))
    drift = _drift(times_s, off_ms)
    if told >= WRONG_BELOW and not drift:
        return None
    found_s, fit = find_pulse(times_s, weights)
    span_s = float(np.ptp(times_s))

    def drifts(one: float) -> bool:
        return abs(one / tempo - 1) * span_s > HEARD_DRIFT_S

    # A pulse that divides the recipe's beat evenly, by threes too, agrees with it.
    if not all(drifts(60 / (found_s * pulses)) for pulses in (*PULSES_IN_A_BEAT[2], *PULSES_IN_A_BEAT[3])):
        return None
    beats = [found_s * pulses for pulses in PULSES_IN_A_BEAT[pulse_per_beat]]
    likely = 60 / min(beats, key=lambda beat_s: abs(np.log(beat_s * tempo / 60)))
    if fit < told + BETTER_BY and not (drift and fit > told):
        return None
    return whole_tempo(float(likely), span_s)


def _drift(times_s: FloatArray, off_ms: FloatArray) -> bool:
    """Whether offsets run away steadily (or wrap around) rather than scatter."""
    order = np.argsort(times_s)
    quarters = [part for part in np.array_split(off_ms[order], 4) if len(part) > 3]
    middles = [float(np.median(part)) for part in quarters]
    steps = np.array([b - a for a, b in pairwise(middles)])
    return bool(len(steps) == 3 and (np.all(steps > 6) or np.all(steps < -6)))

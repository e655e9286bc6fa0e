"""Which tempo, meter and downbeat explain what is played, with odds.

Every meter, at every tempo that is a multiple of the pulse, with every pulse as the downbeat, is a candidate. What is
measured of each (accents, note lengths, changes of harmony, how well bars repeat) is weighed by a conditional logit
model (McFadden, "Conditional logit analysis of qualitative choice behavior", 1974): odds add up to 1 over all
candidates. The weights were fitted by `tests/bench/bench_tempo.py`; it reports on songs that they were not fitted to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.timing.grid.count_in import CountIn
from layerpipe.core.sound import FloatArray

METERS = {"4/4": (8, 2), "3/4": (6, 2), "6/8": (6, 3), "12/8": (12, 3)}
"""Eighths in a bar, eighths in a beat."""
EIGHTHS = (0.5, 1.0, 2.0)
"""Pulses in an eighth: the pulse may be a quarter, an eighth or a sixteenth."""


@dataclass(frozen=True)
class CandidateLimits:
    """Which candidates are considered."""

    tempo_range: tuple[float, float] = (40.0, 190.0)
    """Beats per minute."""
    fewest_bars: float = 2.0
    usual_simple: float = 90.0
    """Beats per minute that songs have most often; common practice, no source."""
    usual_compound: float = 64.0
    longest_length: float = 8.0
    """Pulses to the next onset; longer distances count as this one."""
    saturated: float = 0.95
    """Share of explained variance from which more says nothing more."""


@dataclass(frozen=True)
class CountedLimits:
    """What a count-in adds to the logit of a candidate; chosen."""

    beat: float = 3.0
    near: float = 0.04
    """Share by which the beat of a count-in may be off."""
    downbeat: float = 4.0
    near_downbeat: float = 0.2
    """Share of a beat by which the downbeat may be off."""


@dataclass(frozen=True)
class BarPrior:
    """Short bars are rare in songs: common practice, no source. The songs of the fit have tempos drawn at random."""

    usual_s: float = 1.9
    """Shorter bars lose the square of their distance in octaves, times the weight."""
    weight: float = 4.0


LIMITS, COUNTED, BAR_PRIOR = CandidateLimits(), CountedLimits(), BarPrior()
WEIGHTS = (
    0.021, 0.167, -3.32, -0.332, -0.0521, -0.251, 0.194, -2.47, -0.167, -0.178, 4.99, -0.0131, 2.13, -0.072,
    0.194, 3.4, 5.18, -0.231, -0.261, 1.27, -1.04, 1.12, 0.89, 0.216, 0.0914, -0.507, 0.869, -0.231, -1.17,
    -0.886, 0.0297, 3.94, -1.41, 1.42, 1.43, 0.265, 2.02, -2.02, 3.74, -9.4, -1.27, -1.37, 0.343, -5.78, -0.296,
    0.778, 0.779)
"""Of the columns of `Candidates.features`, in their order."""


@dataclass(frozen=True)
class PulseTrain:
    """What is played at each pulse of a song."""

    strength: FloatArray
    """How loud and how often; shape (pulses,)."""
    chroma: FloatArray
    """Shape (pulses, 12)."""
    start_s: float
    """Time of the first pulse, which is played."""
    period_s: float


@dataclass(frozen=True)
class Candidates:
    """All candidates of a song; arrays of shape (candidates,)."""

    meter: tuple[str, ...]
    tempo: FloatArray
    bar_pulses: FloatArray
    first: FloatArray
    """The first pulse that is a downbeat, counted from the first pulse that is played."""
    features: FloatArray
    """Shape (candidates, features)."""


def candidates_of(train: PulseTrain) -> Candidates:
    """Measure all candidates.

    Parameters
    ----------
    train : PulseTrain

    Returns
    -------
    Candidates
        Empty where the song is shorter than two bars of each.
    """
    played = train.strength > 0
    at = np.flatnonzero(played)
    length = np.zeros(len(played))
    length[at[:-1]] = np.minimum(np.diff(at), LIMITS.longest_length)
    length[at[-1:]] = np.median(length[at[:-1]]) if len(at) > 1 else 1.0
    meters: list[str] = []
    tempos, bars, firsts, rows = [], [], [], []
    for per_eighth in EIGHTHS:
        for meter, (bar_eighths, beat_eighths) in METERS.items():
            bar, beat = round(bar_eighths * per_eighth), beat_eighths * per_eighth
            tempo = 60 / (train.period_s * beat)
            if (beat != int(beat) or not LIMITS.tempo_range[0] <= tempo <= LIMITS.tempo_range[1]
                    or len(played) < LIMITS.fewest_bars * bar):
                continue
            rows.append(_features(train, length, meter, bar, int(beat), tempo, per_eighth))
            meters += [meter] * bar
            tempos += [tempo] * bar
            bars += [float(bar)] * bar
            firsts += [float(first) for first in range(bar)]
    features = np.concatenate(rows) if rows else np.zeros((0, 1))
    return Candidates(tuple(meters), np.array(tempos), np.array(bars), np.array(firsts), features)


def _features(train: PulseTrain, length: FloatArray, meter: str, bar: int, beat: int, tempo: float,
              per_eighth: float) -> FloatArray:
    """What is measured of a meter with each pulse as its first downbeat; shape (bar, features)."""
    compound = meter in ("6/8", "12/8")
    whole = _explained(train.strength, bar)
    constant = [float(meter == "3/4"), float(meter == "6/8"), float(meter == "12/8"), float(per_eighth == 0.5),
                float(per_eighth == 2.0), float(per_eighth == 2.0 and compound)]
    octaves = np.log2(tempo / (LIMITS.usual_compound if compound else LIMITS.usual_simple))
    constant += [octaves, octaves**2, octaves * compound, octaves**2 * compound]
    constant += [whole, whole - _explained(train.strength, bar // 2), _explained(train.strength, beat),
                 _repeats(length > 0, bar)]
    repeats = -np.log(1 - min(max(whole, 0.0), LIMITS.saturated)) * np.sqrt(len(length) / bar)
    constant.append(float(repeats))
    columns = [np.tile(constant, (bar, 1))]
    for values in (train.strength, length, _novelty(train.chroma, max(bar // 2, 2))):
        columns.append(_accents(values, bar, beat, has_half=meter in ("4/4", "12/8")))
    columns.append(_accents(_novelty(train.chroma, beat), bar, beat, has_half=meter in ("4/4", "12/8")))
    shift = np.arange(bar)
    step = max(round(per_eighth), 1)
    # How much is played between the eighths, and, in simple meters, between the beats.
    columns.append(np.stack([_between(train.strength, step, shift) * (step == 2),
                             _between(train.strength, beat, shift) * (not compound)], axis=1))
    last = (len(length) - 1 - shift) % bar
    edges = np.stack([shift == 0, shift % beat == 0, shift / bar, shift > bar / 2, last == 0, last % beat == 0], axis=1)
    return np.concatenate([*columns, edges.astype(np.float64)], axis=1)


def _explained(values: FloatArray, period: int) -> float:
    """Share of the variance that repeats with a period, less what chance explains (adjusted R squared)."""
    whole = len(values) // period * period
    folded = values[:whole].reshape(-1, period)
    total = float(np.sum((folded - folded.mean()) ** 2)) + 1e-12
    left = float(np.sum((folded - folded.mean(axis=0)) ** 2)) / total
    return 1 - left * (whole - 1) / max(whole - period, 1)


def _between(strength: FloatArray, step: int, shift: npt.NDArray[np.int_]) -> FloatArray:
    """Share of all strength that is not on every `step`-th pulse from each of some pulses."""
    on = np.bincount(np.arange(len(strength)) % step, weights=strength, minlength=step) / strength.sum()
    return np.asarray(1 - on[shift % step], np.float64)


def _repeats(played: npt.NDArray[np.bool_], bar: int) -> float:
    """How alike neighbouring bars are: share of pulses played in both, of those played in one."""
    both, one = int(np.sum(played[bar:] & played[:-bar])), int(np.sum(played[bar:] | played[:-bar]))
    return both / max(one, 1)


def _novelty(chroma: FloatArray, width: int) -> FloatArray:
    """How different the harmony is after each pulse from before it, over `width` pulses."""
    sums = np.concatenate([np.zeros((1, 12)), np.cumsum(chroma, axis=0)])
    at = np.arange(len(chroma))
    before = sums[at] - sums[np.maximum(at - width, 0)]
    after = sums[np.minimum(at + width, len(chroma))] - sums[at]
    sizes = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
    alike = np.sum(before * after, axis=1) / np.maximum(sizes, 1e-12)
    return np.where(sizes > 0, 1 - alike, 0.0)


def _accents(values: FloatArray, bar: int, beat: int, *, has_half: bool) -> FloatArray:
    """How far values stand out on downbeats, on beats and in the middle of bars, in standard deviations; for each
    pulse as the downbeat, shape (bar, 3), and the same times the root of the number of bars."""
    counts = np.bincount(np.arange(len(values)) % bar, minlength=bar)
    profile = (np.bincount(np.arange(len(values)) % bar, weights=values, minlength=bar) / counts - values.mean()) / (
        values.std() + 1e-9)
    turned = np.stack([np.roll(profile, -shift) for shift in range(bar)])
    beats = turned[:, ::beat].mean(axis=1)
    half = turned[:, bar // 2] if has_half else np.zeros(bar)
    three = np.stack([turned[:, 0] - beats, beats, half - beats * has_half], axis=1)
    return np.concatenate([three, three * np.sqrt(len(values) / bar) / 4], axis=1)


def odds_of(found: Candidates, period_s: float, starts_s: FloatArray, counts: Sequence[CountIn]) -> FloatArray:
    """Probability of each candidate; they add up to 1.

    Parameters
    ----------
    found : Candidates
    period_s : float
        Time between pulses.
    starts_s : np.ndarray [shape=(candidates,)]
        Seconds of each candidate's first downbeat.
    counts : sequence of CountIn
        The beat of a count-in is the beat of the song, and the beat after it is a downbeat; a metronome is one
        without strokes, of which only the beat is known.
    """
    shorter = np.maximum(np.log2(BAR_PRIOR.usual_s / (found.bar_pulses * period_s)), 0.0)
    logits = found.features @ np.array(WEIGHTS) - BAR_PRIOR.weight * shorter**2
    for count in counts:
        beat_s = 60 / found.tempo
        logits = logits + COUNTED.beat * (np.abs(beat_s / count.beat_s - 1) < COUNTED.near)
        if not count.strokes:
            continue
        bars = (count.next_beat_s - starts_s) / (found.bar_pulses * period_s)
        off_s = np.abs(bars - np.rint(bars)) * found.bar_pulses * period_s
        logits = logits + COUNTED.downbeat * (off_s < COUNTED.near_downbeat * count.beat_s)
    odds: FloatArray = np.exp(logits - logits.max())
    odds /= odds.sum()
    return odds

"""Songs of which the meter is known, as onsets: traditional tunes played as lines, and strummed patterns drawn anew.

No sound is made: onsets get the scatter, level and harmony that a detector hears, some are lost, some invented. Tunes
come from outside (`tunes`), and half of them are never used for fitting; the patterns are our own, common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.onset import Onset
from tests.bench.material.tunes import BAR, Tune

BEAT = {"4/4": 2, "3/4": 2, "6/8": 3, "12/8": 3}
"""Eighths in a beat."""
USUAL = {"4/4": 92.0, "3/4": 92.0, "6/8": 64.0, "12/8": 64.0}
TEMPO_OCTAVES, TEMPO_RANGE = 0.42, (44.0, 176.0)
SHARE = {"4/4": 0.45, "3/4": 0.2, "6/8": 0.22, "12/8": 0.13}
"""Of strummed songs; chosen. 12/8 is rare."""
CHORDS = ((0, 4, 7), (5, 9, 0), (7, 11, 2), (9, 0, 4), (2, 5, 9), (4, 7, 11), (10, 2, 5))
HELD_BARS = {"4/4": (0.5, 1.0, 2.0), "3/4": (1.0, 1.0, 2.0), "6/8": (0.5, 1.0, 2.0), "12/8": (0.5, 1.0, 1.0)}
Event = tuple[float, float, Sequence[int], Sequence[float]]
"""Eighth (a pick-up is before 0), velocity from 0 to 1, pitches, and how loud each of them is."""


@dataclass(frozen=True)
class KnownSong:
    """Takes of a song, and its truth."""

    takes: list[list[Onset]]
    tempo: float
    meter: str
    bar_one_s: float


def tune_song(tune: Tune, random: np.random.Generator) -> KnownSong:
    """A tune as a line; the player stresses downbeats and beats a little, or not at all."""
    bar, beat = BAR[tune.meter], BEAT[tune.meter]
    down = random.uniform(0, 0.35)
    on_beat = 0.7 * down * random.uniform(0.3, 1)
    end = int(random.choice([16, 24, 32, 48])) * bar
    events: list[Event] = []
    for at, _, pitch in tune.notes:
        if at < end:
            stress = down if at % bar == 0 else on_beat if at % beat == 0 else 0.0
            events.append((at, 0.6 + stress + random.normal(0, 0.06), (pitch,), (1.0,)))
    return _played(events, tune.meter, random)


def strummed_song(random: np.random.Generator) -> KnownSong:
    """A strummed pattern of one or two bars, with variations, fills, chords and perhaps a pick-up."""
    meter = str(random.choice(list(SHARE), p=list(SHARE.values())))
    bar, beat = BAR[meter], BEAT[meter]
    sixteenths = random.random() < 0.45
    fills = float(random.choice([0.0, 0.02, 0.06, 0.15])) if random.random() < 0.65 else None
    step, density = 0.5 if sixteenths else 1.0, random.uniform(0.25, 1)
    backbeat = meter == "4/4" and random.random() < 0.5

    def velocity(eighth: float) -> float:
        if eighth % beat == 0:
            if backbeat and eighth in (2, 6):
                return random.uniform(0.8, 1)
            return random.uniform(0.75, 1) if eighth == 0 else random.uniform(0.45, 1) * (random.random() < 0.85)
        if eighth % 1 == 0:
            return random.uniform(0.2, 0.8) * (random.random() < density)
        return 0.0 if fills is not None else random.uniform(0.15, 0.5) * (random.random() < density / 2)

    patterns = [[velocity(n * step) for n in range(round(bar / step))] for _ in range(1 + (random.random() < 0.25))]
    # Each stroke of a pattern passes its own strings: downstrokes begin in the bass, upstrokes reach the high ones.
    passed = random.uniform(1 - random.uniform(0, 0.9), 1, (round(bar / step), 3))
    held = bar * float(random.choice(HELD_BARS[meter], p=[0.3, 0.5, 0.2]))
    order = random.integers(0, len(CHORDS), int(random.choice([3, 4, 8])))
    bars, vary = int(random.choice([8, 12, 16, 24, 32])), random.uniform(0, 0.25) * (random.random() < 0.7)
    pick_up = int(random.integers(1, bar // 2 + 1)) if random.random() < 0.2 else 0
    events: list[Event] = [(float(n - pick_up), random.uniform(0.3, 0.7), CHORDS[order[0]], (1.0,) * 3)
                           for n in range(pick_up)]
    for number in range(bars):
        for n, usual in enumerate(patterns[number % len(patterns)]):
            at, hit = number * bar + n * step, usual
            if (n * step) % 1 and fills is not None:
                hit = random.uniform(0.2, 0.6) * (random.random() < fills)
            elif n and random.random() < vary:
                hit = 0.0 if usual else random.uniform(0.2, 0.6)
            if hit:
                events.append((at, hit * random.uniform(0.85, 1.15), CHORDS[order[int(at // held) % len(order)]],
                               passed[n]))
    if random.random() < 0.7:
        events.append((float(bars * bar), 0.9, CHORDS[order[0]], (1.0,) * 3))
    return _played(events, meter, random)


def _played(events: Sequence[Event], meter: str, random: np.random.Generator) -> KnownSong:
    """Events as one to four takes are heard."""
    tempo = float(np.clip(USUAL[meter] * 2 ** random.normal(0, TEMPO_OCTAVES), *TEMPO_RANGE))
    eighth_s = 60 / tempo / BEAT[meter]
    bar_one_s = random.uniform(0.1, 3) - min(event[0] for event in events) * eighth_s
    scatter_s = random.uniform(0.003, 0.014)
    takes = []
    for _ in range(int(random.choice([1, 2, 4]))):
        take = []
        for at, hit, pitches, loud in events:
            level_db = 20 * np.log10(max(hit, 0.02)) + random.normal(0, 2) - 20
            if random.random() >= 0.03 + 0.3 * (level_db < -36):
                take.append(Onset(bar_one_s + at * eighth_s + random.normal(0, scatter_s),
                                  float(np.clip(random.normal(0.9, 0.1), 0.46, 1)), 12.0, level_db,
                                  _chroma(pitches, loud, random), before_db=level_db - 6))
        for _ in range(random.poisson(0.01 * len(events))):
            at_s = bar_one_s + eighth_s * random.uniform(events[0][0], events[-1][0])
            stray = _chroma((int(random.integers(12)),), (1.0,), random)
            take.append(Onset(at_s, 0.6, 4.0, -35.0, stray, before_db=-40.0))
        takes.append(sorted(take, key=lambda onset: onset.at_s))
    return KnownSong(takes, tempo, meter, bar_one_s)


def _chroma(pitches: Sequence[int], loud: Sequence[float], random: np.random.Generator) -> tuple[float, ...]:
    """What is heard of pitches: with fifths, and a share of everything."""
    found = random.uniform(0, 0.06, 12)
    for pitch, share in zip(pitches, loud, strict=True):
        found[pitch % 12] += share / sum(loud)
        found[(pitch + 7) % 12] += 0.15 * share / sum(loud)
    return tuple(float(one) for one in found / found.sum())


def tune_songs(tunes: Sequence[Tune], count: int, seed: int) -> Iterator[KnownSong]:
    """Songs of some of the tunes."""
    random = np.random.default_rng([seed, 21])
    for n in random.permutation(len(tunes))[:count]:
        yield tune_song(tunes[n], random)


def strummed_songs(count: int, seed: int) -> Iterator[KnownSong]:
    """Strummed songs."""
    random = np.random.default_rng([seed, 22])
    for _ in range(count):
        yield strummed_song(random)

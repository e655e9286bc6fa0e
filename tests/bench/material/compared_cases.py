"""Cases with a known answer for comparing takes: planted offsets, drifts, wobbles, wrong notes, thinned hearing.

What is planted in time is planted in the heard onsets: a file that begins later is heard the same, only later. Wrong
notes are in the sound. Times are seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.takes_compared.events import events_of
from layerpipe.analysis.takes_compared.matching import Events
from layerpipe.analysis.takes_compared.notes.profiles import note_profiles, step_times_s
from layerpipe.analysis.takes_compared.song_takes import ComparedTake
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap
from tests.bench.material.compared_songs import RATE_HZ, PlayedSong

WOBBLE = 0.01
LEAST_IN_SHORT_SONGS = 0.3
"""Percent. In the 40 s of these songs .1 % are 40 ms, as much as players wander; slower drifts are planted in the song
played three times over."""
WOBBLE_PERIODS_S = (14.0, 22.0)


@dataclass(frozen=True)
class HeardSong:
    """A song as it was heard; `wrong` are spare first takes: (kind, semitones, take)."""

    name: str
    group: str
    tempo: float
    meter: str
    bar_one_s: float
    bar_s: float
    distorted: bool
    takes: tuple[ComparedTake, ...]
    wrong: tuple[tuple[str, int, ComparedTake], ...]
    seconds: float = 0.0
    cost_s: tuple[float, float] = (0.0, 0.0)
    """CPU time of hearing onsets and of listening for notes, all takes."""

    @property
    def seconds_long(self) -> float:
        """Length in whole bars, a bar of rest included."""
        last_s = max(float(take.events.time_s[-1]) for take in self.takes)
        return (math.ceil(last_s / self.bar_s) + 1) * self.bar_s

    @property
    def tempo_map(self) -> TempoMap:
        """The song's clock."""
        return TempoMap.of(Recipe.of({
            "song": {"title": "T", "tempo": self.tempo, "meter": self.meter, "bar_one_s": self.bar_one_s},
            "layer": [{"name": "a", "take": [{"name": "left", "file": "left.wav"}]}]}))


@dataclass(frozen=True)
class TimeCase:
    """A song with its first take moved: what is planted, and how much (ms; percent for a drift)."""

    kind: str
    amount: float
    takes: tuple[ComparedTake, ...]


def hear_song(song: PlayedSong) -> HeardSong:
    """Listen to all takes of a song."""
    import time

    cost = [0.0, 0.0]
    heard, seconds = [], 0.0
    for take in (*song.takes, *song.wrong):
        sound = ArraySound(take.samples, RATE_HZ)
        began = time.process_time()
        events = events_of(detect_onsets(sound))
        between = time.process_time()
        profiles = note_profiles(sound, step_times_s(sound))
        cost[0] += between - began
        cost[1] += time.process_time() - between
        seconds += sound.frames / RATE_HZ
        heard.append(ComparedTake(take.name, take.layer, events, profiles))
    right = len(song.takes)
    wrong = tuple((take.wrong, take.semitones, one) for take, one in zip(song.wrong, heard[right:], strict=True))
    return HeardSong(song.name, song.group, song.tempo, song.meter, song.bar_one_s, song.bar_s, song.distorted,
                     tuple(heard[:right]), wrong, seconds, (cost[0], cost[1]))


def repeated(take: ComparedTake, times: int, every_s: float) -> ComparedTake:
    """The take's onsets several times over, as in a longer song."""
    events = take.events

    def again(values: np.ndarray) -> np.ndarray:
        return np.concatenate([values] * times)

    times_s = np.concatenate([events.time_s + n * every_s for n in range(times)])
    return replace(take, profiles=None, events=Events(times_s, again(events.level_db), again(events.chroma),
                                                      again(events.confidence)))


def moved(take: ComparedTake, times_s: np.ndarray) -> ComparedTake:
    """The take with its onsets at other times."""
    return replace(take, events=replace(take.events, time_s=times_s))


def time_cases(song: HeardSong, seed: int, base_ms: float,
               base_pace: float = 0.0) -> Iterator[TimeCase]:
    """Offsets, beats, bars, drifts and a wobble in the first take.

    Parameters
    ----------
    song : HeardSong
    seed : int
    base_ms : float
        How late the first take lies as it was played; planted offsets are what it lies at in the end.
    base_pace : float
        By how much it drifts as it was played, as a share; planted drifts are what it drifts by in the end.
    """
    random = np.random.default_rng([seed, 8])
    first, *rest = song.takes
    at_s = first.events.time_s
    bar_s = song.bar_s
    beats = {"4/4": 4, "3/4": 3, "6/8": 2, "12/8": 4}[song.meter]

    def case(kind: str, amount: float, times_s: np.ndarray) -> TimeCase:
        return TimeCase(kind, amount, (moved(first, times_s), *rest))

    most_ms = min(2000.0, 1900 * bar_s)
    for low, high in ((20, 40), (40, 120), (120, 300), (300, 1000), (1000, most_ms)):
        late_ms = float(random.uniform(low, high) * random.choice((-1, 1)))
        yield case("offset", late_ms, at_s + (late_ms - base_ms) / 1000)
    for kind, span_s in (("beat", bar_s / beats), ("bar", bar_s)):
        sign = int(random.choice((-1, 1)))
        yield case(kind, sign, at_s + sign * span_s - base_ms / 1000)
    for percent in (0.1, 0.3, 1.0, 2.0):
        by = float(percent * random.choice((-1, 1)))
        if percent >= LEAST_IN_SHORT_SONGS:
            yield case("drift", by, at_s * (1 + by / 100 - base_pace))
        else:
            longer = [repeated(take, 3, song.seconds_long) for take in song.takes]
            yield TimeCase("slow drift", by, (moved(longer[0], longer[0].events.time_s * (1 + by / 100)), *longer[1:]))
    period_s = float(random.uniform(*WOBBLE_PERIODS_S))
    depth_s = WOBBLE * period_s / (2 * math.pi)
    yield case("wobble", WOBBLE, at_s + depth_s * np.sin(2 * math.pi * at_s / period_s + random.uniform(0, 6.28)))


def thinned(take: ComparedTake, kept: float, seed: int) -> ComparedTake:
    """The take as a detector hears it that misses all but a share of its onsets and hears some that are none."""
    random = np.random.default_rng([seed, 9])
    events = take.events
    count = len(events.time_s)
    chosen = random.random(count) < kept
    false = random.random(count) < 0.5 * (1 - kept) * kept
    jittered = events.time_s + random.uniform(0.05, 0.3, count)
    times_s = np.concatenate([events.time_s[chosen], jittered[false]])
    order = np.argsort(times_s)

    def both(values: np.ndarray) -> np.ndarray:
        return np.concatenate([values[chosen], values[false]])[order]

    return replace(take, profiles=None, events=Events(times_s[order], both(events.level_db), both(events.chroma),
                                                      both(events.confidence)))


def pair_cases(songs: Sequence[HeardSong], seed: int) -> Iterator[tuple[HeardSong, ComparedTake, ComparedTake, float]]:
    """Pairs of takes with a known offset (s) for calibration; NaN where nothing belongs together.

    Takes of one song, heard well or less well, and takes of different songs.
    """
    random = np.random.default_rng([seed, 10])
    for n, song in enumerate(songs):
        for one, other in ((0, 1), (2, 3), (0, 2), (1, 3)):
            for kept in (1.0, 0.75, 0.5, 0.35, 0.2, 0.1):
                late_s = float(random.uniform(0.02, 1.5) * random.choice((-1, 1)))
                first = moved(song.takes[one], song.takes[one].events.time_s + late_s)
                number = int(random.integers(1 << 30))
                yield (song, thinned(first, kept, number), thinned(song.takes[other], kept, number + 1), late_s)
        strange = songs[(n + 1 + int(random.integers(max(len(songs) - 2, 1)))) % len(songs)]
        yield song, song.takes[0], strange.takes[1], float("nan")

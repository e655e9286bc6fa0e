"""A song with chords, and strummed passes of it whose onsets, tuning and looseness per section are known.

Times are seconds from the song's start, offsets ms (later is positive), tuning cents against 440 Hz. All from seeds.
Doubles of one song share its chords and its pattern and nothing else. Notes are those of `tests.support.sounds.strums`.
Chords, patterns, spreads and levels: common practice, no source.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tests.support.sounds.strums import CHORDS, OCTAVE_UP_BELOW, PATTERNS, VOICES, Strings

Array = npt.NDArray[np.float64]

RATE_HZ = 48_000
SOFT, FIRM = 0.4, 0.9
"""Velocities a note is made at; what lies between is scaled."""
PEAK = 0.4


@dataclass(frozen=True)
class Song:
    """What all takes of a song share."""

    tempo: float
    meter: str
    bar_one_s: float
    chords: tuple[int, ...]
    """Index into CHORDS, one a bar."""
    sections: tuple[tuple[str, int, int], ...] = ()
    """Name, first and last bar."""
    tail_s: float = 1.5

    @property
    def bars(self) -> int:
        """Length in bars."""
        return len(self.chords)

    @property
    def eighth_s(self) -> float:
        """Length of an eighth in seconds."""
        return 60 / self.tempo / (3 if self.meter in ("6/8", "12/8") else 2)

    @property
    def bar_s(self) -> float:
        """Length of a bar in seconds."""
        return self.eighth_s * len(PATTERNS[self.meter])

    @property
    def beats(self) -> int:
        """Beats in a bar; a dotted quarter is the beat of 6/8 and 12/8."""
        return round(self.bar_s * self.tempo / 60)

    @property
    def seconds(self) -> float:
        """Length with the last chord's end."""
        return self.bar_one_s + self.bars * self.bar_s + self.tail_s

    def downbeat_s(self, bar: int) -> float:
        """Where a bar begins, from 1."""
        return self.bar_one_s + (bar - 1) * self.bar_s


@dataclass(frozen=True)
class Playing:
    """How a pass is played and recorded."""

    scatter_ms: float = 5.0
    feel_ms: float = 0.0
    cents: float = 0.0
    noise_db: float = -76.0
    high_strung: bool = False
    loose_ms: Mapping[int, float] = field(default_factory=dict)
    """Scatter in bars that are played otherwise."""
    peak: float = PEAK


@dataclass(frozen=True)
class PlayedPass:
    """A pass, from `start_s` of the song on, and where its strums are in the song."""

    samples: Array
    rate_hz: int
    start_s: float
    onsets_s: Array
    grid_s: Array

    def spread_ms(self, song: Song, first: int, last: int) -> float:
        """Standard deviation of the onsets from the grid in bars, in ms."""
        inside = (self.grid_s >= song.downbeat_s(first) - 1e-6) & (self.grid_s < song.downbeat_s(last + 1) - 1e-6)
        return float(np.std((self.onsets_s - self.grid_s)[inside]) * 1000)


def make_song(seed: int, *, sections: int = 3, bars: int = 4, meter: str | None = None) -> Song:
    """Draw a song of `sections` sections of `bars` bars."""
    rng = np.random.default_rng([31, seed])
    meter = meter or str(rng.choice(["4/4", "3/4", "6/8"], p=[0.6, 0.2, 0.2]))
    tempo = float(np.round(rng.uniform(*{"4/4": (84, 124), "3/4": (84, 120), "6/8": (50, 70)}[meter])))
    loop = [int(n) for n in rng.choice(len(CHORDS) - 1, 4, replace=False)]
    names = ("verse", "chorus", "bridge", "last chorus", "outro", "coda")
    told = tuple((names[n % len(names)], 1 + n * bars, (n + 1) * bars) for n in range(sections))
    chords = tuple(loop[(bar + bar // bars) % 4] for bar in range(sections * bars))
    return Song(tempo, meter, float(np.round(rng.uniform(0.3, 1.0), 3)), chords, told)


@functools.lru_cache(maxsize=1500)
def _note(voice: str, note: int, centicents: int, velocity: float, variant: int,
          rate_hz: int) -> npt.NDArray[np.float32]:
    """A note from the shelf; tuning in hundredths of a cent, made by resampling the note that is in tune."""
    if centicents:
        import soxr

        in_tune = _note(voice, note, 0, velocity, variant, rate_hz)
        return soxr.resample(in_tune, rate_hz * 2 ** (centicents / 120_000), rate_hz).astype(np.float32)
    return VOICES[voice](440 * 2 ** ((note - 69) / 12), velocity, False, variant, rate_hz).astype(np.float32)


def play_pass(song: Song, seed: int, *, voice: str = "steel", playing: Playing | None = None, first_bar: int = 1,
              last_bar: int | None = None, rate_hz: int = RATE_HZ) -> PlayedPass:
    """Strum a song, or some bars of it.

    Parameters
    ----------
    first_bar, last_bar : int
        Bars that are played. From a later bar on, the file begins half a second before it.

    Returns
    -------
    PlayedPass
        Its peak is `playing.peak`.
    """
    playing = playing or Playing()
    rng = np.random.default_rng([37, seed])
    last_bar = last_bar or song.bars
    start_s = 0.0 if first_bar == 1 else round(song.downbeat_s(first_bar) - 0.5, 3)
    frames = round((song.downbeat_s(last_bar + 1) + song.tail_s - start_s) * rate_hz)
    strings = Strings(rate_hz, frames)
    pattern = PATTERNS[song.meter]
    compound = song.meter in ("6/8", "12/8")
    centicents = round(playing.cents * 100)
    onsets, grid = [], []
    for bar in range(first_bar, last_bar + 1):
        chord = CHORDS[song.chords[bar - 1]]
        scatter = playing.loose_ms.get(bar, playing.scatter_ms)
        for e, velocity in enumerate(pattern):
            if not velocity:
                continue
            place_s = song.downbeat_s(bar) + e * song.eighth_s
            off_ms = float(np.clip(rng.normal(0, scatter), -2.5 * scatter, 2.5 * scatter)) + playing.feel_ms
            at = max(0, round((place_s + off_ms / 1000 - start_s) * rate_hz))
            hit = velocity * float(np.clip(rng.normal(1, 0.08), 0.7, 1.2))
            down = e % 3 != 1 if compound else e % 2 == 0
            notes = list(enumerate(chord))
            struck = notes if down else notes[::-1][: int(rng.integers(2, 5))]
            gap = rng.uniform(0.008, 0.03) / 5
            for rank, (string, note) in enumerate(struck):
                octave = 12 if playing.high_strung and note < OCTAVE_UP_BELOW else 0
                made_at = SOFT if hit < 0.6 else FIRM
                tone = _note(voice, note + octave, centicents, made_at, int(rng.integers(2)), rate_hz)
                level = hit / made_at * float(rng.uniform(0.75, 1.0))
                strings.pluck(string, min(at + round(rank * gap * rate_hz), frames - 1), tone * np.float32(level))
            onsets.append(start_s + at / rate_hz)
            grid.append(place_s)
    strings.end()
    sound = strings.out * (playing.peak / np.abs(strings.out).max())
    sound += 10 ** (playing.noise_db / 20) * rng.standard_normal(frames)
    return PlayedPass(sound, rate_hz, start_s, np.array(onsets), np.array(grid))

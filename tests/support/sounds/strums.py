"""Strummed takes whose truth is known to the frame: for judging onsets, timing and moves.

Times are seconds from the start of the file, offsets ms (later is positive), velocities 0 to 1. A strum begins at the
frame at which its first string is released. One seed decides everything. Patterns, levels: common practice.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from tests.support.plucked_voices import VOICES, Array, Voice

Fingering = Callable[[int, tuple[int, ...]], tuple[int, ...]]
"""(bar, chord) -> what is fretted instead, as many notes: for takes with wrong notes."""

RATE_HZ = 48_000
CHORDS = ((40, 47, 52, 56, 59, 64), (45, 52, 57, 61, 64), (50, 57, 62, 66), (43, 47, 50, 55, 59, 67),
          (48, 52, 55, 60, 64), (52, 55, 59, 64), (40, 47, 52, 55, 59, 64))
"""As notes: E, A, D, G, C, Em without its low strings, Em."""
OCTAVE_UP_BELOW = 55
"""A high-strung guitar sounds everything on its four low strings an octave up."""
PATTERNS = {
    "4/4": (1.0, 0.0, 0.55, 0.35, 0.0, 0.4, 0.8, 0.3),
    "3/4": (1.0, 0.0, 0.6, 0.35, 0.7, 0.4),
    "6/8": (1.0, 0.3, 0.45, 0.85, 0.3, 0.5),
    "12/8": (1.0, 0.0, 0.4, 0.8, 0.3, 0.45, 0.9, 0.0, 0.4, 0.8, 0.3, 0.5),
}
"""Velocity of each eighth of a bar; 0 is not played."""


@dataclass(frozen=True)
class Planted:
    """A loose place: the strums from `first_s` to `last_s` (as played on the grid) are `by_ms` off."""

    first_s: float
    last_s: float
    by_ms: float


@dataclass(frozen=True)
class Strums:
    """A take and the truth about it."""

    samples: Array
    rate_hz: int
    onsets_s: Array
    grid_s: Array
    """Where each onset belongs."""
    tempo: float
    meter: str
    bar_one_s: float
    planted: tuple[Planted, ...] = ()
    stops_s: tuple[float, ...] = ()

    @property
    def seconds(self) -> float:
        return len(self.samples) / self.rate_hz


@dataclass(frozen=True)
class Hand:
    """How a take is played and heard."""

    scatter_ms: float = 5.0
    average_offset_ms: float = 0.0
    light: float = 0.0
    """Share of strums played about 16 dB softer, into what rings."""
    stops: float = 0.0
    """Share of bars whose last eighth is a hand stopping all strings."""
    muted: float = 0.0
    strum_ms: tuple[float, float] = (8.0, 40.0)
    room_db: float = -math.inf
    noise_db: float = -80.0
    high_strung: bool = False
    swing: float = 0.0
    """By how much of an eighth every second eighth comes late."""


EASY = Hand()
HARD = Hand(scatter_ms=7.0, light=0.2, stops=0.15, muted=0.12, room_db=-18.0, noise_db=-66.0)


@functools.lru_cache(maxsize=4000)
def _note(voice: Voice, note: int, velocity_step: int, muted: bool, variant: int, rate_hz: int) -> Array:
    """A note from the shelf: velocities in steps of a tenth, two variants."""
    return voice(440 * 2 ** ((note - 69) / 12), velocity_step / 10, muted, variant, rate_hz)


@dataclass
class Strings:
    """What each string will sound like; a string that is plucked again falls silent first."""

    rate_hz: int
    frames: int
    out: Array = field(init=False)
    ringing: dict[int, tuple[int, Array]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.out = np.zeros(self.frames)

    def pluck(self, string: int, at: int, note: Array) -> None:
        """Let a string go."""
        self.silence(string, at, round(0.002 * self.rate_hz))
        self.ringing[string] = (at, note)

    def silence(self, string: int, at: int, fade: int) -> None:
        """End a string's note at a frame."""
        if string not in self.ringing:
            return
        start, note = self.ringing.pop(string)
        length = min(max(at - start, 0), len(note), self.frames - start)
        note = note[:length].copy()
        fade = min(fade, length)
        if fade and at - start <= length:
            note[length - fade :] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 1) / fade)
        self.out[start : start + length] += note

    def end(self) -> None:
        """Let all ring out."""
        for string in list(self.ringing):
            self.silence(string, self.frames + len(self.ringing[string][1]), 1)


def make_strums(
    seed: int, *, voice: str | Voice = "steel", hand: Hand = EASY, tempo: float = 72.0, meter: str = "4/4",
    bars: int = 8, bar_one_s: float = 0.6, planted: tuple[tuple[int, int, int, float], ...] = (),
    rate_hz: int = RATE_HZ, drop: tuple[tuple[int, int], ...] = (), harmony: int | None = None,
    fingering: Fingering | None = None,
) -> Strums:
    """Play bars of a pattern.

    Parameters
    ----------
    planted : tuple of (bar, first eighth, last eighth, by_ms)
        Loose places; bars from 1, eighths from 0.
    drop : tuple of (bar, eighth)
        Strums left out.
    harmony : int, optional
        Seed of the chords, one a bar: takes of one song share it. Without it the take's own seed draws them.
    fingering : callable, optional
        What is fretted instead of the chord of a bar.

    Returns
    -------
    Strums
    """
    rng = np.random.default_rng(seed)
    chords = None if harmony is None else np.random.default_rng([17, harmony])
    sound: Voice = VOICES[voice] if isinstance(voice, str) else voice
    pattern = PATTERNS[meter]
    compound = meter in ("6/8", "12/8")
    eighth_s = 60 / tempo / (3 if compound else 2)
    bar_s = eighth_s * len(pattern)
    frames = round((bar_one_s + bars * bar_s + 2.0) * rate_hz)
    strings = Strings(rate_hz, frames)
    loose = {(bar, e): by for bar, first, last, by in planted for e in range(first, last + 1)}
    onsets, grid, stops = [], [], []
    thud = np.zeros(frames)
    for bar in range(1, bars + 1):
        chord = CHORDS[int((rng if chords is None else chords).integers(len(CHORDS)))]
        chord = chord if fingering is None else fingering(bar, chord)
        stop_here = rng.random() < hand.stops
        for e, velocity in enumerate(pattern):
            place_s = bar_one_s + (bar - 1) * bar_s + e * eighth_s
            if stop_here and e == len(pattern) - 1:
                at = round((place_s + rng.normal(0, 0.006)) * rate_hz)
                for string in list(strings.ringing):
                    strings.silence(string, at + int(rng.integers(0, rate_hz // 100)),
                                    round(rng.uniform(0.008, 0.03) * rate_hz))
                burst = rng.standard_normal(rate_hz // 50) * np.hanning(rate_hz // 50)
                thud[at : at + len(burst)] += 0.004 * np.convolve(burst, np.ones(24) / 24, mode="same")
                stops.append(place_s)
                continue
            if velocity == 0.0 or (bar, e) in drop:
                continue
            scatter_ms = float(np.clip(rng.normal(0, hand.scatter_ms), -2.5 * hand.scatter_ms, 2.5 * hand.scatter_ms))
            swing_s = hand.swing * eighth_s if e % 2 and not compound else 0.0
            at_s = place_s + swing_s + (hand.average_offset_ms + scatter_ms + loose.get((bar, e), 0.0)) / 1000
            muted = rng.random() < hand.muted
            hit = velocity * float(np.clip(rng.normal(1, 0.08), 0.7, 1.2))
            if rng.random() < hand.light:
                hit *= 0.16
            down = e % 2 == 0 if not compound else e % 3 != 1
            notes = list(enumerate(chord))
            played = notes if down else notes[::-1][: int(rng.integers(2, 5))]
            spread_s = rng.uniform(*hand.strum_ms) / 1000 * (len(played) - 1) / 5
            steps = np.sort(rng.uniform(0.7, 1.3, len(played) - 1).cumsum()) if len(played) > 1 else np.zeros(0)
            lags = np.concatenate([[0.0], steps / steps[-1] * spread_s]) if len(steps) else np.zeros(1)
            for (string, note), lag in zip(played, lags, strict=True):
                level = hit * float(rng.uniform(0.7, 1.0))
                high = hand.high_strung and note < OCTAVE_UP_BELOW
                tone = _note(sound, note + 12 * high, max(1, min(10, round(level * 10))), muted,
                             int(rng.integers(2)), rate_hz)
                strings.pluck(string, round((at_s + lag) * rate_hz), tone * (level / max(0.1, round(level * 10) / 10)))
            onsets.append(round(at_s * rate_hz) / rate_hz)
            grid.append(place_s)
    strings.end()
    heard = 0.12 * strings.out + thud
    if hand.room_db > -100:
        heard = heard + 10 ** (hand.room_db / 20) * _room(heard, rate_hz, rng)
    heard = heard + 10 ** (hand.noise_db / 20) * rng.standard_normal(frames)
    downbeats = {bar: bar_one_s + (bar - 1) * bar_s for bar in range(1, bars + 1)}
    faults = tuple(Planted(downbeats[bar] + first * eighth_s, downbeats[bar] + last * eighth_s, by)
                 for bar, first, last, by in planted)
    return Strums(heard, rate_hz, np.array(onsets), np.array(grid), tempo, meter, bar_one_s, faults, tuple(stops))


def _room(dry: Array, rate_hz: int, rng: np.random.Generator) -> Array:
    """A small room: noise that decays within a third of a second, after a few ms, as strong as the dry sound."""
    frames = round(0.35 * rate_hz)
    tail = rng.standard_normal(frames) * np.exp(-np.arange(frames) / (0.06 * rate_hz))
    tail[: round(0.004 * rate_hz)] = 0.0
    tail = np.convolve(tail, [0.3, 0.4, 0.3], mode="same")
    tail /= np.sqrt(np.sum(tail**2))
    size = 1 << (len(dry) + frames).bit_length()
    return np.fft.irfft(np.fft.rfft(dry, size) * np.fft.rfft(tail, size), size)[: len(dry)]

"""Takes with nothing wrong, played by the project's own strings: for judging what the check finds.

Four instruments are sums of stiff-string partials (steel, nylon, electric, and a small bright one), four more are the
plucked loops and modal notes of `tests.support.plucked_voices`. Times are seconds, levels dBFS, tuning cents; all comes
from one seed. Partials: f_n = n f_1 sqrt(1 + B n^2) / sqrt(1 + B), Fletcher, JASA 36, 1964; the hands, rooms and levels
by ear.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from tests.support.plucked_voices import VOICES
from tests.support.sounds.waves import Wave, sum_waves

Array = npt.NDArray[np.float64]
REGULAR = (40, 45, 50, 55, 59, 64)
HIGH_STRUNG = (52, 57, 62, 67, 59, 64)
SHAPES = (
    (0, 2, 2, 1, 0, 0), (None, 0, 2, 2, 2, 0), (None, None, 0, 2, 3, 2), (3, 2, 0, 0, 0, 3), (None, 3, 2, 0, 1, 0),
    (0, 2, 2, 0, 0, 0), (None, 0, 2, 2, 1, 0), (1, 3, 3, 2, 1, 1), (None, 2, 4, 4, 3, 2),
)
"""Frets of common chords on six strings; None is not struck."""
PATTERNS = ((1, 0, .6, .4, 0, .5, .8, .4), (1, 0, 0, 0, .8, 0, .5, 0), (1, .4, .5, .9, .4, .5), (1, 0, 0, .6, 0, 0),
            (1, 0, .7, 0, .9, 0, .6, .4), (1, 0, 0, 0, 0, 0, 0, 0))


@dataclass(frozen=True)
class Instrument:
    """How a string of an instrument sounds."""

    stiffness: float
    slope: float
    """Partials fall as n to the minus this."""
    ring_s: float
    dulling: float
    pick: float
    highest_hz: float


INSTRUMENTS = {
    "steel": Instrument(6e-5, 1.0, 3.5, 0.8, 0.5, 13_000),
    "nylon": Instrument(3e-5, 1.7, 1.6, 2.5, 0.15, 7_000),
    "electric": Instrument(9e-5, 1.3, 4.5, 0.5, 0.2, 6_000),
    "small": Instrument(2e-4, 1.1, 1.2, 1.0, 0.7, 14_000),
}
LOOPS = ("loop steel", "loop nylon", "loop electric", "loop modal")


@dataclass(frozen=True)
class MadeTake:
    """A take and what is true of it."""

    samples: Array
    rate_hz: int
    onsets_s: tuple[float, ...]
    gaps_s: tuple[tuple[float, float], ...]
    cents: float
    planted: tuple[tuple[str, float | None], ...] = field(default=())
    """Kind and place of what was put in."""

    def with_samples(self, samples: Array, *planted: tuple[str, float | None]) -> MadeTake:
        """The same take with a fault."""
        return replace(self, samples=samples, planted=self.planted + planted)


@functools.lru_cache(maxsize=3000)
def _note(name: str, hz: float, variant: int, rate_hz: int) -> Array:
    """One note of about peak 1, at full strength."""
    # Some are cut off at their end, which would be a click of its own.
    fade = rate_hz // 20
    fall = 0.5 + 0.5 * np.cos(math.pi * np.arange(fade) / fade)
    if name.startswith("loop "):
        sound = VOICES[name.removeprefix("loop ")](hz, 1.0, False, variant, rate_hz)
        sound[-fade:] *= fall
        return sound.astype(np.float32)
    kind = INSTRUMENTS[name]
    rng = np.random.default_rng([variant, round(hz * 10), len(name)])
    frames = round(min(kind.ring_s, 3.0) * rate_hz)
    place = rng.uniform(0.1, 0.22)
    waves = []
    for n in range(1, 60):
        pitch = n * hz * math.sqrt((1 + kind.stiffness * n * n) / (1 + kind.stiffness))
        if pitch > min(kind.highest_hz, 0.45 * rate_hz):
            break
        level = abs(math.sin(math.pi * n * place)) * n**-kind.slope * rng.uniform(0.7, 1.3)
        pace = 6.9 / kind.ring_s * (1 + kind.dulling * pitch / 1000) * rng.uniform(0.8, 1.25)
        # Two planes of vibration, a little apart: slow beats.
        beating_hz = pitch * (1 + rng.normal(0, 5e-5))
        waves.append(Wave(level, beating_hz, rng.uniform(0, 2 * math.pi), pace,
                          min(frames, round(9 / pace * rate_hz))))
    note = sum_waves(waves, frames, rate_hz, rises=np.full(len(waves), 3000.0))
    pick = round(rng.uniform(0.002, 0.006) * rate_hz)
    burst = rng.standard_normal(pick) * np.hanning(pick)
    note[:pick] += kind.pick * np.abs(note[: rate_hz // 20]).max() * 0.5 * np.diff(burst, prepend=0.0)
    note[-fade:] *= fall
    return (note / np.abs(note[: rate_hz // 10]).max()).astype(np.float32)


@functools.lru_cache(maxsize=50)
def _body(seed: int, rate_hz: int, room: float) -> Array:
    """Body and room as one impulse response."""
    rng = np.random.default_rng(seed)
    frames = round(0.35 * rate_hz)
    t = np.arange(frames) / rate_hz
    out = np.zeros(frames)
    out[0] = 1.0
    for hz in np.concatenate([[100, 190, 230], np.geomspace(350, 4500, 14)]) * rng.uniform(0.93, 1.07, 17):
        fall = math.pi * hz / rng.uniform(8, 25)
        out += rng.choice([-1, 1]) * rng.uniform(0.3, 1.2) * 2 * fall / rate_hz * np.exp(-fall * t) * np.sin(
            2 * math.pi * hz * t)
    tail = rng.standard_normal(frames) * np.exp(-t / rng.uniform(0.04, 0.08)) * (1 - np.exp(-t / 0.004))
    tail = np.convolve(tail, [0.25, 0.5, 0.25], mode="same")
    return out + room * tail / np.sqrt(np.sum(tail**2))


def make_take(seed: int, *, instrument: str = "steel", rate_hz: int = 48_000, tempo: float = 80.0,
              seconds: float = 20.0, cents: float = 0.0, drift_cents: float = 0.0, noise_db: float = -76.0,
              peak_db: float = -8.0, high_strung: bool = False, breaks: bool = True, song: int | None = None,
              room: float = 0.15, string_cents: float = 0.8, hands: bool = True) -> MadeTake:
    """Play a take.

    Parameters
    ----------
    song : int, optional
        Seed of chords and pattern; takes of one song are doubles of each other. Without it, the take's own.
    breaks : bool
        Whether every fourth bar ends early, with a hand on the strings.
    """
    from scipy import signal

    rng = np.random.default_rng(seed)
    tune = np.random.default_rng(seed if song is None else song + 10_000)
    frames = round(seconds * rate_hz)
    dry = np.zeros(frames + 4 * rate_hz)
    noises = np.zeros(frames + rate_hz)
    pattern = PATTERNS[int(tune.integers(len(PATTERNS)))]
    chords = [SHAPES[int(tune.integers(len(SHAPES)))] for _ in range(4)]
    eighth = 30.0 / tempo
    start = 0.9
    off = rng.normal(0, string_cents, 6)
    off -= off.mean()
    ringing: dict[int, tuple[int, Array]] = {}
    onsets, gaps = [], [(0.0, start - 0.08)]
    opens = HIGH_STRUNG if high_strung else REGULAR

    def stop(string: int, at: int, fade: int) -> None:
        if string not in ringing:
            return
        begun, note = ringing.pop(string)
        note = note[: max(at - begun, 1)].copy()
        fade = min(fade, len(note))
        note[len(note) - fade :] *= 0.5 + 0.5 * np.cos(math.pi * np.arange(fade) / fade)
        dry[begun : begun + len(note)] += note

    bar, now = 0, start
    while now < seconds - 2.5:
        chord = chords[bar % 4]
        for e, velocity in enumerate(pattern):
            at_s = now + e * eighth + float(np.clip(rng.normal(0, 0.006), -0.015, 0.015))
            if breaks and bar % 4 == 3 and e >= len(pattern) // 2:
                if e == len(pattern) // 2:
                    at = round(at_s * rate_hz)
                    for string in list(ringing):
                        stop(string, at + int(rng.integers(0, rate_hz // 100)), round(rng.uniform(.008, .03) * rate_hz))
                    if hands:
                        length = round(rng.uniform(0.02, 0.05) * rate_hz)
                        burst = np.convolve(rng.standard_normal(length), np.ones(9) / 9, mode="same")
                        noises[at : at + length] += 0.01 * burst * np.hanning(length)
                    gaps.append((at_s + 0.35, now + len(pattern) * eighth - 0.08))
                continue
            if not velocity or at_s > seconds - 2.0:
                continue
            hit = velocity * float(np.clip(rng.normal(1, 0.1), 0.6, 1.3))
            if rng.random() < 0.08:
                hit *= 0.25
            down = e % 2 == 0
            struck = [s for s, fret in enumerate(chord) if fret is not None]
            struck = struck if down else struck[::-1][: int(rng.integers(2, 5))]
            spread = rng.uniform(0.008, 0.03)
            for rank, string in enumerate(struck):
                at = round((at_s + spread * rank / 5 * rng.uniform(0.8, 1.2)) * rate_hz)
                wander = drift_cents * (at_s / seconds - 0.5)
                note_number = opens[string] + (chord[string] or 0)
                hz = 440 * 2 ** ((note_number - 69) / 12 + (cents + off[string] + wander) / 1200)
                note = _note(instrument, round(float(hz), 3), int(rng.integers(3)), rate_hz)
                stop(string, at, round(0.003 * rate_hz))
                ringing[string] = (at, note * hit * float(rng.uniform(0.6, 1.0)))
            onsets.append(at_s)
        now += len(pattern) * eighth
        bar += 1
    for string in list(ringing):
        stop(string, frames + 4 * rate_hz, 1)
    body = _body((seed if song is None else song) % 7, rate_hz, room)
    wet = signal.oaconvolve(dry[:frames], body)[:frames] + noises[:frames]
    wet *= 10 ** (peak_db / 20) / np.abs(wet).max()
    floor = rng.standard_normal(frames)
    hiss = 0.8 * floor + 0.6 * signal.lfilter([1.0], [1, -0.95], rng.standard_normal(frames)) * math.sqrt(1 - 0.95**2)
    wet += 10 ** (noise_db / 20) * hiss
    return MadeTake(wet, rate_hz, tuple(onsets), tuple((a, min(b, seconds)) for a, b in gaps if b - a > 0.3), cents)

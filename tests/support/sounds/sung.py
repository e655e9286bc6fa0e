"""Sung and bowed takes made by a formula, seeded: phrases with rests between them, a lead and doubles of it.

A voice is a pulse train through three resonances (vowels), with breaths and hisses of filtered noise; a bowed string is
a sawtooth that swells, through fixed body resonances. Formants: Peterson and Barney, JASA 24 (1952), rounded, from
memory. Nothing here is tuned by: it only guards what outside material showed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal

RATE_HZ = 32_000
VOWELS_HZ = ((730, 1090, 2440), (530, 1840, 2480), (270, 2290, 3010), (570, 840, 2410), (300, 870, 2240))
BODY_HZ = (280, 460, 700)
SCALE = (0, 2, 4, 5, 7, 9, 11, 12)
PHRASES = 6
FIRST_S = 0.8


@dataclass(frozen=True, eq=False)
class SungTake:
    """A take, and where its phrases begin and end."""

    samples: np.ndarray
    phrases_s: tuple[tuple[float, float], ...]


def sing(seed: int, *, kind: str = "voice", again: int = 0, late_ms: Sequence[float] = (),
         hiss_db: float = -60.0, breath_db: float = -60.0, pop_db: float = -60.0) -> SungTake:
    """Sing or bow six phrases.

    Parameters
    ----------
    seed : int
        Of the tune.
    kind : {"voice", "bowed"}
    again : int
        Which take of it: another one has other scatter (12 ms), tuning, vibrato and strength.
    late_ms : sequence of float
        How much later than the tune asks each phrase is.
    hiss_db, breath_db, pop_db : float
        Level of an "s", a breath before and a pop in every second phrase, against the loudest moment.
    """
    tune, hand = np.random.default_rng((seed, 1)), np.random.default_rng((seed, 2, again))
    total, spans, at_s = np.zeros(int(34 * RATE_HZ)), list[tuple[float, float]](), FIRST_S
    for phrase in range(PHRASES):
        late_s = late_ms[phrase] / 1000 if late_ms else 0.0
        begins_s = at_s
        for _ in range(5):
            length_s = float(tune.choice((0.3, 0.45, 0.6)))
            pitch, vowel = 57 + SCALE[tune.integers(8)], VOWELS_HZ[tune.integers(5)]
            start = int((at_s + late_s + hand.normal(0, 0.012)) * RATE_HZ)
            note = _note(kind, pitch + hand.normal(0, 0.05), length_s * 0.97, vowel, hand)
            total[start : start + len(note)] += note * 10 ** (hand.normal(0, 1) / 20)
            at_s += length_s
        spans.append((begins_s + late_s, at_s + late_s))
        at_s += 0.9
    total *= 0.4 / np.abs(total).max()
    for start_s, _ in spans[::2]:
        # A hiss stands for the voice, so there is none under it.
        hiss = slice(int((start_s + 0.6) * RATE_HZ), int((start_s + 0.72) * RATE_HZ))
        total[hiss] *= 1 - np.hanning(hiss.stop - hiss.start) ** 0.25
        _add(total, _noise(hand, 0.12, 5500, 9000), start_s + 0.6, hiss_db)
        _add(total, _noise(hand, 0.35, 500, 5000), start_s - 0.45, breath_db)
        _add(total, np.sin(2 * np.pi * 35 * np.arange(int(0.06 * RATE_HZ)) / RATE_HZ), start_s + 0.3, pop_db)
    total += np.random.default_rng((seed, 3, again)).standard_normal(len(total)) * 1e-4
    return SungTake(total[: int((at_s + 0.5) * RATE_HZ)], tuple(spans))


def _add(total: np.ndarray, noise: np.ndarray, at_s: float, level_db: float) -> None:
    """Add a noise whose mean square is `level_db` against a tone of the loudest peak."""
    start = int(at_s * RATE_HZ)
    shape = np.hanning(len(noise))
    size = 0.4 / np.sqrt(2) * 10 ** (level_db / 20) / np.sqrt(np.mean((noise * shape) ** 2))
    total[start : start + len(noise)] += noise * shape * size


def _noise(hand: np.random.Generator, seconds: float, low_hz: float, high_hz: float) -> np.ndarray:
    """Noise of a band."""
    band = signal.butter(4, (low_hz, high_hz), "bandpass", fs=RATE_HZ, output="sos")
    return signal.sosfilt(band, hand.standard_normal(int(seconds * RATE_HZ)))


def _note(kind: str, pitch: float, seconds: float, vowel: tuple[int, ...], hand: np.random.Generator) -> np.ndarray:
    """One note."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    depth = 0.25 if kind == "voice" else 0.12
    slide = -0.6 * np.exp(-t / 0.05) if kind == "voice" else 0.0
    bend = depth * np.sin(2 * np.pi * hand.uniform(5.2, 6.2) * t + hand.uniform(0, 6)) * np.minimum(t / 0.25, 1)
    cycles = np.cumsum(440 * 2 ** ((pitch - 69 + bend + slide) / 12)) / RATE_HZ
    saw = 2 * (cycles % 1) - 1
    sound = np.zeros_like(t)
    for place_hz in vowel if kind == "voice" else BODY_HZ:
        width = 90 if kind == "voice" else 300
        peak = signal.iirpeak(place_hz, place_hz / width, fs=RATE_HZ)
        sound += signal.lfilter(*peak, saw)
    if kind == "bowed":
        sound += 0.2 * saw + 0.02 * hand.standard_normal(len(t))
    swell = np.minimum(t / (0.04 if kind == "voice" else 0.08), 1) * np.minimum((seconds - t) / 0.06, 1)
    return sound * np.clip(swell, 0, None)

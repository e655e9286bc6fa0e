"""What sustained takes are compared by: level, chroma, spectral envelope and periodicity, 100 frames a second.

Frame n is the sound around n * 10 ms. Levels are dB with full scale 0; chroma and mel bands are magnitudes. Voices and
bowed strings have no sharp attacks, but notes, vowels and bowings change them all.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import Float32Array, FloatArray, Sound

HOP_S = 0.01


@dataclass(frozen=True)
class FeatureSettings:
    """How frames are cut and which frequencies count."""

    short_s: float = 0.046  # level, mel bands, periodicity: two periods of a low voice (70 Hz) fit with room
    long_s: float = 0.093  # chroma: neighbouring semitones are separate from 190 Hz up
    block_frames: int = 512  # frames analysed at once; little memory
    chroma_hz: tuple[float, float] = (110.0, 3500.0)  # fundamentals and first partials from a bass voice to a violin
    low_hz: tuple[float, float] = (20.0, 60.0)  # below every voice: breath that hits the microphone
    mel_hz: tuple[float, float] = (80.0, 11_000.0)
    mel_bands: int = 24
    period_hz: tuple[float, float] = (65.0, 1050.0)  # from C2 to C6
    floor_db: float = -120.0
    silent_db: float = -90.0
    loud_percentile: float = 95.0


FEATURES = FeatureSettings()


@dataclass(frozen=True)
class SustainedFeatures:
    """Features of one take.

    Attributes
    ----------
    level_db : np.ndarray [shape=(frames,)]
        Above 80 Hz.
    chroma : np.ndarray [shape=(frames, 12)]
        Magnitudes, C first.
    mel : np.ndarray [shape=(frames, 24)]
        Powers.
    periodicity : np.ndarray [shape=(frames,)]
        0 (noise) to 1 (one steady tone).
    f0_hz : np.ndarray [shape=(frames,)]
        Fundamental of the strongest period; meaningless where periodicity is low.
    low_db : np.ndarray [shape=(frames,)]
        Level of 20 to 60 Hz.
    """

    level_db: Float32Array
    chroma: Float32Array
    mel: Float32Array
    periodicity: Float32Array
    f0_hz: Float32Array
    low_db: Float32Array

    @property
    def frames(self) -> int:
        """How many."""
        return len(self.level_db)

    @property
    def loud_db(self) -> float:
        """Level of the loud moments; what is digitally silent, as before an overdub, does not count."""
        heard = self.level_db[self.level_db > FEATURES.silent_db]
        return float(np.percentile(heard, FEATURES.loud_percentile)) if len(heard) else FEATURES.floor_db


def measure_features(sound: Sound, start_s: float = 0.0, stop_s: float | None = None) -> SustainedFeatures:
    """Measure the features of a take, or of a part of it.

    Parameters
    ----------
    sound : Sound
        Read in blocks.
    start_s, stop_s : float
        The part; the first frame is at `start_s`.

    Returns
    -------
    SustainedFeatures
    """
    rate_hz = sound.rate_hz
    first = round(start_s * rate_hz)
    last = sound.frames if stop_s is None else min(round(stop_s * rate_hz), sound.frames)
    centres = first + np.round(np.arange(max(int((last - first) / (HOP_S * rate_hz)), 0)) * HOP_S * rate_hz).astype(int)
    plan = _plan(rate_hz)
    parts: list[tuple[Float32Array, ...]] = []
    for at in range(0, len(centres), FEATURES.block_frames):
        inside = centres[at : at + FEATURES.block_frames]
        begin, end = int(inside[0]) - plan.long // 2, int(inside[-1]) + plan.long // 2
        samples = np.zeros(end - begin, np.float32)
        low, high = max(begin, 0), min(end, sound.frames)
        samples[low - begin : high - begin] = sound.read(low, high)
        parts.append(_block(samples, inside - begin, plan))
    if not parts:
        empty = np.zeros(0, np.float32)
        return SustainedFeatures(empty, np.zeros((0, 12), np.float32), np.zeros((0, FEATURES.mel_bands), np.float32),
                                 empty, empty, empty)
    return SustainedFeatures(*(np.concatenate(column) for column in zip(*parts, strict=True)))


@dataclass(frozen=True)
class _Plan:
    """Windows and bands for one rate."""

    short: int
    long: int
    short_window: Float32Array
    long_window: Float32Array
    mel: Float32Array
    chroma: Float32Array
    periods: slice
    own_correlation: Float32Array
    rate_hz: int


@functools.lru_cache(maxsize=8)
def _plan(rate_hz: int) -> _Plan:
    short, long = (1 << round(np.log2(seconds * rate_hz)) for seconds in (FEATURES.short_s, FEATURES.long_s))
    window = np.hanning(short).astype(np.float32)
    power = np.abs(np.fft.rfft(window, 2 * short)) ** 2
    own = np.fft.irfft(power)[: short]
    longest, shortest = rate_hz / FEATURES.period_hz[0], rate_hz / FEATURES.period_hz[1]
    return _Plan(short, long, window, np.hanning(long).astype(np.float32), _mel_bands(short, rate_hz),
                 _chroma_bands(long, rate_hz), slice(int(shortest), min(int(longest) + 2, int(0.6 * short))),
                 (own / own[0]).astype(np.float32), rate_hz)


def _mel_bands(size: int, rate_hz: int) -> Float32Array:
    """Triangular bands, evenly spaced in mel (O'Shaughnessy 1987: 2595 log10(1 + f / 700), from memory)."""
    low, high = (2595 * np.log10(1 + hz / 700) for hz in (FEATURES.mel_hz[0], min(FEATURES.mel_hz[1], 0.49 * rate_hz)))
    edges = 700 * (10 ** (np.linspace(low, high, FEATURES.mel_bands + 2) / 2595) - 1)
    hz = np.fft.rfftfreq(size, 1 / rate_hz)
    rising = (hz[:, None] - edges[:-2]) / (edges[1:-1] - edges[:-2])
    falling = (edges[2:] - hz[:, None]) / (edges[2:] - edges[1:-1])
    return np.asarray(np.clip(np.minimum(rising, falling), 0, None), np.float32)


def _chroma_bands(size: int, rate_hz: int) -> Float32Array:
    """Share of each bin in each pitch class; a bin between two belongs to both."""
    hz = np.fft.rfftfreq(size, 1 / rate_hz)
    bands = np.zeros((len(hz), 12))
    inside = np.flatnonzero((hz > FEATURES.chroma_hz[0]) & (hz < FEATURES.chroma_hz[1]))
    pitch = 69 + 12 * np.log2(hz[inside] / 440)
    below = np.floor(pitch).astype(int)
    upper = pitch - below
    np.add.at(bands, (inside, below % 12), 1 - upper)
    np.add.at(bands, (inside, (below + 1) % 12), upper)
    return np.asarray(bands / np.sqrt(np.maximum(hz, 1.0))[:, None], np.float32)


def _block(samples: Float32Array, centres: np.ndarray, plan: _Plan) -> tuple[Float32Array, ...]:
    """Features of the frames around `centres`."""
    import scipy.fft

    def frames(size: int) -> Float32Array:
        cut = np.lib.stride_tricks.sliding_window_view(samples, size)
        piece: Float32Array = cut[centres - size // 2]
        return piece

    long = np.abs(scipy.fft.rfft(frames(plan.long) * plan.long_window, axis=1))
    chroma = long @ plan.chroma
    first, last = (round(hz * plan.long / plan.rate_hz) for hz in FEATURES.low_hz)
    low_power = np.sum(long[:, first : last + 1] ** 2, axis=1)
    spectrum = scipy.fft.rfft(frames(plan.short) * plan.short_window, 2 * plan.short, axis=1)
    power = (spectrum.real**2 + spectrum.imag**2).astype(np.float32)
    mel = power[:, ::2] @ plan.mel
    bins_hz = plan.rate_hz / (2 * plan.short)
    low = round(FEATURES.mel_hz[0] / bins_hz)
    floor = 10 ** (FEATURES.floor_db / 10)
    # Mean squares by Parseval's theorem: half of the spectrum, and the mean power of the window.
    level_db = 10 * np.log10(power[:, low:].sum(axis=1) / (plan.short * float((plan.short_window**2).sum())) + floor)
    low_db = 10 * np.log10(2 * low_power / (plan.long * float((plan.long_window**2).sum())) + floor)
    # Periods are looked for below 4 kHz: noise above hides none.
    power[:, : low // 2] = 0
    power[:, round(4000 / bins_hz) :] = 0
    alike = scipy.fft.irfft(power, axis=1)[:, : plan.short]
    alike = alike[:, plan.periods] / plan.own_correlation[plan.periods] / (alike[:, :1] + 1e-20)
    best = alike.max(axis=1)
    # The shortest of the periods that are nearly as good: the double of a period fits as well.
    first = np.argmax((alike >= 0.9 * best[:, None]) & (alike >= np.roll(alike, 1, axis=1))
                      & (alike >= np.roll(alike, -1, axis=1)), axis=1)
    f0_hz = plan.rate_hz / (first + plan.periods.start)
    return (level_db.astype(np.float32), chroma.astype(np.float32), mel.astype(np.float32),
            np.clip(best, 0, 1).astype(np.float32), f0_hz.astype(np.float32), low_db.astype(np.float32))


def log_mel_db(mel: Float32Array, range_db: float) -> FloatArray:
    """Mel bands in dB, with a floor under the loud moments: noise below it does not move them."""
    level = 10 * np.log10(mel.astype(np.float64) + 1e-20)
    loudest = level.max(axis=1)
    loud = np.percentile(loudest[loudest > loudest.max() - 100], FEATURES.loud_percentile)
    return np.asarray(np.maximum(level, loud - range_db))

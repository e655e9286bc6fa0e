"""How far apart two microphones of one performance are, and whether one has inverted polarity.

The generalised cross-correlation of both, each frequency weighted by how coherent the two are there: the maximum
likelihood weighting of Knapp and Carter, "The Generalized Correlation Method for Estimation of Time Delay", IEEE
Trans. ASSP 24(4), 1976. Its highest peak, of either sign, is the delay, read between frames; positive is later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import FloatArray, Sound


@dataclass(frozen=True)
class MicSettings:
    """What is compared, and what counts."""

    window_s: float = 0.35
    """Of each spectrum: several times the reach, so that what a delay moves out of it does not count."""
    windows: int = 48
    """The loudest, from all parts of the take."""
    band_hz: tuple[float, float] = (80.0, 10_000.0)
    """Below is rumble, above hardly any string."""
    reach_s: float = 0.05
    """17 m of air; microphones further away are a room sound of their own."""
    least_agreement: float = 0.5
    """Share of the weights in phase from which two sounds are one performance. Planted microphones reach 0.83 to 0.99,
    other performances of the same part at most 0.25 (own measurement)."""
    most_coherence: float = 0.999
    """Coherence that is believed; a few windows show more by chance."""


@dataclass(frozen=True)
class MicDistance:
    """The second microphone against the first.

    Attributes
    ----------
    delay_ms : float
        How much later the second one is.
    is_inverted : bool
    agreement : float
        0 to 1: share of the weights that are in phase at this delay.
    """

    delay_ms: float
    is_inverted: bool
    agreement: float


def measure_mics(one: Sound, other: Sound, settings: MicSettings | None = None) -> MicDistance | None:
    """Compare two microphones of one performance.

    Parameters
    ----------
    one, other : Sound
        Of one rate, at their places in the song.
    settings : MicSettings, optional

    Returns
    -------
    MicDistance or None
        None if they are silent, or not one performance within 50 ms.
    """
    asked = settings or MicSettings()
    rate_hz, frames = one.rate_hz, min(one.frames, other.frames)
    size = round(asked.window_s * rate_hz)
    starts = _loudest(one, frames, size, asked.windows)
    if not starts:
        return None
    # Padded by as much again, so that no delay wraps round.
    padded, window = 1 << (2 * size - 1).bit_length(), np.hanning(size)
    cross: np.ndarray = np.zeros(padded // 2 + 1, np.complex128)
    powers = np.zeros((2, padded // 2 + 1))
    for start in starts:
        spectra = [np.fft.rfft(window * sound.read(start, start + size), padded) for sound in (one, other)]
        # Every window counts alike: a loud strum is no more than one witness.
        level = np.sqrt(np.sum(np.abs(spectra[0]) ** 2) * np.sum(np.abs(spectra[1]) ** 2))
        if level > 0:
            cross += np.conj(spectra[0]) * spectra[1] / level
            powers += np.abs(np.stack(spectra)) ** 2 / level
    return _peak(cross, powers, rate_hz, padded, asked)


def _loudest(sound: Sound, frames: int, size: int, count: int) -> list[int]:
    """First frames of the loudest windows, from all parts of a sound."""
    # Four times as many are looked at as are used, so that a long take is not read to its end.
    apart = max(size, (frames - size) // (4 * count))
    levels = [(float(np.sum(sound.read(at, at + size) ** 2)), at) for at in range(0, frames - size + 1, apart)]
    step = max(1, -(-len(levels) // count))
    best = [max(levels[n : n + step]) for n in range(0, len(levels), step)]
    loudest = max((level for level, _ in best), default=0.0)
    return [at for level, at in best if level > 1e-4 * loudest and level > 0]


def _peak(cross: np.ndarray, powers: FloatArray, rate_hz: int, padded: int, asked: MicSettings) -> MicDistance | None:
    """The highest peak of the weighted correlation, read between frames."""
    hz = np.fft.rfftfreq(padded, 1 / rate_hz)
    size = np.abs(cross)
    coherence = np.clip(size / np.sqrt(np.maximum(powers[0] * powers[1], 1e-30)), 0, asked.most_coherence) ** 2
    weight = coherence / (1 - coherence)
    weight[(hz < asked.band_hz[0]) | (hz > min(asked.band_hz[1], 0.45 * rate_hz)) | (size <= 0)] = 0.0
    # A frequency that rings through every window would outweigh all others.
    weight = np.minimum(weight, 10 * float(np.mean(weight[weight > 0]))) if (weight > 0).any() else weight
    total = float(weight.sum())
    if total <= 0:
        return None
    phase = np.where(weight > 0, cross / np.maximum(size, 1e-30), 0.0) * weight
    fine = 8
    lags = np.fft.irfft(np.concatenate([phase, np.zeros((fine - 1) * padded // 2, np.complex128)])) * fine * padded / 2
    reach = round(asked.reach_s * rate_hz * fine)
    around = np.concatenate([lags[-reach:], lags[: reach + 1]])
    at = int(np.argmax(np.abs(around)))
    sign = 1.0 if around[at] >= 0 else -1.0
    agreement = float(abs(around[at])) / total
    if not 0 < at < len(around) - 1 or agreement < asked.least_agreement:
        return None
    left, top, right = sign * around[at - 1 : at + 2]
    lag = (at - reach + 0.5 * (left - right) / (left - 2 * top + right)) / fine
    return MicDistance(1000 * float(lag) / rate_hz, sign < 0, min(agreement, 1.0))

"""What a file sounds like, from one quick pass over it.

Levels are linear with full scale 1.0, times seconds from the start of the file. A file of several channels is measured
on their mean. One pass costs well under 0.3 s per minute and channel; what is kept does not grow with the sound but for
the onset strength, 100 numbers a second.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.folder.one_performance import Excerpt, excerpt_of, likeness
from layerpipe.analysis.folder.ticks import Ticks, find_ticks
from layerpipe.core.sound import Float32Array, FloatArray

Read = Callable[[int, int], FloatArray | Float32Array]
"""Frames start to stop of a file, shape (stop - start, channels)."""


@dataclass(frozen=True)
class _Pass:
    """How a file is cut up."""

    envelope_s: float = 0.001
    """Step of the peak envelope: short against the 3 ms to which the ticks of a click track keep time."""
    onset_steps: int = 10
    """Envelope steps of one onset strength: 10 ms is short against a sixteenth note."""
    spectrum_s: float = 0.085
    """Length of a spectrum: 12 Hz between bins tell the low E string (82 Hz) from the next octave."""
    block_spectra: int = 64
    """Spectra read at once, 5 s: long enough to be quick, short enough for little memory."""
    silent: float = 0.001
    """Peak under which a file contains only silence, -60 dBFS; a quiet take peaks 30 dB higher."""


@dataclass(frozen=True)
class _Shape:
    """Limits of what is read from envelope and spectrum."""

    lowest_hz: float = 60.0
    """Below is rumble and mains hum, no string of a guitar."""
    guitar_hz: float = 150.0
    """Between the lowest string of a guitar (E2, 82 Hz, with its neighbours up to D3) and that of a high-strung set
    (E3, 165 Hz)."""
    highest_hz: float = 2_000.0
    """Fundamentals and low partials of every part lie below."""
    bright_hz: float = 3_700.0
    """Above are the upper partials of steel strings and noise, little of a voice."""
    pause_s: float = 0.05
    """A pause is at least this long."""
    smooth_s: float = 0.004
    """Onsets are found in the envelope smoothed over this: most of a period of the low E string."""
    gap_db: float = -40.0
    """Against the peak: a pause is quieter."""


PASS, SHAPE = _Pass(), _Shape()


@dataclass(frozen=True)
class CoarseSound:
    """Features of one file."""

    seconds: float
    peak: float
    begins_s: float
    """First sound, within 1 ms."""
    low_share: float
    """Energy below the lowest string of a high-strung guitar, as a share of the energy up to 2 kHz."""
    bright_share: float
    """Energy above 3.7 kHz, as a share of all."""
    pause_share: float
    """Share of the time between first and last sound that is quiet."""
    pitch_motion: float
    """Median change of the spectrum from one moment to the next while it sounds, 0 (steady) to 1."""
    flatness: float
    """Median spectral flatness up to 2 kHz while it sounds: 1 is noise, tones are near 0."""
    onset_strength: Float32Array
    ticks: Ticks | None
    """None where the file is no click track."""
    excerpt: Excerpt
    channels_alike: float
    """Likeness of the first two channels: 1 the same sound, 0 no relation; 1 of a single channel."""
    same_channels: bool
    """Whether the first two channels contain the same samples, apart from gain."""

    @property
    def is_silent(self) -> bool:
        """Whether there is nothing to hear."""
        return self.peak < PASS.silent


def listen(read: Read, frames: int, channels: int, rate_hz: int) -> CoarseSound:
    """Measure a file.

    Parameters
    ----------
    read : callable
        Gives frames start to stop, of shape (stop - start, channels).
    frames, channels, rate_hz : int

    Returns
    -------
    CoarseSound
    """
    step = max(1, round(PASS.envelope_s * rate_hz))
    size = 1 << round(np.log2(PASS.spectrum_s * rate_hz))
    window = np.hanning(size).astype(np.float32)
    hz = np.arange(size // 2 + 1) * (rate_hz / size)
    spectra = np.zeros(size // 2 + 1)
    envelope: list[Float32Array] = []
    motion: list[Float32Array] = []
    flat: list[Float32Array] = []
    loudness: list[Float32Array] = []
    apart = np.zeros(3)
    block = PASS.block_spectra * size // step * step
    left = np.zeros(0, np.float32)
    for start in range(0, frames, block):
        sound = read(start, min(start + block, frames))
        mono = (sound[:, 0] if channels == 1 else sound.mean(axis=1)).astype(np.float32)
        if channels > 1:
            a, b = sound[:, 0], sound[:, 1]
            apart += (np.dot(a, a), np.dot(b, b), np.dot(a, b))
        loud = np.abs(mono) if channels == 1 else np.abs(sound).max(axis=1).astype(np.float32)
        envelope.append(np.maximum.reduceat(loud, np.arange(0, len(loud), step)))
        whole = np.concatenate([left, mono])
        count = len(whole) // size
        left = whole[count * size :]
        if count:
            power = _powers(whole[: count * size].reshape(count, size) * window)
            spectra += power.sum(axis=0)
            moved, flatness, energy = _motion(power, hz)
            motion.append(moved)
            flat.append(flatness)
            loudness.append(energy)
    none = [np.zeros(0, np.float32)]
    changes = np.stack([np.concatenate(part or none) for part in (motion, flat, loudness)])
    return _described(np.concatenate(envelope), step / rate_hz, spectra, hz, changes, apart, read, frames, channels,
                      rate_hz)


def _powers(rows: Float32Array) -> Float32Array:
    """Power spectra of windowed rows."""
    import scipy.fft

    spectrum = scipy.fft.rfft(rows, axis=1)
    powers: Float32Array = spectrum.real**2 + spectrum.imag**2
    return powers


def _motion(power: Float32Array, hz: FloatArray) -> tuple[Float32Array, Float32Array, Float32Array]:
    """How much the spectrum under 2 kHz changes between neighbours, its flatness, the energy of the quieter one."""
    inside = power[:, (hz >= SHAPE.lowest_hz) & (hz <= SHAPE.highest_hz)]
    root = np.sqrt(inside)
    energy = inside.sum(axis=1)
    alike = (root[1:] * root[:-1]).sum(axis=1) / np.sqrt(energy[1:] * energy[:-1] + 1e-20)
    flatness = np.exp(np.log(inside[1:] + 1e-20).mean(axis=1)) / (inside[1:].mean(axis=1) + 1e-20)
    return 1 - alike, flatness, np.minimum(energy[1:], energy[:-1])


def _described(envelope: Float32Array, step_s: float, spectra: FloatArray, hz: FloatArray, changes: Float32Array,
               apart: FloatArray, read: Read, frames: int, channels: int, rate_hz: int) -> CoarseSound:
    """Features from what one pass collected."""
    motion, flatness, loudness = changes
    peak = float(envelope.max(initial=0.0))
    heard = np.flatnonzero(envelope > peak * 10 ** (SHAPE.gap_db / 20))
    first, last = (int(heard[0]), int(heard[-1]) + 1) if len(heard) else (0, 0)
    used = (hz >= SHAPE.lowest_hz) & (hz <= SHAPE.highest_hz)
    sounding = loudness > 1e-3 * loudness.max(initial=0.0)
    silent = peak < PASS.silent
    same = bool(channels > 1 and apart[2] ** 2 >= (1 - 1e-6) * apart[0] * apart[1] > 0)
    alike = 1.0
    if channels > 1 and not silent and not same:
        alike = likeness(excerpt_of(read, frames, rate_hz, 0), excerpt_of(read, frames, rate_hz, 1)).share
    pauses = envelope[first:last]
    width = round(SHAPE.pause_s / step_s)
    smooth = np.maximum.reduceat(pauses, np.arange(0, len(pauses), width)) if len(pauses) else pauses
    moved, flat = (float(np.median(part[sounding])) if sounding.any() else 0.0 for part in (motion, flatness))
    return CoarseSound(
        seconds=frames / rate_hz, peak=peak, begins_s=first * step_s,
        low_share=_share(spectra, used & (hz < SHAPE.guitar_hz), used),
        bright_share=_share(spectra, hz > SHAPE.bright_hz, hz > 0),
        pause_share=float(np.mean(smooth < peak * 10 ** (SHAPE.gap_db / 20))) if len(smooth) else 0.0,
        pitch_motion=moved, flatness=flat, onset_strength=_onset_strength(envelope, step_s),
        ticks=None if silent else find_ticks(envelope, step_s, read, rate_hz),
        excerpt=excerpt_of(read, frames, rate_hz), channels_alike=alike, same_channels=same)


def _share(spectra: FloatArray, part: np.ndarray, whole: np.ndarray) -> float:
    """Energy of some bins against others."""
    return float(spectra[part].sum() / max(spectra[whole].sum(), 1e-20))


def _onset_strength(envelope: Float32Array, step_s: float) -> Float32Array:
    """Rise of the level from one step of 10 ms to the next."""
    width = max(1, round(SHAPE.smooth_s / step_s))
    smooth = np.sqrt(np.convolve(envelope.astype(np.float64) ** 2, np.ones(width) / width, "same"))
    coarse = np.maximum.reduceat(smooth, np.arange(0, len(smooth), PASS.onset_steps))
    strength: Float32Array = np.maximum(np.diff(coarse, prepend=0.0), 0.0).astype(np.float32)
    return strength

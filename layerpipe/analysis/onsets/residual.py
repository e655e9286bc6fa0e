"""What could not be foretold in a sound: the part that does not follow from how it rang a moment before.

A ringing string continues by itself; a plucked one does not, however soft. So a long linear predictor is fitted to the
80 ms before each short block and taken off the block: what is left jumps when a string is plucked, barely moves when a
hand stops the strings, and does not depend on how loud they ring.
Sounds are heard at about 24 kHz, which is fine enough for the moment of a pluck (0.04 ms) and a quarter of the work;
dull ones at 12 kHz, for where there is nothing but noise nothing can be foretold, and a soft pluck drowns in it.
Linear prediction: Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63(4), 1975.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.random  # not left to the first worker thread; see core.sound

from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.fft import next_fast_length
from layerpipe.dsp.filters import design_high_pass, run_sections
from layerpipe.dsp.kernels import burg_predictor, extrapolate, solve_predictors

HEARING_HZ, DULL_HEARING_HZ, DULL_UP_TO_HZ = 24_000, 12_000, 6_500
"""At 12 kHz what lies between 6 and 6.5 kHz is lost; of so dull a sound it is the least part."""
DULL_OVER_DB, DULL_FRAME_S, DULL_BAND_HZ = 12.0, 0.1, 200.0
"""A band moves if its loudest moments are so far over its softest; noise that stands still stays within 7 dB."""
DULL_LOOKS, DULL_LOOK_S = 3, 4.0
TRAIN_S, HOP_S, LAGS_S = 0.080, 0.016, 1 / 75
LOWEST_HZ = 250.0
"""Below it feet and rumble are heard as well as strings; every string has enough above it."""
RIDGE = 1e-9
"""Of a frame's power, added to it: nothing is foretold better than this."""
SILENCE_POWER = 1e-12
CHUNK_S, CONTEXT_S = 16.0, 0.3
LOW_PASS_FRAMES = 2048
AT_ONCE = 32
"""Rows that are worked on together: as many as stay in a processor's cache."""


class Stretch(NamedTuple):
    """A piece of a sound at the hearing rate, with context on both sides of what is to be judged."""

    samples: FloatArray
    rate_hz: float
    start_s: float
    """Where its first frame lies in the sound."""
    judged_s: tuple[float, float]
    """From where to where it is to be judged; pieces touch."""


def stretches(sound: Sound) -> Iterator[Stretch]:
    """Hear a sound in pieces, so that its length never decides the memory used.

    Before its beginning and after its end lies noise as soft as its softest passages, so that a sound that begins at
    once has a beginning.

    Yields
    ------
    Stretch
        In order; what is judged covers the sound once.
    """
    wanted_hz = DULL_HEARING_HZ if _moves_up_to_hz(sound) <= DULL_UP_TO_HZ else HEARING_HZ
    step = max(1, round(sound.rate_hz / wanted_hz))
    rate_hz = sound.rate_hz / step
    context = round(CONTEXT_S * rate_hz) * step
    chunk = round(CHUNK_S * rate_hz) * step
    high_pass = design_high_pass(LOWEST_HZ, rate_hz, slope_db_per_octave=36)
    rng = np.random.default_rng(0)
    for start in range(0, sound.frames, chunk):
        stop = min(start + chunk, sound.frames)
        first, last = start - context, stop + context
        heard = sound.read(max(first, 0), min(last, sound.frames))
        heard = _every(step, heard)
        floor = np.sqrt(_softest_power(heard, rate_hz))
        before, after = -min(first, 0) // step, max(last - sound.frames, 0) // step
        whole = np.concatenate([floor * rng.standard_normal(before), heard, floor * rng.standard_normal(after)])
        judged_s = start / sound.rate_hz, stop / sound.rate_hz
        yield Stretch(run_sections(high_pass, whole)[0], rate_hz, first / sound.rate_hz, judged_s)


def _moves_up_to_hz(sound: Sound) -> float:
    """Up to which frequency a sound is more than noise that stands still, in Hz; 0 if it nowhere is."""
    size, look = round(DULL_FRAME_S * sound.rate_hz), round(DULL_LOOK_S * sound.rate_hz)
    starts = np.unique(np.linspace(0, max(sound.frames - look, 0), DULL_LOOKS).astype(int))
    looks = [sound.read(int(at), min(int(at) + look, sound.frames)) for at in starts]
    frames = np.concatenate([one[: len(one) // size * size].reshape(-1, size) for one in looks])
    bins = round(DULL_BAND_HZ * DULL_FRAME_S)
    bands = size // 2 // bins
    if not len(frames) or not bands:
        return sound.rate_hz / 2
    powers = np.abs(np.fft.rfft(frames * np.hanning(size))[:, : bands * bins]) ** 2
    soft, loud = np.percentile(powers.reshape(len(frames), bands, bins).mean(axis=2), [5, 98], axis=0)
    moving = np.flatnonzero(10 * np.log10((loud + SILENCE_POWER) / (soft + SILENCE_POWER)) > DULL_OVER_DB)
    return float((moving[-1] + 1) * DULL_BAND_HZ) if len(moving) else 0.0


def _every(step: int, samples: FloatArray) -> FloatArray:
    """Every frame of so many, after a low-pass: a sinc of 24 steps under a Hamming window."""
    if step == 1:
        return samples
    reach = 12 * step
    at = np.arange(-reach, reach + 1)
    low_pass = np.sinc(0.92 / step * at) * np.hamming(len(at))
    response = np.fft.rfft(low_pass / low_pass.sum(), LOW_PASS_FRAMES)
    hop = (LOW_PASS_FRAMES - 2 * reach) // step * step
    pieces = np.lib.stride_tricks.sliding_window_view(np.pad(samples, (reach, LOW_PASS_FRAMES)), LOW_PASS_FRAMES)[::hop]
    kept = []
    for first in range(0, len(pieces), AT_ONCE):
        spectra = np.fft.rfft(pieces[first : first + AT_ONCE]) * response
        # Circular, but what wraps around falls on the beginnings, which are thrown away.
        kept.append(np.fft.irfft(spectra, LOW_PASS_FRAMES)[:, 2 * reach : 2 * reach + hop : step])
    return np.concatenate(kept).ravel()[: -(-len(samples) // step)]


def _softest_power(samples: FloatArray, rate_hz: float) -> float:
    """Power of the softest passages that are not digital silence."""
    size = round(0.01 * rate_hz)
    whole = samples[: len(samples) // size * size].reshape(-1, size)
    powers = np.mean(whole**2, axis=1)
    powers = powers[powers > SILENCE_POWER]
    return float(np.percentile(powers, 3)) if len(powers) else SILENCE_POWER


def unforetold(stretch: Stretch) -> FloatArray:
    """What a predictor trained on the 80 ms before cannot foretell.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
        As long as the stretch; zeros where there is too little before to train on.
    """
    samples, rate_hz = stretch.samples, stretch.rate_hz
    lags, train, hop = round(LAGS_S * rate_hz), round(TRAIN_S * rate_hz), round(HOP_S * rate_hz)
    out = np.zeros(len(samples))
    starts = np.arange(train, len(samples) - hop, hop)
    if not len(starts):
        return out
    window, room = np.hanning(train), np.empty(2 * lags + 2)
    trained_on = np.lib.stride_tricks.sliding_window_view(samples, train)
    applied_to = np.lib.stride_tricks.sliding_window_view(samples, lags + hop)
    train_size, size = next_fast_length(train + lags + 1), next_fast_length(lags + hop)
    for at in range(0, len(starts), AT_ONCE):
        here = starts[at : at + AT_ONCE]
        spectra = np.fft.rfft(trained_on[here - train] * window, train_size)
        power = spectra.real**2 + spectra.imag**2
        correlations = np.ascontiguousarray(np.fft.irfft(power, train_size)[:, : lags + 1])
        correlations[:, 0] *= 1 + RIDGE
        predictors = np.empty_like(correlations)
        solve_predictors(correlations, SILENCE_POWER * float(np.sum(window**2)), predictors, room)
        # Circular, as above.
        spectra = np.fft.rfft(applied_to[here - lags], size) * np.fft.rfft(predictors, size)
        rest = np.fft.irfft(spectra, size)[:, lags : lags + hop]
        out[here[0] : here[0] + rest.size] = rest.ravel()
    return out


def unforetold_after(samples: FloatArray, trained: int, rate_hz: float) -> FloatArray:
    """What the first `trained` frames, fitted by Burg's method, cannot foretell of those that follow.

    Returns
    -------
    np.ndarray [shape=(len(samples) - trained,), float64]
    """
    lags = min(round(LAGS_S * rate_hz), trained // 2)
    predictor = np.empty(lags + 1)
    burg_predictor(samples[:trained].copy(), samples[:trained].copy(), predictor, np.empty(len(predictor)))
    heard = samples[trained - lags :]
    size = next_fast_length(len(heard))
    # Circular, as above.
    return np.fft.irfft(np.fft.rfft(heard, size) * np.fft.rfft(predictor, size), size)[lags : len(heard)]


def foretold(before: FloatArray, frames: int, rate_hz: float) -> FloatArray:
    """How a sound would go on: the predictor of its last 80 ms, run on by itself.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
        Zeros where there is too little before to train on.
    """
    trained = before[max(len(before) - round(TRAIN_S * rate_hz), 0) :]
    lags = min(round(LAGS_S * rate_hz), len(trained) // 2)
    if lags < 2:
        return np.zeros(frames)
    predictor = np.empty(lags + 1)
    burg_predictor(trained.copy(), trained.copy(), predictor, np.empty(lags + 1))
    heard = np.concatenate([trained[-lags:], np.zeros(frames)])
    extrapolate(predictor, heard)
    return heard[lags:]

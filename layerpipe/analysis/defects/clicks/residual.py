"""The residual: what rings goes on, so it can be predicted and taken away; what stands out then is no string.

Powers are means of squares in slices of 1/6000 s. A long autoregressive model is fitted to the sound around a place,
without the place itself. Clicks as outliers of an autoregressive residual: Godsill, Rayner, "Digital Audio
Restoration", Springer 1998, chapter 5. Order: trials on plucked strings; with less, bright strings stand out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.clicks.verdict import Residual
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.fft import next_fast_length
from layerpipe.dsp.kernels import solve_predictors

SLICES_PER_S = 6000
MS = SLICES_PER_S // 1000
"""Slices per millisecond."""


@dataclass(frozen=True)
class ResidualSettings:
    """How the residual is made and searched."""

    widths: tuple[int, ...] = (1, 2, 6, 18)
    """Slices that are tried as the length of a click: 0.17, 0.33, 1 and 3 ms."""
    chance: tuple[float, ...] = (7.0, 4.8, 3.2, 2.8)
    """Mean of so many slices over the mean of all: equally improbable in Gaussian noise."""
    samples: tuple[int, ...] = (1, 2, 3, 4)
    """Samples that are tried as the length of a digital tick, which is too short to stand out in a slice."""
    order: int = 256
    short_order: int = 32
    """Is enough for noise; of the two models the one with the smaller prediction error is used."""
    ridge: float = 1e-4
    """As if there were noise 40 dB down: above a band limit there is nothing, and the model would ring there."""
    over_chance: float = 0.5
    over_loudest: float = 1.0
    """What stands out less is no click whatever else is true of it."""


SETTINGS = ResidualSettings()


class Place(NamedTuple):
    """A suspect in the residual: first slice and end."""

    start: int
    stop: int
    residual: Residual


def most_prominent(power: FloatArray, at: int) -> tuple[int, int, int]:
    """First slice, end and width of what stands out most around slice `at`, relative to what chance allows."""
    best, found = 0.0, (at, at + 1, 1)
    first = max(at - 17, 0)
    running = np.concatenate([[0.0], np.cumsum(power[first : at + 18])])
    for width, over in zip(SETTINGS.widths, SETTINGS.chance, strict=True):
        low, top = max(at - width + 1, 0) - first, min(at + width, len(power)) - first
        if top - low < width:
            # A take shorter than a click of that length.
            continue
        sums = (running[low + width : top + 1] - running[low : top + 1 - width]) / (width * over)
        if sums.max() > best:
            start = first + low + int(np.argmax(sums))
            best, found = float(sums.max()), (start, start + width, width)
    return found


def loudest(power: FloatArray, width: int) -> float:
    """The highest mean of so many slices in a row; 0 if there are fewer."""
    if len(power) < width:
        return 0.0
    running = np.concatenate([[0.0], np.cumsum(power)])
    return float((running[width:] - running[:-width]).max()) / width


def residual_of(sound: FloatArray, at: int, step: int, tick: FloatArray) -> Place | None:
    """Measure how slice `at` of a piece stands out of what cannot be predicted.

    Parameters
    ----------
    sound : np.ndarray [shape=(frames,), float64]
        The sound above 3 kHz, 60 ms on both sides.
    at, step : int
        The slice; frames per slice.
    tick : np.ndarray [shape=(frames,), float64]
        Response of the 3 kHz high-pass to a single sample.

    Returns
    -------
    Place or None
        None in digital silence, too near an end, or where nothing stands out.
    """
    hole = slice(max(at - 2 * MS, 0) * step, (at + 4 * MS) * step)
    whitened = _whitened(sound, hole, len(tick))
    if whitened is None:
        return None
    residual = whitened.residual
    power = (residual * residual)[: len(residual) // step * step].reshape(-1, step).mean(axis=1)
    near = slice(max(at - MS, 0), at + MS)
    start, stop, width = most_prominent(power, near.start + int(np.argmax(power[near])))
    before, after = power[SETTINGS.order // step + 1 : max(start - 2 * MS, 0)], power[stop + 4 * MS :]
    if len(before) + len(after) < 30 * MS:
        return None
    sides = [float(side.mean()) for side in (before[-45 * MS :], after[: 45 * MS]) if len(side) > 5 * MS]
    energy = float(power[start:stop].mean())
    over_chance = energy / (SETTINGS.chance[SETTINGS.widths.index(width)] * max(sides) + 1e-30)
    over_loudest = energy / (max(loudest(before, width), loudest(after, width)) + 1e-30)
    if over_chance < SETTINGS.over_chance or over_loudest < SETTINGS.over_loudest:
        return None
    # Hardly any suspect comes as far as this.
    ticks = _ticks(whitened, hole, tick)
    over_rms, over_highest = _amplitudes(ticks, near.start * step, near.stop * step, 2 * MS * step)
    outside = np.r_[SETTINGS.order : hole.start, hole.stop : len(sound)]
    ringing = float(np.mean(sound[outside] ** 2) / (np.mean(residual[outside] ** 2) + 1e-30))
    return Place(start, stop, Residual(over_chance, over_loudest, over_rms, over_highest, ringing))


def _amplitudes(ticks: FloatArray, start: int, stop: int, apart: int) -> tuple[float, float]:
    """The highest sample from start to stop, or sum of a few, over the rms and over the highest elsewhere."""
    running = np.concatenate([[0.0], np.cumsum(ticks)])
    best = 0.0, 0.0
    for width in SETTINGS.samples:
        sums = np.abs(running[width:] - running[:-width])
        top = start + int(np.argmax(sums[start:stop]))
        first = SETTINGS.order
        sides = [side for side in (sums[first : max(top - apart, first)], sums[top + 2 * apart :]) if len(side) > apart]
        if sides:
            rms = max(float(np.sqrt(side @ side / len(side))) for side in sides)
            other = max(float(side.max()) for side in sides)
            best = max(best, (float(sums[top]) / (rms + 1e-30), float(sums[top]) / (other + 1e-30)))
    return best


class _Whitened(NamedTuple):
    """What a model fitted outside a hole does not predict, its spectrum, that of the filter, their size."""

    residual: FloatArray
    spectrum: npt.NDArray[np.complex128]
    white: npt.NDArray[np.complex128]
    size: int
    optimism: float


def _whitened(sound: FloatArray, hole: slice, tick_frames: int) -> _Whitened | None:
    """Take away what a model fitted outside the hole predicts; None in digital silence."""
    around = sound.copy()
    around[hole] = 0.0
    # Long enough for the lags and for the filters, so that nothing wraps around.
    size = next_fast_length(len(sound) + SETTINGS.order + tick_frames)
    spectrum = np.fft.rfft(around, size)
    correlation: FloatArray = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: SETTINGS.order + 1]
    if correlation[0] <= 1e-18:
        return None
    fitted_to = len(sound) - (hole.stop - hole.start)
    models = [_whitener(correlation[: order + 1], fitted_to) for order in (SETTINGS.short_order, SETTINGS.order)]
    whitener, optimism = min(models, key=lambda model: model[0] @ correlation[: len(model[0])] * model[1])
    white = np.fft.rfft(whitener, size)
    spectrum = np.fft.rfft(sound, size) * white
    residual = np.fft.irfft(spectrum, size)[: len(sound)]
    residual[hole] /= math.sqrt(optimism)
    return _Whitened(residual, spectrum, white, size, optimism)


def _ticks(found: _Whitened, hole: slice, tick: FloatArray) -> FloatArray:
    """The output of a matched filter for ticks, which is shorter by the lengths of the filters."""
    # The response to a tick through both filters, reversed in time, gathers the tick in one sample again.
    length = len(found.residual) - SETTINGS.order - len(tick)
    gathered = found.spectrum * np.conj(found.white * np.fft.rfft(tick, found.size))
    ticks = np.fft.irfft(gathered, found.size)[:length]
    ticks[hole] /= found.optimism
    return ticks


def _whitener(correlation: FloatArray, fitted_to: int) -> tuple[FloatArray, float]:
    """Prediction-error filter, and how many times less power it leaves where it was fitted than elsewhere: Akaike's
    final prediction error, Annals of the Institute of Statistical Mathematics 21, 1969, 243-247."""
    order = len(correlation) - 1
    whitener = np.empty((1, order + 1))
    solve_predictors(np.ascontiguousarray(correlation[np.newaxis]), SETTINGS.ridge * float(correlation[0]), whitener,
                     np.empty(2 * order + 2))
    return whitener[0], (fitted_to + order) / max(fitted_to - order, 1)

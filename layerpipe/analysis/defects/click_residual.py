"""What rings goes on: it is foretold from its surroundings, and taken away.

Powers are means of squares in slices; spans are slices or frames as they are named. A long autoregressive model of what
lies around a place is learnt with the place left out; what it does not predict is noise, and what stands alone in it
is no string.
Clicks as outliers of an AR residual: Godsill, Rayner, "Digital Audio Restoration",
Springer 1998. The long model: trials on plucked strings; shorter ones leave the teeth of bright strings standing.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.fft import next_fast_length
from layerpipe.dsp.kernels import solve_predictors

WIDTHS = (1, 2, 6, 18)
"""Slices that are tried as the length of a click: 0.17, 0.33, 1 and 3 ms."""
OVER_MEAN = (7.0, 4.8, 3.2, 2.8)
"""How far over the mean the mean of so many slices must lie: equally improbable in Gaussian noise."""
SHORTEST = (1, 2, 3, 4)
"""Frames that are tried as the length of a digital tick, which drowns in a slice."""
ORDER, SHORT_ORDER = 256, 32
"""The short model is enough for noise, which a long one only seems to foretell."""
RIDGE = 1e-4
"""As if noise 40 dB down were there: an empty band, above a band limit, would make the model ring."""
LEAST_OVER, LEAST_ALONE = 0.5, 1.0
"""What stands out less is nothing; it need not be looked at more closely."""


class Lone(NamedTuple):
    """How a place stands out of the residual of what rings around it."""

    start: int
    stop: int
    over: float
    """Mean power from slice `start` to `stop` over what chance lets so many slices reach."""
    alone: float
    """And over the loudest as many slices within 50 ms."""
    sample_over: float
    """The highest frame, or sum of up to four, over the rms of such sums around."""
    sample_alone: float
    """And over the highest other."""
    rings: float
    """Power of what lies around over that of its residual: how much of it rings."""


def span_of(power: FloatArray, at: int) -> tuple[int, int, int]:
    """First slice, end and width of what stands out most around slice `at`, counted in what chance allows."""
    best, found = 0.0, (at, at + 1, 1)
    first = max(at - 17, 0)
    running = np.concatenate([[0.0], np.cumsum(power[first : at + 18])])
    for width, over in zip(WIDTHS, OVER_MEAN, strict=True):
        low, top = max(at - width + 1, 0) - first, min(at + width, len(power)) - first
        sums = (running[low + width : top + 1] - running[low : top + 1 - width]) / (width * over)
        if len(sums) and sums.max() > best:
            start = first + low + int(np.argmax(sums))
            best, found = float(sums.max()), (start, start + width, width)
    return found


def loudest(power: FloatArray, width: int) -> float:
    """The highest mean of so many slices in a row; 0 where there are fewer."""
    if len(power) < width:
        return 0.0
    running = np.concatenate([[0.0], np.cumsum(power)])
    return float((running[width:] - running[:-width]).max()) / width


def lone_of(sound: FloatArray, at: int, step: int, ms: int, tick: FloatArray) -> Lone | None:
    """Say how the slice `at` of a piece stands out of what is not foretold in it.

    Parameters
    ----------
    sound : np.ndarray [shape=(frames,), float64]
        What lies above 3 kHz, 60 ms on both sides.
    at, step, ms : int
        The slice; frames of a slice; slices of a millisecond.
    tick : np.ndarray [shape=(frames,), float64]
        What a single frame becomes above 3 kHz.

    Returns
    -------
    Lone or None
        None in digital silence, too near an end, or where nothing stands out.
    """
    hole = slice(max(at - 2 * ms, 0) * step, (at + 4 * ms) * step)
    unforetold = _unforetold(sound, hole, tick)
    if unforetold is None:
        return None
    residual, ticks = unforetold
    power = (residual * residual)[: len(residual) // step * step].reshape(-1, step).mean(axis=1)
    near = slice(max(at - ms, 0), at + ms)
    start, stop, width = span_of(power, near.start + int(np.argmax(power[near])))
    before, after = power[ORDER // step + 1 : max(start - 2 * ms, 0)], power[stop + 4 * ms :]
    if len(before) + len(after) < 30 * ms:
        return None
    sides = [float(side.mean()) for side in (before[-45 * ms :], after[: 45 * ms]) if len(side) > 5 * ms]
    energy = float(power[start:stop].mean())
    over = energy / (OVER_MEAN[WIDTHS.index(width)] * max(sides) + 1e-30)
    alone = energy / (max(loudest(before, width), loudest(after, width)) + 1e-30)
    if over < LEAST_OVER or alone < LEAST_ALONE:
        return None
    out = _sample_out(ticks, near.start * step, near.stop * step, 2 * ms * step)
    outside = np.r_[ORDER : hole.start, hole.stop : len(sound)]
    rings = float(np.mean(sound[outside] ** 2) / (np.mean(residual[outside] ** 2) + 1e-30))
    return Lone(start, stop, over, alone, *out, rings)


def _sample_out(ticks: FloatArray, start: int, stop: int, apart: int) -> tuple[float, float]:
    """How the highest frame between start and stop, or sum of a few, stands over the rms and the highest elsewhere."""
    running = np.concatenate([[0.0], np.cumsum(ticks)])
    best = 0.0, 0.0
    for width in SHORTEST:
        sums = np.abs(running[width:] - running[:-width])
        top = start + int(np.argmax(sums[start:stop]))
        sides = [side for side in (sums[ORDER : max(top - apart, ORDER)], sums[top + 2 * apart :]) if len(side) > apart]
        if sides:
            rms = max(float(np.sqrt(side @ side / len(side))) for side in sides)
            other = max(float(side.max()) for side in sides)
            best = max(best, (float(sums[top]) / (rms + 1e-30), float(sums[top]) / (other + 1e-30)))
    return best


def _unforetold(sound: FloatArray, hole: slice, tick: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """What an autoregressive model, learnt outside the hole, does not predict, and how much of a tick is in it.

    Returns
    -------
    (residual, ticks)
        The second, a matched filter's, ends where the sound would have to go on. None of digital silence.
    """
    around = sound.copy()
    around[hole] = 0.0
    # Long enough for the lags and for the filters, so that nothing wraps around.
    size = next_fast_length(len(sound) + ORDER + len(tick))
    spectrum = np.fft.rfft(around, size)
    correlation: FloatArray = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: ORDER + 1]
    if correlation[0] <= 1e-18:
        return None
    learnt_from = len(sound) - (hole.stop - hole.start)
    whitener, flattery = min((_whitener(correlation[: order + 1], learnt_from) for order in (SHORT_ORDER, ORDER)),
                             key=lambda model: model[0] @ correlation[: len(model[0])] * model[1])
    white = np.fft.rfft(whitener, size)
    spectrum = np.fft.rfft(sound, size) * white
    residual = np.fft.irfft(spectrum, size)[: len(sound)]
    # A tick comes through both filters; turned back, they gather it in its frame again.
    ticks = np.fft.irfft(spectrum * np.conj(white * np.fft.rfft(tick, size)), size)[: len(sound) - ORDER - len(tick)]
    residual[hole] /= math.sqrt(flattery)
    ticks[hole] /= flattery
    return residual, ticks


def _whitener(correlation: FloatArray, learnt_from: int) -> tuple[FloatArray, float]:
    """Filter that leaves what a model does not predict, and how much less that is, in power, where it was learnt than
    elsewhere: Akaike's final prediction error, Annals of the Institute of Statistical Mathematics 21, 1969."""
    order = len(correlation) - 1
    whitener = np.empty((1, order + 1))
    solve_predictors(np.ascontiguousarray(correlation[np.newaxis]), RIDGE * float(correlation[0]), whitener,
                     np.empty(2 * order + 2))
    return whitener[0], (learnt_from + order) / max(learnt_from - order, 1)

"""The residual: what rings goes on, so it can be predicted and taken away; what stands out then is no string.

Powers are means of squares in slices of 1/6000 s. A long autoregressive model is fitted to the sound around a place,
without the place itself. Clicks as outliers of an autoregressive residual: Godsill, Rayner, "Digital Audio
Restoration", Springer 1998, chapter 5. Order: trials on plucked strings; with less, bright strings stand out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.clicks.verdict import Residual
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.fft import next_fast_length
from layerpipe.dsp.kernels import solve_predictors

Indices = npt.NDArray[np.int64]

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
    rows: int = 8
    """Places worked on together: as many as fit into a processor's cache."""


SETTINGS = ResidualSettings()


class Place(NamedTuple):
    """A suspect in the residual: first slice and end."""

    start: int
    stop: int
    residual: Residual


def most_prominent(powers: FloatArray, at: Indices) -> tuple[Indices, Indices, Indices]:
    """First slice, end and width of what stands out most around a slice, relative to what chance allows.

    Parameters
    ----------
    powers : np.ndarray [shape=(places, slices) or (slices,)]
    at : np.ndarray [shape=(places,)]
        At least 17 slices from both ends.
    """
    reach = SETTINGS.widths[-1] - 1
    near = at[:, np.newaxis] + np.arange(-reach, reach + 1)
    running = _running(powers[near] if powers.ndim == 1 else np.take_along_axis(powers, near, axis=1))
    best, starts, widths = np.zeros(len(at)), at.copy(), np.ones(len(at), np.int64)
    for width, over in zip(SETTINGS.widths, SETTINGS.chance, strict=True):
        low = reach + 1 - width
        sums = (running[:, reach + 1 : reach + 1 + width] - running[:, low : reach + 1]) / (width * over)
        highest = sums.max(axis=1)
        is_better = highest > best
        best = np.where(is_better, highest, best)
        starts = np.where(is_better, at - reach + low + sums.argmax(axis=1), starts)
        widths = np.where(is_better, width, widths)
    return starts, starts + widths, widths


def loudest(powers: FloatArray, starts: Indices, stops: Indices, widths: Indices) -> FloatArray:
    """The highest mean of so many slices in a row, from start to stop; 0 where there are fewer.

    Parameters
    ----------
    powers : np.ndarray [shape=(places, slices) or (slices,)]
    starts, stops, widths : np.ndarray [shape=(places,)]
        Start and stop are cut to the slices that there are.
    """
    starts, stops = np.maximum(starts, 0), np.minimum(stops, powers.shape[-1])
    near = starts[:, np.newaxis] + np.arange(max(int((stops - starts).max(initial=0)), 1))
    inside, near = near < stops[:, np.newaxis], np.minimum(near, powers.shape[-1] - 1)
    # Zeros after the end make no sum higher.
    running = _running(np.where(inside, powers[near] if powers.ndim == 1 else np.take_along_axis(powers, near, 1), 0.0))
    highest = np.zeros(len(starts))
    for width in set(widths[stops - starts >= widths].tolist()):
        here = np.flatnonzero((widths == width) & (stops - starts >= width))
        highest[here] = (running[here, width:] - running[here, :-width]).max(axis=1) / width
    return highest


def _running(powers: FloatArray) -> FloatArray:
    """Sums of the first 0, 1, 2 ... slices of each row."""
    sums = np.zeros((len(powers), powers.shape[1] + 1))
    np.cumsum(powers, axis=1, out=sums[:, 1:])
    return sums


def residuals_of(sounds: FloatArray, at: int, step: int, tick: FloatArray) -> list[Place | None]:
    """Measure how slice `at` of each of some pieces stands out of what cannot be predicted.

    Parameters
    ----------
    sounds : np.ndarray [shape=(pieces, frames), float64]
        The sound above 3 kHz, 60 ms on both sides.
    at, step : int
        The slice; frames per slice.
    tick : np.ndarray [shape=(frames,), float64]
        Response of the 3 kHz high-pass to a single sample.

    Returns
    -------
    list of Place or None
        None in digital silence, too near an end, or where nothing stands out.
    """
    found: list[Place | None] = []
    for first in range(0, len(sounds), SETTINGS.rows):
        found += _residuals_of(sounds[first : first + SETTINGS.rows], at, step, tick)
    return found


def _residuals_of(sounds: FloatArray, at: int, step: int, tick: FloatArray) -> list[Place | None]:
    """The same for as many pieces as are worked on together."""
    hole = slice(max(at - 2 * MS, 0) * step, (at + 4 * MS) * step)
    places: list[Place | None] = [None] * len(sounds)
    whitened, heard = _whitened(sounds, hole, len(tick))
    if not len(heard):
        return places
    powers = whitened.residual * whitened.residual
    powers = powers[:, : powers.shape[1] // step * step].reshape(len(heard), -1, step).mean(axis=2)
    near = slice(max(at - MS, 0), at + MS)
    starts, stops, widths = most_prominent(powers, near.start + np.argmax(powers[:, near], axis=1))
    first, last = SETTINGS.order // step + 1, np.maximum(starts - 2 * MS, 0)
    ends = np.full(len(heard), powers.shape[1])
    other = np.maximum(loudest(powers, np.full(len(heard), first), last, widths),
                       loudest(powers, stops + 4 * MS, ends, widths))
    for row, place in enumerate(heard):
        start, stop, width = int(starts[row]), int(stops[row]), int(widths[row])
        before, after = powers[row, first : last[row]], powers[row, stop + 4 * MS :]
        if len(before) + len(after) < 30 * MS:
            continue
        level = max(float(side.mean()) for side in (before[-45 * MS :], after[: 45 * MS]) if len(side) > 5 * MS)
        energy = float(powers[row, start:stop].mean())
        over_chance = energy / (SETTINGS.chance[SETTINGS.widths.index(width)] * level + 1e-30)
        over_loudest = energy / (float(other[row]) + 1e-30)
        if over_chance < SETTINGS.over_chance or over_loudest < SETTINGS.over_loudest:
            continue
        # Hardly any suspect comes as far as this.
        ticks = _ticks(whitened, row, hole, tick)
        over_rms, over_highest = _amplitudes(ticks, near.start * step, near.stop * step, 2 * MS * step)
        sound, residual = sounds[place], whitened.residual[row]
        outside = np.r_[SETTINGS.order : hole.start, hole.stop : len(sound)]
        ringing = float(np.mean(sound[outside] ** 2) / (np.mean(residual[outside] ** 2) + 1e-30))
        places[place] = Place(start, stop, Residual(over_chance, over_loudest, over_rms, over_highest, ringing))
    return places


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
    """What models fitted outside a hole do not predict, its spectra, those of the filters, their size.

    `optimism` (pieces,) is how many times less power a model leaves where it was fitted than elsewhere.
    """

    residual: FloatArray
    spectra: npt.NDArray[np.complex128]
    white: npt.NDArray[np.complex128]
    size: int
    optimism: FloatArray


def _whitened(sounds: FloatArray, hole: slice, tick_frames: int) -> tuple[_Whitened, Indices]:
    """Take away what models fitted outside the hole predict, and which pieces are no digital silence."""
    frames = sounds.shape[1]
    around = sounds.copy()
    around[:, hole] = 0.0
    # Long enough for the lags and for the filters, so that nothing wraps around.
    size = next_fast_length(frames + SETTINGS.order + tick_frames)
    spectra = np.fft.rfft(around, size)
    correlations: FloatArray = np.fft.irfft(spectra.real**2 + spectra.imag**2, size)[:, : SETTINGS.order + 1]
    heard = np.flatnonzero(correlations[:, 0] > 1e-18)
    correlations = correlations[heard]
    # Akaike's final prediction error, Annals of the Institute of Statistical Mathematics 21, 1969, 243-247.
    fitted_to = frames - (hole.stop - hole.start)
    optimism = [(fitted_to + order) / max(fitted_to - order, 1) for order in (SETTINGS.short_order, SETTINGS.order)]
    short, long = (_whiteners(correlations[:, : order + 1]) for order in (SETTINGS.short_order, SETTINGS.order))
    is_long = (np.vecdot(long, correlations) * optimism[1]
               < np.vecdot(short, correlations[:, : short.shape[1]]) * optimism[0])
    whiteners = np.where(is_long[:, np.newaxis], long, np.pad(short, ((0, 0), (0, long.shape[1] - short.shape[1]))))
    white = np.fft.rfft(whiteners, size)
    spectra = np.fft.rfft(sounds[heard], size) * white
    residual = np.fft.irfft(spectra, size)[:, :frames]
    of_each = np.where(is_long, optimism[1], optimism[0])
    residual[:, hole] /= np.sqrt(of_each)[:, np.newaxis]
    return _Whitened(residual, spectra, white, size, of_each), heard


def _ticks(found: _Whitened, row: int, hole: slice, tick: FloatArray) -> FloatArray:
    """The output of a matched filter for ticks, which is shorter by the lengths of the filters."""
    # The response to a tick through both filters, reversed in time, gathers the tick in one sample again.
    length = found.residual.shape[1] - SETTINGS.order - len(tick)
    gathered = found.spectra[row] * np.conj(found.white[row] * np.fft.rfft(tick, found.size))
    ticks = np.fft.irfft(gathered, found.size)[:length]
    ticks[hole] /= found.optimism[row]
    return ticks


def _whiteners(correlations: FloatArray) -> FloatArray:
    """Prediction-error filters, one for each row of correlations."""
    order = correlations.shape[1] - 1
    ridged = correlations.copy()
    ridged[:, 0] += SETTINGS.ridge * correlations[:, 0]
    whiteners = np.empty_like(ridged)
    solve_predictors(ridged, 0.0, whiteners, np.empty(2 * order + 2))
    return whiteners

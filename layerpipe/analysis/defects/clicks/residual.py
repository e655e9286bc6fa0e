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
from layerpipe.dsp.kernels import find_loudest, find_prominent, solve_predictors

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


def most_prominent(powers: FloatArray, at: Indices) -> tuple[Indices, Indices]:
    """First slice and end of what stands out most around slices, each at least 17 from both ends, over chance."""
    starts, widths = np.empty_like(at), np.empty_like(at)
    find_prominent(powers, at, np.array(SETTINGS.widths), np.array(SETTINGS.chance), starts, widths)
    return starts, starts + widths


def loudest(powers: FloatArray, starts: Indices, stops: Indices, widths: Indices) -> FloatArray:
    """The highest mean of so many slices in a row, from each start to its stop; 0 where there are fewer."""
    means = np.empty(len(starts))
    find_loudest(powers, starts, stops, widths, means)
    return means


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
    # All of them in one row.
    begin = powers.shape[1] * np.arange(len(heard))
    starts, stops = most_prominent(powers.ravel(), begin + near.start + np.argmax(powers[:, near], axis=1))
    first = SETTINGS.order // step + 1
    other = np.maximum(
        loudest(powers.ravel(), begin + first, starts - 2 * MS, stops - starts),
        loudest(powers.ravel(), stops + 4 * MS, begin + powers.shape[1], stops - starts))
    for row, place in enumerate(heard):
        start, stop = int(starts[row] - begin[row]), int(stops[row] - begin[row])
        width = stop - start
        before, after = powers[row, first : max(start - 2 * MS, 0)], powers[row, stop + 4 * MS :]
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

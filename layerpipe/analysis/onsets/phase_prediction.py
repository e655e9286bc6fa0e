"""Strokes that only add to what rings: bands whose phases are no longer as predicted from the two frames before.

What rings continues with steady phases, so each bin of a frame follows from the two before it; a stroke spoils that in
the bins of its partials, even where it makes nothing louder and stops nothing.
Complex-domain onset detection: Bello, Duxbury, Davies, Sandler, IEEE Signal Processing Letters 11(6), 2004. Here the
error of each band is divided by the band's power and compared with itself a moment before, because bands of noise and
beating partials are never predicted well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.onsets.onset_curve import highest_near
from layerpipe.core.sound import FloatArray

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class PhaseSettings:
    """The curve of phase errors; tuned on light strokes of sampled instruments whose strings nobody damps."""

    frame_s: float = 1024 / 24_000
    """Two frames to a frame: 21 ms apart."""
    band_hz: tuple[float, float] = (300.0, 11_000.0)
    bands: int = 48
    """Between, evenly on a logarithmic scale; at least a bin each."""
    share: float = 0.12
    """So many of the bands change by at least the value of the curve: those of a few strings."""
    soft: float = 1e-4
    """Of the loudest band: what is softer is noise, which is predicted badly anyway."""
    predicted: float = 1e-5
    """Of the loudest band: what is predicted as well is predicted well enough."""
    back_frames: tuple[int, int] = (6, 3)
    """The error is compared with its mean from so many to so many frames before."""
    rows: int = 64
    """Frames worked on together: as many as fit into a processor's cache."""


@dataclass(frozen=True)
class AddedSettings:
    """When a peak of that curve is a stroke; tuned on the same."""

    least_db: float = 9.0
    """Beating partials reach it at 1 in 100 places where nothing is struck."""
    reach_frames: int = 2
    """A peak is higher than everything this near."""
    late_s: float = 0.036
    """How long after the stroke the frame is that shows it best."""
    near_s: float = 0.025
    """The stroke is where the onset curve is highest this near."""
    before_s: tuple[float, float] = (-0.045, -0.005)
    after_s: tuple[float, float] = (0.02, 0.06)
    falls_db: float = 9.0
    """A hand makes the sound softer by more from before to after; where nothing is stopped, it falls by less."""


PHASE, ADDED = PhaseSettings(), AddedSettings()


def phase_errors_db(samples: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """How much worse the phases of a share of the bands are predicted than just before.

    Returns
    -------
    curve : np.ndarray [shape=(frames,), float64]
        dB.
    at_s : np.ndarray [shape=(frames,), float64]
        Middle of each frame, in seconds after the first sample.
    """
    hop = round(PHASE.frame_s * rate_hz / 2)
    edges = _edges(hop, rate_hz)
    back, last = PHASE.back_frames
    count = len(samples) // hop - 1
    if count < 3 or len(edges) < 2:
        return np.zeros(0), np.zeros(0)
    frames = np.lib.stride_tricks.sliding_window_view(samples, 2 * hop)[::hop]
    window = np.hanning(2 * hop).astype(np.float32)
    errors = np.empty((count - 2, len(edges) - 1), np.float32)
    for at in range(0, count - 2, PHASE.rows):
        rows = frames[at : at + PHASE.rows + 2].astype(np.float32) * window
        spectra = np.fft.rfft(rows)[:, edges[0] : edges[-1]]
        now, before = spectra[2:], spectra[1:-1]
        turns = before * np.conj(spectra[:-2])
        turns *= 1 / (np.abs(turns) + np.float32(1e-12))
        turns *= before
        turns -= now
        error, power = (np.add.reduceat(one.real**2 + one.imag**2, edges[:-1] - edges[0], axis=1)
                        for one in (turns, now))
        most = power.max(axis=1, keepdims=True) + np.float32(1e-9)
        errors[at : at + PHASE.rows] = 10 * np.log10((error + PHASE.predicted * most) / (power + PHASE.soft * most))
    padded = np.concatenate([np.repeat(errors[:1], back, axis=0), errors])
    past = np.lib.stride_tricks.sliding_window_view(padded, back - last + 1, axis=0)[: len(errors)]
    rises = np.sort(errors - past.mean(axis=-1), axis=1)
    curve = rises[:, -max(1, round(PHASE.share * rises.shape[1]))].astype(np.float64)
    return curve, np.arange(3.0, len(curve) + 3.0) * float(hop / rate_hz)


@cache
def _edges(hop: int, rate_hz: float) -> IntArray:
    """First bin of each band, and the end of the last."""
    low_hz, high_hz = PHASE.band_hz
    edges_hz = np.geomspace(low_hz, min(high_hz, 0.48 * rate_hz), PHASE.bands + 1)
    return np.unique(np.searchsorted(np.fft.rfftfreq(2 * hop, 1 / rate_hz), edges_hz))


def added_strokes(samples: FloatArray, rate_hz: float, onset_curve: FloatArray,
                  apart_s: tuple[float, Sequence[float]] = (0.0, ())) -> list[tuple[int, float]]:
    """Moments at which something is added to what rings on.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames,)]
        Sound at the analysis rate.
    rate_hz : float
    onset_curve : np.ndarray [shape=(milliseconds,)]
        By `onset_curve_db`; its frames are shorter, so that it shows the moment better.
    apart_s : (float, sequence of float)
        Distance kept from moments at which something else was found, and these, in seconds after the first sample.

    Returns
    -------
    list of (int, float)
        Frames, right to some ms, and how much worse phases are predicted there, dB; in order.
    """
    curve, at_s = phase_errors_db(samples, rate_hz)
    begin_s = at_s - ADDED.late_s
    found = []
    for peak in map(int, np.flatnonzero((curve > ADDED.least_db) & (curve == highest_near(curve, ADDED.reach_frames)))):
        first, stop = (max(round(1000 * (begin_s[peak] + by_s)), 0) for by_s in (-ADDED.near_s, ADDED.near_s))
        near = onset_curve[first:stop]
        frame = round((first + int(np.argmax(near))) / 1000 * rate_hz) if len(near) else 0
        if (len(near) and all(abs(begin_s[peak] - known_s) > apart_s[0] for known_s in apart_s[1])
                and _rings_on(samples, frame, rate_hz)):
            found.append((frame, float(curve[peak])))
    return found


def _rings_on(samples: FloatArray, frame: int, rate_hz: float) -> bool:
    """Whether what rang before a frame is not stopped there by a hand."""
    before, after = (samples[max(frame + round(first * rate_hz), 0) : max(frame + round(stop * rate_hz), 0)]
                     for first, stop in (ADDED.before_s, ADDED.after_s))
    if not len(before) or not len(after):
        return False
    return bool(np.mean(after**2) > 10 ** (-ADDED.falls_db / 10) * np.mean(before**2))

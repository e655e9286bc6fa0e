"""Light strokes on ringing strings: several bands change at once, nothing gets louder, and partials fall for good.

A light stroke stops the strings it touches and starts them again, softer: their partials fall at once, by more than
they did before. What rings only decays as before, or beats, which is smooth; clicks, squeaks and breaths change the
bands, but let the partials ring on; a hand leaves nothing that rings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.onsets.onset_curve import highest_near
from layerpipe.core.sound import FloatArray, Sound

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class ChangeSettings:
    """When something changes at once; tuned on light strokes of sampled guitars and of our own, as is all below."""

    frame_s: float = 0.02
    hop_s: float = 0.004
    bands_hz: tuple[float, ...] = (630.0, 1000.0, 1600.0, 2500.0, 4000.0, 6300.0, 10_000.0)
    """Edges, two thirds of an octave apart; below, chords beat in several bands at once."""
    bands: int = 3
    """So many bands change by at least the value of the curve."""
    noise: float = 1e-4
    """Of the loudest band: what is softer is noise, and noise changes by chance."""
    reach_s: float = 0.04
    """A peak is higher than everything this near."""
    least_db: float = 3.5
    """Nothing is played where nothing changes by more."""
    light_db: float = 2.5
    """A light stroke changes the bands by more; where nothing is struck, they change by 1 to 3 dB."""
    great_db: float = 7.0
    """What rings does not beat so fast that three bands change by more."""
    begin_share: float = 0.6
    """A stroke begins where the curve passes this share of its peak: right to 25 ms in 92 of 100, the peak in 85."""
    near_s: float = 0.07
    """From a moment at which anything is looked for."""
    rows: int = 64
    """Frames worked on together: as many as fit into a processor's cache."""


@dataclass(frozen=True)
class PartialSettings:
    """When partials fall for good and others ring in their place."""

    frame_s: float = 0.08
    before_s: float = 0.012
    """The frame before ends, and the frame after begins, this far from the change: it is some ms inexact."""
    after_s: float = 0.02
    later_s: float = 0.05
    """How much later than the frame after what rings is looked at again."""
    softer_db: float = 1.0
    """The frame after is softer by more."""
    earlier_s: float = 0.06
    """How much earlier than the frame before is looked at what the partials did anyway."""
    band_hz: tuple[float, float] = (250.0, 4000.0)
    strong: float = 1e-3
    """Least power of a partial, of the strongest."""
    fall_db: float = 5.0
    """A quarter of the partials fall by more than they changed before, in the same time."""
    tonal_db: float = 18.0
    """Level of the strong over that of the usual bins, before and after: noise has 6, what a hand leaves 6 to 17."""
    great_tonal_db: float = 14.0
    """After a great change, if it then decays by less than `great_decay_db`."""
    decay_db: float = 5.5
    """What rings falls by less from the frame after to the later one; what a hand leaves usually by more."""
    great_decay_db: float = 3.0
    rows: int = 8
    """Moments worked on together: as many as fit into a processor's cache."""


CHANGE, PARTIALS = ChangeSettings(), PartialSettings()


def band_changes_db(samples: FloatArray, rate_hz: float) -> FloatArray:
    """How much three bands change from each frame to the next that does not overlap it.

    Returns
    -------
    np.ndarray [shape=(hops,), float64]
        dB, up or down; the second frame of value n begins `CHANGE.frame_s + n * CHANGE.hop_s` after the first sample.
    """
    size, hop = round(CHANGE.frame_s * rate_hz), round(CHANGE.hop_s * rate_hz)
    step = round(CHANGE.frame_s / CHANGE.hop_s)
    if len(samples) < size + step * hop:
        return np.zeros(0)
    frames, window = np.lib.stride_tricks.sliding_window_view(samples, size)[::hop], np.hanning(size)
    edges = np.searchsorted(np.fft.rfftfreq(size, 1 / rate_hz), [hz for hz in CHANGE.bands_hz if hz < rate_hz / 2])
    bands = np.empty((len(frames), len(edges) - 1))
    for at in range(0, len(frames), CHANGE.rows):
        spectra = np.fft.rfft(frames[at : at + CHANGE.rows] * window)[:, : edges[-1]]
        np.add.reduceat(spectra.real**2 + spectra.imag**2, edges[:-1], axis=1, out=bands[at : at + CHANGE.rows])
    levels_db = 10 * np.log10(bands + CHANGE.noise * bands.max(axis=1, keepdims=True) + 1e-9)
    changes: FloatArray = np.sort(np.abs(levels_db[step:] - levels_db[:-step]), axis=1)[:, -CHANGE.bands]
    return changes


def change_near_db(changes_db: FloatArray, at_s: float, near_s: float) -> float:
    """The most that changes at once near a moment, in seconds after the first sample; 0 outside."""
    first, stop = (max(round((at_s + by_s - CHANGE.frame_s) / CHANGE.hop_s), 0) for by_s in (-near_s, near_s))
    return float(changes_db[first : stop + 1].max(initial=0.0))


def change_at_db(sound: Sound, at_s: float) -> float:
    """The most that changes at once near a moment of a sound: the last question before a strum is called missing."""
    reach_s = CHANGE.near_s + CHANGE.frame_s
    start, stop = (min(max(round((at_s + by_s) * sound.rate_hz), 0), sound.frames) for by_s in (-reach_s, reach_s))
    return change_near_db(band_changes_db(sound.read(start, stop), sound.rate_hz), at_s - start / sound.rate_hz,
                          CHANGE.near_s)


def light_strokes(samples: FloatArray, rate_hz: float, changes_db: FloatArray,
                  apart_s: tuple[float, Sequence[float]] = (0.0, ())) -> list[int]:
    """Frames at which strings are touched and struck again, softer; right to some ms.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames,)]
        Sound at the analysis rate.
    rate_hz : float
    changes_db : np.ndarray [shape=(hops,)]
        By `band_changes_db`.
    apart_s : (float, sequence of float)
        Distance kept from moments at which something else was found, and these, in seconds after the first sample.

    Returns
    -------
    list of int
        In order.
    """
    reach, size, hop = round(CHANGE.reach_s / CHANGE.hop_s), CHANGE.frame_s * rate_hz, CHANGE.hop_s * rate_hz
    found = []
    is_peak = (changes_db > CHANGE.light_db) & (changes_db == highest_near(changes_db, reach))
    for at_s in apart_s[1]:
        first, stop = (max(round((at_s + by_s - CHANGE.frame_s) / CHANGE.hop_s), 0)
                       for by_s in (-apart_s[0], apart_s[0]))
        is_peak[first:stop] = False
    peaks = np.flatnonzero(is_peak)
    frames = np.round(size + peaks * hop).astype(np.int64)
    for peak in map(int, peaks[_partials_fall(samples, frames, rate_hz, changes_db[peaks])]):
        # The strings are touched one after another.
        lower = np.flatnonzero(changes_db[max(peak - reach, 0) : peak] < CHANGE.begin_share * changes_db[peak])
        begin = max(peak - reach, 0) + (int(lower[-1]) + 1 if len(lower) else 0)
        found.append(round(size + begin * hop))
    return found


def _partials_fall(samples: FloatArray, frames: IntArray, rate_hz: float, changes_db: FloatArray) -> BoolArray:
    """Whether partials fall at each frame faster than before, and what sounds after it rings on."""
    size = round(PARTIALS.frame_s * rate_hz)
    before_s, after_s = -PARTIALS.before_s - PARTIALS.frame_s, PARTIALS.after_s
    starts = frames[:, np.newaxis] + np.array([round(by_s * rate_hz) for by_s in (
        before_s, after_s, before_s - PARTIALS.earlier_s, after_s + PARTIALS.later_s)])
    pieces = np.lib.stride_tricks.sliding_window_view(samples, size) if len(samples) >= size else np.empty((0, size))
    fall: BoolArray = (starts[:, 2] >= 0) & (starts[:, 3] < len(pieces))
    for n in np.flatnonzero(fall):
        loud, soft = pieces[starts[n, :2]]
        fall[n] = loud @ loud > 10 ** (PARTIALS.softer_db / 10) * (soft @ soft)
    left = np.flatnonzero(fall)
    for first in range(0, len(left), PARTIALS.rows):
        rows = left[first : first + PARTIALS.rows]
        before, after, earlier, later = (_powers(pieces[starts[rows, n]], rate_hz) for n in range(4))
        fall[rows] = _are_falls(before, after, earlier, later, changes_db[rows])
    return fall


def _are_falls(before: FloatArray, after: FloatArray, earlier: FloatArray, later: FloatArray,
               changes_db: FloatArray) -> BoolArray:
    """The same from the powers around each frame, shape (frames, bins)."""
    is_partial = np.zeros(before.shape, bool)
    inside = before[:, 1:-1]
    is_partial[:, 1:-1] = ((inside > before[:, :-2]) & (inside >= before[:, 2:])
                           & (inside > PARTIALS.strong * before.max(axis=1, keepdims=True)))
    falls_db = 10 * np.log10(before / _highest_beside(after))
    anyway_db = np.abs(10 * np.log10(_highest_beside(earlier) / before))
    share = (PARTIALS.before_s + PARTIALS.frame_s + PARTIALS.after_s) / PARTIALS.earlier_s
    # A quarter of the partials.
    falls, faster = (4 * np.count_nonzero(is_partial & (by_db > PARTIALS.fall_db), axis=1) > is_partial.sum(axis=1)
                     for by_db in (falls_db, falls_db - anyway_db * share))
    tonal_db = 10 * np.log10(np.minimum(*(np.quantile(one, 0.95, axis=1) / np.median(one, axis=1)
                                          for one in (before, later))))
    decay_db = 10 * np.log10(after.sum(axis=1) / later.sum(axis=1))
    lightly = faster & (tonal_db > PARTIALS.tonal_db) & (decay_db < PARTIALS.decay_db)
    greatly = ((changes_db > CHANGE.great_db) & (tonal_db > PARTIALS.great_tonal_db)
               & (decay_db < PARTIALS.great_decay_db))
    found: BoolArray = falls & (lightly | greatly)
    return found


def _powers(pieces: FloatArray, rate_hz: float) -> FloatArray:
    """Spectra of frames in the band of the partials, in half bins [shape=(frames, bins)]."""
    size = pieces.shape[1]
    first, stop = (round(hz * 2 * size / rate_hz) for hz in PARTIALS.band_hz)
    spectra = np.fft.rfft(pieces * _window(size), 2 * size)[:, first:stop]
    powers: FloatArray = spectra.real**2 + spectra.imag**2 + 1e-9
    return powers


@cache
def _window(size: int) -> FloatArray:
    window: FloatArray = np.hanning(size)
    return window


def _highest_beside(powers: FloatArray) -> FloatArray:
    """The highest of each bin and two on either side: a partial may bend a little."""
    padded = np.pad(powers, ((0, 0), (2, 2)))
    highest: FloatArray = np.max([padded[:, n : n + powers.shape[1]] for n in range(5)], axis=0)
    return highest

"""The loudest hits of a take, and the threshold at which a compressor reduces them by a given amount.

Peaks are linear, full scale 1; positions frames; reductions dB, 0 or above. A strum is the highest peak within 100 ms
on both sides that is at least 3 dB above some 25 ms of the 75 ms before it; the hits are the loudest tenth of the
strums, at least one. The definition is our own; we know of no published one.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from tempfile import TemporaryFile

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from layerpipe.core.errors import ParameterError
from layerpipe.core.files.shared_reader import SharedFile
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.dynamics.compressor import Curve


@dataclass(frozen=True)
class HitLimits:
    """What counts as a strum, and how closely its threshold is searched; all our own."""

    hop_ms: float = 5.0
    """Resolution of the peaks: fine enough for strums 100 ms apart, coarse enough for a long song in memory."""
    apart_ms: float = 100.0
    """Two strums are at least this far apart: sixteenths at 150 beats a minute."""
    rise_db: float = 3.0
    """A strum is this much above what rang before it."""
    swing_ms: float = 25.0
    """Longer than a half-wave of the lowest string, so that no trough of the wave counts as a pause."""
    look_back_ms: float = 75.0
    """How far before a strum the quieter stretch may be; less than `apart_ms`."""
    faintest_db: float = -60.0
    """Below the take's highest peak by this much nothing is a strum."""
    tolerance_db: float = 0.001
    """Of the mean reduction; a tenth of what a report prints."""
    lowest_db: float = -100.0
    """Thresholds searched, dBFS: from below any playing ..."""
    highest_db: float = 20.0
    """... to above any float sample of a usable take."""


LIMITS = HitLimits()


class Peaks(Struct, frozen=True):
    """Highest rectified sample of every hop, and its frame."""

    level: FloatArray
    at_frame: npt.NDArray[np.int64]


def peaks_of(blocks: Iterable[FloatArray], rate_hz: int) -> Peaks:
    """Peaks of a stream of blocks of shape (frames,), one per 5 ms; where blocks are cut does not matter."""
    hop = max(1, round(LIMITS.hop_ms * rate_hz / 1000))
    levels, places, left, at = [], [], np.zeros(0), 0
    for block in blocks:
        loud = np.concatenate([left, np.abs(block)])
        whole = len(loud) // hop
        rows = loud[: whole * hop].reshape(whole, hop)
        top = rows.argmax(axis=1) if whole else np.zeros(0, dtype=np.int64)
        levels.append(rows[np.arange(whole), top])
        places.append(at + np.arange(whole) * hop + top)
        left, at = loud[whole * hop :], at + whole * hop
    if len(left):
        levels.append(left.max(keepdims=True))
        places.append(np.array([at + left.argmax()]))
    if not levels:
        return Peaks(np.zeros(0), np.zeros(0, dtype=np.int64))
    return Peaks(np.concatenate(levels), np.concatenate(places))


def loudest_hits(peaks: Peaks) -> npt.NDArray[np.int64]:
    """Frames of the peaks of the loudest tenth of the strums, ascending; empty without strums."""
    level = peaks.level
    if not len(level) or level.max() <= 0:
        return np.zeros(0, dtype=np.int64)
    apart, swing, back = (round(span_ms / LIMITS.hop_ms)
                          for span_ms in (LIMITS.apart_ms, LIMITS.swing_ms, LIMITS.look_back_ms))
    windows = np.lib.stride_tricks.sliding_window_view
    highest_around = windows(np.pad(level, apart), 2 * apart + 1).max(axis=1)
    swings = windows(np.pad(level, (back, 0)), swing).max(axis=1)
    lowest_before = windows(swings, back - swing + 1).min(axis=1)[: len(level)]
    stands_out = level == highest_around
    rises = level >= lowest_before * 10 ** (LIMITS.rise_db / 20)
    audible = level > level.max() * 10 ** (LIMITS.faintest_db / 20)
    strums = np.flatnonzero(stands_out & rises & audible)
    hits = strums[np.argsort(-level[strums], kind="stable")[: math.ceil(len(strums) / 10)]]
    return np.sort(peaks.at_frame[hits])


def threshold_for(hits_db: float, hits: npt.NDArray[np.int64], blocks: Iterable[FloatArray], *,
                  curve_at: Callable[[float], Curve], warm_up_frames: int) -> float:
    """Find the threshold at which the mean reduction at the peaks of the hits is `hits_db`.

    Parameters
    ----------
    hits_db : float
        Wanted mean reduction at the peaks.
    hits : np.ndarray [int64]
        Frames of the peaks, ascending, at least one.
    blocks : iterable of np.ndarray [shape=(frames,), float64]
        The compressor's input, from frame 0.
    curve_at : function of a threshold in dB
        The compressor with this threshold.
    warm_up_frames : int
        Frames before a peak that its detector needs to settle.

    Returns
    -------
    float
        Threshold in dBFS; the mean reduction is within 0.001 dB of `hits_db`.

    Raises
    ------
    ParameterError
        If no threshold reduces the hits by that much.
    """
    # The needed stretches go to an unnamed temporary file, so that a long song costs disk and no memory.
    with TemporaryFile() as kept:
        pieces = _keep(kept.fileno(), hits, blocks, warm_up_frames)
        stretches = SharedFile(os.dup(kept.fileno()))

        def missing_db(threshold_db: float) -> float:
            curve = curve_at(threshold_db)
            found = [
                curve.reduction_of(np.frombuffer(stretches.read(at, 8 * length)))[0][inside]
                for at, length, inside in pieces
            ]
            return float(np.concatenate(found).mean()) - hits_db

        return _root(missing_db, hits_db)


def _keep(fd: int, hits: npt.NDArray[np.int64], blocks: Iterable[FloatArray],
          warm_up_frames: int) -> list[tuple[int, int, npt.NDArray[np.int64]]]:
    """Write the stretches before the hits to a file; (byte offset, frames, peaks inside) of each."""
    spans: list[list[int]] = []
    for hit in hits.tolist():
        start = max(0, hit - warm_up_frames)
        if spans and start <= spans[-1][1]:
            spans[-1][1] = hit + 1
        else:
            spans.append([start, hit + 1])
    written, at, coming = 0, 0, 0
    pieces = []
    for start, stop in spans:
        inside = hits[(hits >= start) & (hits < stop)] - start
        pieces.append((written, stop - start, inside))
        written += 8 * (stop - start)
    for block in blocks:
        while coming < len(spans) and spans[coming][0] < at + len(block):
            start, stop = spans[coming]
            part = block[max(0, start - at) : max(0, stop - at)]
            left = memoryview(np.ascontiguousarray(part, dtype=np.float64).tobytes())
            while left:
                # A write may accept only a part; on a full disk the next one fails.
                left = left[os.write(fd, left) :]
            if stop > at + len(block):
                break
            coming += 1
        at += len(block)
    return pieces


def _root(missing_db: Callable[[float], float], hits_db: float) -> float:
    """Regula falsi with the Illinois rule on a falling function of the threshold."""
    low, high = LIMITS.lowest_db, LIMITS.highest_db
    at_low, at_high = missing_db(low), missing_db(high)
    if at_low < 0:
        most_db = at_low + hits_db
        raise ParameterError(f"hits_db={hits_db:g} cannot be reached: at most {most_db:.2f} dB with these settings")
    side = 0
    for _ in range(100):
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        at_middle = missing_db(middle)
        if abs(at_middle) < LIMITS.tolerance_db:
            return middle
        if at_middle > 0:
            low, at_low, at_high = middle, at_middle, at_high / 2 if side > 0 else at_high
            side = 1
        else:
            high, at_high, at_low = middle, at_middle, at_low / 2 if side < 0 else at_low
            side = -1
    return (low + high) / 2

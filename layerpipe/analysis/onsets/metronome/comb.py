"""When a metronome ticks in a take: a click track, or its bleed from headphones.

A machine is on time within a sample; a hand spreads by milliseconds. So the rises of the residual, millisecond by
millisecond, are searched for a comb of lines between 50 and 220 Hz: onsets that a hand spreads by 5 ms and more have
nothing left there (the Fourier transform of the spread).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.dsp.fft import next_fast_length
from layerpipe.dsp.kernels import average_lines


@dataclass(frozen=True)
class CombLimits:
    """The search for the time between ticks."""

    band_hz: tuple[float, float] = (50.0, 220.0)
    apart_s: tuple[float, float] = (0.2, 1.6)
    """300 to 38 ticks a minute."""
    rise_over_db: float = 1.5
    """Noise rises by less from one millisecond to the next."""
    most_db: float = 10.0
    """A strum counts no more than a tick."""
    most_power: float = 30.0
    """Of one line, over the median of all."""
    score: float = 25.0
    """Standard deviations; without a metronome 6 to 14, with one at -40 dBFS 150 to 270 (own measurement)."""
    shortest_s: float = 12.0
    longest_s: float = 600.0
    """Longer takes are searched in parts, so that memory does not grow with the take."""


COMB = CombLimits()
_TRIED_AT_ONCE, _BINS_AT_ONCE, _PARTS = 4096, 8192, 16


def rises_of(residual: FloatArray, rate_hz: float) -> FloatArray:
    """How much the residual rises at each millisecond over the four before, dB, at most 10."""
    edges = np.round(np.arange(len(residual) * 1000 // rate_hz + 1) * rate_hz / 1000).astype(int)
    sums = np.concatenate([[0.0], np.cumsum(residual**2)])
    level_db = 10 * np.log10(np.diff(sums[edges]) * (1000 / rate_hz) + 1e-13)
    padded = np.concatenate([np.full(4, np.inf), level_db])
    before = np.max([padded[n : n + len(level_db)] for n in range(4)], axis=0)
    rises: FloatArray = np.clip(level_db - before - COMB.rise_over_db, 0.0, COMB.most_db)
    return rises


class Rises:
    """`rises_of` a whole take: nearly all are zero, so only the others are held.

    Parameters
    ----------
    pieces : iterable of np.ndarray [shape=(milliseconds,)]
        Of its parts, in order.
    """

    def __init__(self, pieces: Iterable[Float32Array] = ()) -> None:
        self._starts, self._pieces = [0], list[tuple[npt.NDArray[np.int32], Float32Array]]()
        for piece in pieces:
            self.add(piece)

    def add(self, piece: Float32Array) -> None:
        """Those of the next part."""
        places = np.flatnonzero(piece).astype(np.int32)
        self._pieces.append((places, piece[places]))
        self._starts.append(self._starts[-1] + len(piece))

    def __len__(self) -> int:
        return self._starts[-1]

    def read(self, start: int, stop: int) -> Float32Array:
        """Those of milliseconds start to stop."""
        read = np.zeros(stop - start, np.float32)
        first, end = bisect_right(self._starts, start) - 1, bisect_left(self._starts, stop)
        for at, (places, rises) in zip(self._starts[first:end], self._pieces[first:end], strict=True):
            inside = slice(*np.searchsorted(places, (start - at, stop - at)).tolist())
            read[at - start + places[inside]] = rises[inside]
        return read


def find_ticks(rises: Rises) -> tuple[float, float] | None:
    """Find when the first tick is, and the time between ticks.

    Parameters
    ----------
    rises : Rises

    Returns
    -------
    tuple of two float, or None
        Seconds; None where nothing is on time like a machine.
    """
    if len(rises) < 1000 * COMB.shortest_s:
        return None
    count = math.ceil(len(rises) / (1000 * COMB.longest_s))
    edges = [n * (len(rises) // count) + min(n, len(rises) % count) for n in range(count + 1)]
    combs = [_comb(rises.read(start, stop)) for start, stop in pairwise(edges)]
    best = max(range(count), key=lambda n: combs[n][1])
    heard = [n for n, (_, score) in enumerate(combs) if score >= COMB.score]
    return _through(rises, edges, best, heard, combs[best][0]) if heard else None


def _comb(rises: Float32Array) -> tuple[float, float]:
    """The time between ticks for which the lines of the comb stand out most, and by how many standard deviations."""
    low_hz, high_hz = COMB.band_hz
    size = next_fast_length(2 * len(rises))
    per_hz = size / 1000
    lowest, end = int(low_hz * per_hz), int(high_hz * per_hz) + 2
    power = np.zeros(end)
    power[lowest:] = _powers(rises - rises.mean(), size, lowest, end)
    # The median of exponentially distributed powers is ln 2 of their mean.
    power *= math.log(2) / (np.median(power[lowest : int(high_hz * per_hz)]) + 1e-30)
    np.minimum(power, COMB.most_power, out=power)
    start, step = math.log(COMB.apart_s[0]), 0.4 / (len(rises) / 1000 * high_hz)
    count = math.ceil((math.log(COMB.apart_s[1]) - start) / step)
    found = 0.0, -math.inf
    for at in range(0, count, _TRIED_AT_ONCE):
        here = np.exp(start + step * np.arange(at, min(at + _TRIED_AT_ONCE, count)))
        first, stop = math.ceil(low_hz * here[-1]), math.floor(high_hz * here[0]) + 1
        means = np.empty(len(here))
        average_lines(power, per_hz / here, first, stop, means)
        best = int(np.argmax(means))
        score = float((means[best] - 1) * math.sqrt(stop - first))
        if score > found[1]:
            found = float(here[best]), score
    return found


def _powers(rises: Float32Array, size: int, first: int, stop: int) -> FloatArray:
    """Powers of bins `first` to `stop` of the Fourier transform, which as a whole would need much memory: put together
    from those of every 16th value (decimation in time: Cooley and Tukey, Math. Comput. 19, 1965)."""
    length = size // _PARTS
    parts = [np.fft.rfft(rises[n::_PARTS], length) for n in range(_PARTS)]
    powers = np.empty(stop - first)
    for at in range(first, stop, _BINS_AT_ONCE):
        bins = np.arange(at, min(at + _BINS_AT_ONCE, stop))
        folded = bins % length
        is_mirrored = folded > length // 2
        turn, total = np.exp(-2j * np.pi / size * bins), np.zeros(len(bins), np.complex128)
        for part in reversed(parts):
            there = part[np.where(is_mirrored, length - folded, folded)]
            total = total * turn + np.where(is_mirrored, there.conj(), there)
        powers[at - first : at - first + len(bins)] = total.real**2 + total.imag**2
    return powers


def _through(rises: Rises, edges: Sequence[int], known: int, heard: Sequence[int],
             apart_s: float) -> tuple[float, float]:
    """First tick and the time between ticks over the whole take, from those of one of its parts.

    From part to part in which they are heard the ticks are followed to where the rises are highest, and the time
    between them becomes more exact: that of a part of 10 minutes is off by milliseconds after half an hour.
    """
    ticks, at_s = [0], [edges[known] / 1000 + _phase_s(rises.read(*edges[known : known + 2]), apart_s)]
    for n in sorted(set(heard) - {known}, key=lambda n: abs(n - known)):
        phase_s = edges[n] / 1000 + _phase_s(rises.read(*edges[n : n + 2]), apart_s)
        nearest = int(np.argmin(np.abs(np.array(at_s) - phase_s)))
        passed = round((phase_s - at_s[nearest]) / apart_s)
        ticks.append(ticks[nearest] + passed)
        at_s.append(phase_s)
        apart_s = float(np.polyfit(ticks, at_s, 1)[0])
    first_s = at_s[0] if len(ticks) == 1 else float(np.polyval(np.polyfit(ticks, at_s, 1), 0))
    return first_s - apart_s * int(first_s / apart_s), apart_s


def _phase_s(rises: Float32Array, apart_s: float) -> float:
    """When the first tick is: where the rises, folded, are highest."""
    length, count = int(1000 * apart_s), int(len(rises) / 1000 / apart_s) - 1
    places = np.rint(np.arange(count)[:, np.newaxis] * 1000 * apart_s).astype(int) + np.arange(length)
    folded = rises[places].mean(axis=0)
    smooth = folded + np.roll(folded, 1) + np.roll(folded, -1)
    return int(np.argmax(smooth)) / 1000

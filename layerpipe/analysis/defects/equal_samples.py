"""The search for equal samples in a stream: runs of one value, and stretches that equal an earlier one to the bit."""

from __future__ import annotations

from array import array

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.dropouts import FULL_SCALE, Repeat, Runs, SearchLimits
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels import choose_fingerprints, find_equal

_LIMITS = SearchLimits()
_FACTORS = np.array([0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB, 0xD6E8FEB86659FD93,
                     0xA0761D6478BD642F, 0xE7037ED1A0B428DB, 0x8EBC6AF09C88C6E3, 0x589965CC75374CC3], dtype=np.uint64)
"""Odd 64-bit factors of a hash; any would do."""


class EqualSampleSearch:
    """Finds runs and repeats in a stream of blocks."""

    def __init__(self, rate_hz: int) -> None:
        self._reach = round(_LIMITS.longest_distance_s * rate_hz)
        self._shortest_repeat = max(2 * _LIMITS.fingerprint, round(0.001 * rate_hz))
        self._runs = array("q"), array("q"), array("d")
        """Starts, lengths and values."""
        self.repeats: list[Repeat] = []
        self._at = 0
        self._tail = np.zeros(0)
        self._open: tuple[int, float] | None = None
        """First sample and value of the run that the stream ended with so far."""
        self._marks: npt.NDArray[np.int64] = np.zeros(0, np.int64)
        self._prints: npt.NDArray[np.uint64] = np.zeros(0, np.uint64)

    def add(self, block: FloatArray) -> None:
        """Search the next block."""
        self._find_runs(block)
        self._find_repeats(np.concatenate([self._tail, block]), self._at - len(self._tail), len(self._tail))
        self._at += len(block)
        self._tail = np.concatenate([self._tail, block])[-self._reach - self._reach // 3 :]

    def end(self) -> Runs:
        """All runs; an open one ends with the take."""
        if self._open is not None:
            self._keep(self._open[0], self._at, self._open[1])
            self._open = None
        start, length, value = self._runs
        return Runs(np.array(start), np.array(length), np.array(value))

    def _keep(self, start: int, stop: int, value: float) -> None:
        """Keep a run that is long enough, while there are not absurdly many."""
        shortest = 2 if abs(value) >= FULL_SCALE else _LIMITS.shortest_run
        if stop - start >= shortest and len(self._runs[0]) < _LIMITS.most_runs:
            starts, lengths, values = self._runs
            starts.append(start)
            lengths.append(stop - start)
            values.append(value)

    def _find_runs(self, block: FloatArray) -> None:
        """Close the runs that end in this block; the last one stays open."""
        if not len(block):
            return
        # Samples that are like no neighbour are no runs, but for the last one, which may begin one.
        edges = np.flatnonzero(np.diff(block[1:] == block[:-1], prepend=False, append=False))
        runs = [(self._at + int(start), self._at + int(last) + 1) for start, last in edges.reshape(-1, 2)]
        stop = self._at + len(block)
        if not runs or runs[-1][1] < stop:
            runs.append((stop - 1, stop))
        if self._open is not None:
            first, value = self._open
            if block[0] != value:
                self._keep(first, self._at, value)
            elif runs[0][0] == self._at:
                runs[0] = first, runs[0][1]
            else:
                runs.insert(0, (first, self._at + 1))
        for start, end in runs[:-1]:
            self._keep(start, end, float(block[max(start - self._at, 0)]))
        self._open = runs[-1][0], float(block[-1])

    def _find_repeats(self, sound: FloatArray, first: int, known: int) -> None:
        """Find equal fingerprints a short way apart, then the equal stretch around them."""
        width = _LIMITS.fingerprint
        fresh = max(known - width, 0)
        bits = np.ascontiguousarray(sound[fresh:]).view(np.uint64)
        if len(bits) < width:
            return
        prints, places = np.empty(len(bits), np.uint64), np.empty(len(bits), np.int64)
        # Every eighth fingerprint is enough. Equal samples are a run, not a repeat.
        chosen = choose_fingerprints(bits, _FACTORS, prints, places)
        marks = np.concatenate([self._marks, places[:chosen] + fresh + first])
        values = np.concatenate([self._prints, prints[:chosen]])
        room = 1 << (2 * len(values)).bit_length()
        pairs = np.empty((len(values), 2), np.int64)
        found = find_equal(values, np.empty(room, np.uint64), np.empty(room, np.int64), pairs)
        done = self.repeats[-1].start + self.repeats[-1].length if self.repeats else -1
        for earlier, later in marks[pairs[:found]].tolist():
            if not 0 < later - earlier <= self._reach or later < done or earlier < first:
                continue
            start, length = _equal_stretch(sound, earlier - first, later - first)
            moves = np.count_nonzero(np.diff(sound[start : start + length]))
            if length >= self._shortest_repeat and moves >= _LIMITS.moving_share * length:
                self.repeats.append(Repeat(first + start, length, later - earlier))
                done = first + start + length
        recent = marks > first + len(sound) - self._reach
        self._marks, self._prints = marks[recent], values[recent]


def _equal_stretch(sound: FloatArray, earlier: int, later: int) -> tuple[int, int]:
    """First sample and length of the longest equal stretch around two equal places."""
    distance = later - earlier
    unequal = np.flatnonzero(sound[later:] != sound[earlier : len(sound) - distance])
    ahead = int(unequal[0]) if len(unequal) else len(sound) - later
    unequal = np.flatnonzero(sound[distance:later][::-1] != sound[:earlier][::-1])
    back = int(unequal[0]) if len(unequal) else earlier
    return later - back, back + ahead

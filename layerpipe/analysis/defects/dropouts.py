"""Samples that stand still and pieces that are heard twice: what no microphone delivers.

Positions are frames. A run is a stretch of equal samples; a repeat a stretch that equals, to the bit, one just before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray

SHORTEST_RUN = 3
"""Shorter ones are chance, also at 16 bit; at full scale two are none."""
FULL_SCALE = 0.9998
MOST_RUNS = 20_000
LONGEST_REPEAT_S = 0.35
LONGEST_BY_CHANCE_S, FEWEST_STEPS = 0.05, 4.0
"""At the end of a fade a few steps come and go, and the same short pattern with them: that is no repeated buffer."""
HASHED = 8
"""Samples that a fingerprint covers: equal by chance in silence only."""
_FACTORS = np.array([0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB, 0xD6E8FEB86659FD93,
                     0xA0761D6478BD642F, 0xE7037ED1A0B428DB, 0x8EBC6AF09C88C6E3, 0x589965CC75374CC3], dtype=np.uint64)


@dataclass(frozen=True)
class Run:
    """Equal samples: first frame, how many, their value, and the rms of the 5 ms before."""

    start: int
    length: int
    value: float
    before_rms: float


@dataclass(frozen=True)
class Repeat:
    """From `start` on, `length` frames equal those `distance` frames before."""

    start: int
    length: int
    distance: int


class RunSearch:
    """Finds runs and repeats in a stream of blocks."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._runs: list[Run] = []
        self.repeats: list[Repeat] = []
        self._at = 0
        self._tail = np.zeros(0)
        self._open: tuple[int, float, float] | None = None
        self._marks: npt.NDArray[np.int64] = np.zeros(0, np.int64)
        self._prints: npt.NDArray[np.uint64] = np.zeros(0, np.uint64)

    def add(self, block: FloatArray) -> None:
        """Look at the next block."""
        sound = np.concatenate([self._tail, block])
        first = self._at - len(self._tail)
        self._find_runs(sound, first, len(self._tail))
        self._find_repeats(sound, first, len(self._tail))
        self._at += len(block)
        self._tail = sound[-round((LONGEST_REPEAT_S + 0.1) * self._rate_hz) :]

    def end(self) -> list[Run]:
        """All runs; an open one ends with the take."""
        if self._open is not None:
            start, value, before = self._open
            self._keep(start, self._at - start, value, before)
            self._open = None
        return self._runs

    def _keep(self, start: int, length: int, value: float, before: float) -> None:
        """Note a run that is long enough, while there are not absurdly many."""
        if (length >= SHORTEST_RUN or abs(value) >= FULL_SCALE) and len(self._runs) < MOST_RUNS:
            self._runs.append(Run(start, length, value, before))

    def _find_runs(self, sound: FloatArray, first: int, known: int) -> None:
        """Runs that end in the new part; one that reaches its end stays open."""
        begin = max(known - 1, 0)
        changes = np.flatnonzero(sound[begin + 1 :] != sound[begin:-1]) + begin + 1
        if self._open is not None:
            start, value, before = self._open
            if not len(changes):
                return
            self._keep(start, first + int(changes[0]) - start, value, before)
            self._open = None
        edges = np.concatenate([[begin] if begin == 0 else [], changes, [len(sound)]]).astype(np.int64)
        lengths = np.diff(edges)
        for k in np.flatnonzero(lengths >= 2):
            at = int(edges[k])
            span = sound[max(0, at - self._rate_hz // 200) : at]
            before = float(np.sqrt(np.mean(span * span))) if len(span) else 0.0
            if k == len(lengths) - 1:
                self._open = (first + at, float(sound[at]), before)
            else:
                self._keep(first + at, int(lengths[k]), float(sound[at]), before)
        if self._open is None and len(lengths) and lengths[-1] < 2:
            at = int(edges[-2])
            span = sound[max(0, at - self._rate_hz // 200) : at]
            self._open = (first + at, float(sound[at]), float(np.sqrt(np.mean(span * span))) if len(span) else 0.0)

    def _find_repeats(self, sound: FloatArray, first: int, known: int) -> None:
        """Equal fingerprints a short way apart, then the equal stretch around them."""
        fresh = max(known - HASHED, 0)
        bits = np.ascontiguousarray(sound[fresh:]).view(np.uint64)
        if len(bits) < HASHED:
            return
        count = len(bits) - HASHED + 1
        prints = np.zeros(count, np.uint64)
        for lag in range(HASHED):
            prints += (bits[lag : lag + count] >> np.uint64(20)) * _FACTORS[lag]
        # Only every eighth fingerprint is kept, chosen by itself, so that both copies choose the same ones.
        chosen = np.flatnonzero((prints >> np.uint64(40)) % np.uint64(8) == 0)
        # A run of equal samples is no repeat; it is told as a run.
        chosen = chosen[bits[chosen] != bits[chosen + HASHED - 1]]
        marks = np.concatenate([self._marks, chosen + fresh + first])
        values = np.concatenate([self._prints, prints[chosen]])
        order = np.lexsort((marks, values))
        same = np.flatnonzero(values[order][1:] == values[order][:-1])
        reach = LONGEST_REPEAT_S * self._rate_hz
        done = self.repeats[-1].start + self.repeats[-1].length if self.repeats else -1
        for k in sorted(same, key=lambda k: int(marks[order[k + 1]])):
            earlier, later = int(marks[order[k]]), int(marks[order[k + 1]])
            if not 0 < later - earlier <= reach or later < done or earlier < first:
                continue
            found = _stretch(sound, earlier - first, later - first)
            if found is not None and found[1] >= max(2 * HASHED, round(0.001 * self._rate_hz)) and _moves_enough(
                    sound[found[0] : found[0] + found[1]], round(LONGEST_BY_CHANCE_S * self._rate_hz)):
                self.repeats.append(Repeat(first + found[0], found[1], later - earlier))
                done = first + found[0] + found[1]
        recent = marks > self._at + len(sound) - known - reach
        self._marks, self._prints = marks[recent], values[recent]


def _moves_enough(sound: FloatArray, long_enough: int) -> bool:
    """Whether a stretch has too much to it to come twice by chance."""
    moves = np.abs(np.diff(sound))
    stirring = moves[moves > 0]
    return len(sound) >= long_enough or bool(len(stirring) and moves.mean() >= FEWEST_STEPS * stirring.min())


def _stretch(sound: FloatArray, earlier: int, later: int) -> tuple[int, int] | None:
    """First frame and length of the longest equal stretch around two equal places."""
    distance = later - earlier
    unequal = np.flatnonzero(sound[later:] != sound[earlier : len(sound) - distance])
    ahead = int(unequal[0]) if len(unequal) else len(sound) - later
    unequal = np.flatnonzero(sound[distance:later][::-1] != sound[:earlier][::-1])
    back = int(unequal[0]) if len(unequal) else earlier
    return (later - back, back + ahead) if back + ahead else None

"""Onsets beside the grid points they belong to, as columns: a long take has many thousands.

Offsets are ms after (before when negative) the grid point. What there is not is NaN in a column of numbers, and None in
a single `AlignedOnset`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, overload

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.onsets.onset import Onset, Onsets
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.tempo_map import TempoMap

LEAST_CONFIDENCE = 0.35
"""Onsets below it do not enter statistics."""
IntArray = npt.NDArray[np.int64]
Rows = Any
"""What numpy takes as an index."""
_BITS = 16
"""Of a beat, and of a sixteenth, in a key."""
NO_KEY = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class GridPoint:
    """A sixteenth of the grid; bars, beats and sixteenths count from 1."""

    bar: int
    beat: int
    sixteenth: int
    time_s: float = field(compare=False)
    tempo_map: TempoMap = field(compare=False, repr=False)

    @property
    def text(self) -> str:
        """The position as recipes write it."""
        return self.tempo_map.text_of(self.time_s)

    @property
    def order(self) -> tuple[int, int, int]:
        """What grid points are sorted by."""
        return self.bar, self.beat, self.sixteenth


class Points(NamedTuple):
    """Grid points; arrays of shape (points,)."""

    key: IntArray
    """One number for each bar, beat and sixteenth, rising with time; NO_KEY where there is no point."""
    time_s: FloatArray

    @classmethod
    def of_keys(cls, key: IntArray) -> Points:
        """Those of keys, at unknown times."""
        return cls(key, np.full(len(key), np.nan))

    def where(self, rows: Rows) -> Points:
        """Some of them."""
        return Points(self.key[rows], self.time_s[rows])

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """Where there is a point."""
        known: npt.NDArray[np.bool_] = self.key != NO_KEY
        return known

    @property
    def bar(self) -> IntArray:
        """Bars; of no use where there is no point."""
        bar: IntArray = self.key >> 2 * _BITS
        return bar

    @property
    def place(self) -> IntArray:
        """Beat and sixteenth as one number, the same in every bar."""
        place: IntArray = self.key & ((1 << 2 * _BITS) - 1)
        return place

    @property
    def sixteenth(self) -> IntArray:
        """Sixteenths of the beat."""
        sixteenth: IntArray = self.key & ((1 << _BITS) - 1)
        return sixteenth


def key_of(bar: IntArray, beat: IntArray, sixteenth: IntArray) -> IntArray:
    """Keys of grid points."""
    key: IntArray = (((bar << _BITS) + beat) << _BITS) + sixteenth
    return key


FIRST_DOWNBEAT = int(key_of(*np.ones((3, 1), np.int64))[0])


@dataclass(frozen=True, slots=True)
class AlignedOnset:
    """An onset and its grid point."""

    onset: Onset
    heard_s: float
    """When it is heard once the moves of the recipe are applied."""
    point: GridPoint | None = None
    offset_ms: float | None = None
    """How late it is for its grid point."""
    deviation_ms: float | None = None
    """How late it is for where this take usually plays that sixteenth."""
    swell_s: float = 0.0
    """How long before its target it begins: for a rake whose last string is on the beat, else 0."""

    @property
    def target_s(self) -> float:
        """When its target is heard; this is what is on the grid or off it."""
        return self.heard_s + self.swell_s

    @property
    def is_reliable(self) -> bool:
        """Whether it enters statistics."""
        return self.point is not None and self.onset.confidence >= LEAST_CONFIDENCE


@dataclass(frozen=True, eq=False)
class AlignedOnsets(Sequence[AlignedOnset]):
    """Onsets of a take on the grid; arrays of shape (onsets,), as `AlignedOnset` has them."""

    onsets: Onsets
    heard_s: FloatArray
    points: Points
    offset_ms: FloatArray
    swell_s: FloatArray
    usual_ms: FloatArray
    """How late the take usually plays each sixteenth of the beat, which counts from 1."""
    tempo_map: TempoMap

    @property
    def deviation_ms(self) -> FloatArray:
        """How late each is for where the take usually plays that sixteenth."""
        deviation_ms: FloatArray = self.offset_ms - self.usual_ms[self.points.sixteenth]
        return deviation_ms

    @property
    def target_s(self) -> FloatArray:
        """When the target of each is heard."""
        return self.heard_s + self.swell_s

    @property
    def is_reliable(self) -> npt.NDArray[np.bool_]:
        """Which enter statistics."""
        return self.points.known & (self.onsets.confidence >= LEAST_CONFIDENCE)

    def where(self, rows: Rows) -> AlignedOnsets:
        """Some of them."""
        onsets = self.onsets[rows] if isinstance(rows, slice) else self.onsets.where(rows)
        return AlignedOnsets(onsets, self.heard_s[rows], self.points.where(rows), self.offset_ms[rows],
                             self.swell_s[rows], self.usual_ms, self.tempo_map)

    def __len__(self) -> int:
        return len(self.heard_s)

    def __iter__(self) -> Iterator[AlignedOnset]:
        return (self[number] for number in range(len(self)))

    @overload
    def __getitem__(self, which: int) -> AlignedOnset: ...

    @overload
    def __getitem__(self, which: slice) -> AlignedOnsets: ...

    def __getitem__(self, which: int | slice) -> AlignedOnset | AlignedOnsets:
        if isinstance(which, slice):
            return self.where(which)
        onset, heard_s, swell_s = self.onsets[which], float(self.heard_s[which]), float(self.swell_s[which])
        point = self.point(which)
        if point is None:
            return AlignedOnset(onset, heard_s, swell_s=swell_s)
        offset_ms, usual_ms = float(self.offset_ms[which]), float(self.usual_ms[point.sixteenth])
        return AlignedOnset(onset, heard_s, point, offset_ms, offset_ms - usual_ms, swell_s)

    def point(self, number: int) -> GridPoint | None:
        """Grid point of one."""
        key, time_s = int(self.points.key[number]), float(self.points.time_s[number])
        return None if key == NO_KEY else grid_point(key, time_s, self.tempo_map)


def grid_point(key: int, time_s: float, tempo_map: TempoMap) -> GridPoint:
    """The grid point of a key."""
    mask = (1 << _BITS) - 1
    return GridPoint(key >> 2 * _BITS, key >> _BITS & mask, key & mask, time_s, tempo_map)


@dataclass(frozen=True)
class AlignedTake:
    """A take's onsets in order, its average offset (median) and spread; None without a grid or with too few onsets."""

    onsets: AlignedOnsets
    average_offset_ms: float | None
    spread_ms: float | None
    swing_ms: dict[int, float]
    """Average offset of each sixteenth of the beat that has one of its own."""
    free_intro: int = 0
    """Onsets before bar 1 that follow no grid."""
    doubtful_s: tuple[float, ...] = ()
    """Times of rejected candidates."""
    span_s: tuple[float, float] = (-math.inf, math.inf)
    """Where the take's files are; an overdub plays a part of the song."""

    @property
    def bars(self) -> IntArray:
        """Bars of all onsets that have a grid point."""
        bars: IntArray = self.onsets.points.bar[self.onsets.points.known]
        return bars

    @property
    def reliable(self) -> tuple[IntArray, IntArray]:
        """Keys of the grid points of the onsets that enter statistics, rising, and their rows; no two have one."""
        rows = np.flatnonzero(self.onsets.is_reliable)
        rows = rows[np.argsort(self.onsets.points.key[rows], kind="stable")]
        return self.onsets.points.key[rows], rows

    def row_at(self, keys: IntArray) -> IntArray:
        """Rows of the onsets at grid points that enter statistics; -1 where there is none."""
        known, rows = self.reliable
        if not len(known):
            return np.full(len(keys), -1)
        nearest = np.minimum(np.searchsorted(known, keys), len(known) - 1)
        found: IntArray = np.where(known[nearest] == keys, rows[nearest], -1)
        return found

"""Onsets of a take, and what else is detected in it. Times are seconds from the start of the take.

A long take has many thousands of onsets, so they are columns of numbers; an `Onset` is made of them when it is asked
for.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import overload

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.onsets.metronome.ticks import Metronome
from layerpipe.core.sound import Float32Array, FloatArray

Chosen = npt.NDArray[np.bool_] | npt.NDArray[np.intp] | Sequence[int]
"""Some rows: a mask, or their numbers."""


@dataclass(frozen=True, slots=True)
class Onset:
    """An onset of a take."""

    at_s: float
    """When the first string sounds."""
    confidence: float
    """Probability that it is an onset, 0 to 1."""
    rise_db: float
    """Height of the onset curve."""
    level_db: float
    """dBFS, rms of the 60 ms after it."""
    chroma: Sequence[float] = field(default=(), hash=False)
    """Twelve numbers, C first; empty where the sound ends too early."""
    rake_ms: float = 0.0
    """Time from the first to the last string of a rake; 0 for a normal strum."""
    before_db: float = 0.0
    """dBFS, rms of the 40 ms before it, but for the last 4 ms."""
    earlier_ms: float = 0.0
    later_ms: float = 0.0  # it may have begun this much earlier or later: strings that are let go change as much


@dataclass(frozen=True, eq=False)
class Onsets(Sequence[Onset]):
    """Onsets in order of time, without chroma; each number of `Onset` is an array of shape (onsets,).

    Attributes
    ----------
    numbers : np.ndarray [shape=(8, onsets)]
        The numbers of `Onset`, in its order.
    """

    numbers: FloatArray

    @classmethod
    def of(cls, onsets: Iterable[Onset]) -> Onsets:
        """Those of a list."""
        if isinstance(onsets, Onsets):
            return onsets
        return cls(np.array([(one.at_s, one.confidence, one.rise_db, one.level_db, one.rake_ms, one.before_db,
                              one.earlier_ms, one.later_ms) for one in onsets], np.float64).reshape(-1, 8).T.copy())

    @classmethod
    def joined(cls, several: Sequence[Onsets]) -> Onsets:
        """All of several, in their order."""
        return cls(np.concatenate([NONE.numbers, *(one.numbers for one in several)], axis=1))

    def where(self, chosen: Chosen) -> Onsets:
        """Some of them."""
        rows = chosen if isinstance(chosen, np.ndarray) else np.array(chosen, np.intp)
        return self if rows.dtype == bool and rows.all() else Onsets(self.numbers[:, rows])

    def later(self, seconds: float) -> Onsets:
        """The same, later."""
        numbers = self.numbers.copy()
        numbers[0] += seconds
        return Onsets(numbers)

    def __len__(self) -> int:
        return int(self.numbers.shape[1])

    def __iter__(self) -> Iterator[Onset]:
        return (self[number] for number in range(len(self)))

    @overload
    def __getitem__(self, which: int) -> Onset: ...

    @overload
    def __getitem__(self, which: slice) -> Onsets: ...

    def __getitem__(self, which: int | slice) -> Onset | Onsets:
        if isinstance(which, slice):
            return Onsets(self.numbers[:, which])
        at_s, confidence, rise_db, level_db, *others = self.numbers[:, which].tolist()
        return Onset(at_s, confidence, rise_db, level_db, (), *others)

    def _column(self, number: int) -> FloatArray:
        column: FloatArray = self.numbers[number]
        return column

    @property
    def at_s(self) -> FloatArray:
        """When the first string of each sounds."""
        return self._column(0)

    @property
    def confidence(self) -> FloatArray:
        """Probability that each is an onset."""
        return self._column(1)

    @property
    def rise_db(self) -> FloatArray:
        """Height of the onset curve."""
        return self._column(2)

    @property
    def level_db(self) -> FloatArray:
        """dBFS after each."""
        return self._column(3)

    @property
    def rake_ms(self) -> FloatArray:
        """Duration of each rake."""
        return self._column(4)

    @property
    def before_db(self) -> FloatArray:
        """dBFS before each."""
        return self._column(5)

    @property
    def earlier_ms(self) -> FloatArray:
        """How much earlier each may have begun."""
        return self._column(6)

    @property
    def later_ms(self) -> FloatArray:
        """How much later each may have begun."""
        return self._column(7)


NONE = Onsets(np.zeros((8, 0)))


@dataclass(frozen=True)
class Detection:
    """What was detected in a take."""

    onsets: Onsets
    chroma: Float32Array
    """Of these onsets, shape (onsets, 12); zeros where the sound ends too early."""
    doubtful_s: list[float]
    """Times of candidates that were rejected."""
    faint: Onsets = NONE
    """Rejected candidates that may be very soft or muted strums, if one is expected there."""
    light: Onsets = NONE
    """Light strokes on ringing strings, which make nothing louder, if the take plays there."""
    added: Onsets = NONE
    """Those that stop no string either, if few are where it does not play; `rise_db` is that of the phase errors."""
    span_s: tuple[float, float] = (-math.inf, math.inf)
    """Where the take's files are; an overdub plays a part of the song."""
    metronome: Metronome | None = None
    """A metronome in the take; its ticks are no onsets."""

    @classmethod
    def of(cls, onsets: Sequence[Onset], doubtful_s: Sequence[float] = (), *, faint: Onsets = NONE,
           light: Onsets = NONE, added: Onsets = NONE) -> Detection:
        """Onsets of a list."""
        chroma = np.zeros((len(onsets), 12), np.float32)
        for row, one in zip(chroma, onsets, strict=True):
            row[: len(one.chroma)] = one.chroma
        return cls(Onsets.of(onsets), chroma, list(doubtful_s), faint, light, added)

    def later(self, seconds: float) -> Detection:
        """The same, with every time later: what was detected in a file, in a song in which it begins later."""
        if not seconds:
            return self
        return replace(self, doubtful_s=[at_s + seconds for at_s in self.doubtful_s],
                       onsets=self.onsets.later(seconds), faint=self.faint.later(seconds),
                       light=self.light.later(seconds), added=self.added.later(seconds),
                       metronome=self.metronome and self.metronome.later(seconds))

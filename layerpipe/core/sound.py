"""What processing and analysis read from: a sound with a length, a rate, and frames readable at any position.

A take is mono: arrays of shape (frames,). Full scale is 1.0. Reads are float64.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Protocol

import numpy as np

# numpy loads this when it is first used, which failed (RecursionError) when two worker threads were the first at once.
import numpy.fft
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
OnProgress = Callable[[float], None]
"""Called with the share of the work (of 1) that was done since the last call."""

BLOCK_FRAMES = 1 << 16

Made = tuple[Any, ...]
"""What a sound is made of: a word, then files, numbers and the `Made` of other sounds. Equal ones sound equal."""


class Sound(Protocol):
    """A mono sound that is read in pieces, so that memory does not grow with its length."""

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        ...

    @property
    def frames(self) -> int:
        """Length in frames."""
        ...

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop, inside [0, frames], as float64 of shape (stop - start,)."""
        ...


class ArraySound:
    """A `Sound` held in memory."""

    def __init__(self, samples: npt.ArrayLike, rate_hz: int) -> None:
        self._samples = np.asarray(samples, dtype=np.float64)
        self._rate_hz = rate_hz

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return self._rate_hz

    @property
    def frames(self) -> int:
        """Length in frames."""
        return len(self._samples)

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop."""
        return self._samples[start:stop]


def made_of(sound: object) -> Made | None:
    """What a sound is made of; None if it does not say so (its `made_of`), as one in memory does not."""
    made: Made | None = getattr(sound, "made_of", None)
    return made


def part_of(sound: Sound, start: int, stop: int) -> Sound:
    """What of a sound is heard from start to stop: itself, unless it is made of pieces and says which (its `part`)."""
    part: Callable[[int, int], Sound] | None = getattr(sound, "part", None)
    return sound if part is None else part(start, stop)


def blocks(sound: Sound, *, start: int = 0, stop: int | None = None, size: int = BLOCK_FRAMES) -> Iterator[FloatArray]:
    """Read a sound from start to stop in blocks of `size` frames; the last one may be shorter."""
    end = sound.frames if stop is None else stop
    for at in range(start, end, size):
        yield sound.read(at, min(at + size, end))

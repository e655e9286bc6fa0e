"""Where two sounds of integers part, and by how much."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from layerpipe.core.units import db_of_gain
from layerpipe.outputs.verify.stem_file import READ_FRAMES, StemFile

Reader = Callable[[int, int], npt.NDArray[np.int32]]


def difference(one: Reader, other: Reader, frames: int) -> tuple[int | None, int]:
    """First frame that differs and the largest difference in steps of the integers; what is not there counts as 0."""
    first, largest = None, 0
    for start in range(0, frames, READ_FRAMES):
        a, b = one(start, start + READ_FRAMES), other(start, start + READ_FRAMES)
        if np.array_equal(a, b):
            continue
        longest = max(len(a), len(b))
        difference = np.abs(_stretched(a, longest).astype(np.int64) - _stretched(b, longest))
        apart = difference.any(axis=1)
        # Frames that one of them lacks differ, silent or not.
        apart[min(len(a), len(b)) :] = True
        if first is None:
            first = start + int(np.argmax(apart))
        largest = max(largest, int(difference.max()))
    return first, largest


def _stretched(block: npt.NDArray[np.int32], frames: int) -> npt.NDArray[np.int32]:
    """Followed by zeros up to a length."""
    return np.pad(block, ((0, frames - len(block)), (0, 0)))


def sum_reader(files: list[StemFile]) -> Reader:
    """The integer sum of several files."""
    return lambda start, stop: np.sum([file.read(start, stop) for file in files], axis=0, dtype=np.int32)


def dbfs(steps: int, bit_depth: int) -> float:
    """Integer steps as a level."""
    return db_of_gain(steps / (1 << (bit_depth - 1)))

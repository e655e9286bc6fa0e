"""Levels of a take every 10 ms, on the grid of `dsp.loudness`; linear, full scale 1."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.dsp.loudness.bs1770 import HOP_STEPS, STEPS_PER_S, step_start, step_starts

PART_S = 600
"""Steps are kept in parts of so many seconds, so that memory does not grow with a take."""


Column = TypeVar("Column", Float32Array, FloatArray, npt.NDArray[np.bool_])


@dataclass(frozen=True)
class Steps:
    """Measured every 10 ms; arrays of shape (steps,), the last step may be shorter."""

    highest: Float32Array
    lowest: Float32Array
    mid_power: Float32Array
    silent: npt.NDArray[np.bool_]
    """Nothing but zeros."""
    k_energy: FloatArray
    """Sums of squares of the K-weighted samples of every whole 100 ms; shape (steps // 10,) or one less."""

    @classmethod
    def joined(cls, parts: Iterable[Steps]) -> Steps:
        """Parts one after the other."""
        rows = [(one.highest, one.lowest, one.mid_power, one.silent, one.k_energy) for one in parts]
        return cls(*map(np.concatenate, zip(*rows, strict=True)))


class StepMeter:
    """Measures the steps of a part second by second."""

    def __init__(self, frames: int, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        count = STEPS_PER_S * (frames // rate_hz) + len(_starts(frames % rate_hz, rate_hz))
        self._highest, self._lowest, self._mid = (np.zeros(count, np.float32) for _ in range(3))
        self._silent = np.zeros(count, np.bool_)
        self._k_energy = np.zeros(count // HOP_STEPS)
        self._steps = self._hops = 0

    def add(self, block: FloatArray, mid: FloatArray, weighted: FloatArray) -> None:
        """Measure a second, or the shorter rest."""
        starts = _starts(len(block), self._rate_hz)
        here = slice(self._steps, self._steps + len(starts))
        self._highest[here] = np.maximum.reduceat(block, starts)
        self._lowest[here] = np.minimum.reduceat(block, starts)
        self._mid[here] = np.add.reduceat(mid * mid, starts) / np.diff(starts, append=len(block))
        self._silent[here] = (self._highest[here] == 0.0) & (self._lowest[here] == 0.0)
        whole = [at for at in range(0, STEPS_PER_S, HOP_STEPS)
                 if step_start(at + HOP_STEPS, self._rate_hz) <= len(block)]
        if whole:
            squares = weighted[: step_start(whole[-1] + HOP_STEPS, self._rate_hz)] ** 2
            self._k_energy[self._hops : self._hops + len(whole)] = np.add.reduceat(squares, starts[whole])
        self._steps, self._hops = here.stop, self._hops + len(whole)

    def end(self) -> Steps:
        """All steps."""
        return Steps(self._highest, self._lowest, self._mid, self._silent, self._k_energy[: self._hops])


def _starts(frames: int, rate_hz: int) -> npt.NDArray[np.int64]:
    """First frames of the 10 ms steps of a block that begins on a whole second."""
    starts = step_starts(0, STEPS_PER_S - 1, rate_hz)
    return starts[starts < frames]

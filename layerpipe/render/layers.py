"""Processed takes become layers, layers become the blend: gains, pans and section levels, nothing else.

Takes are mono (frames,); a layer is (frames, 2). Levels follow the sections, with a raised-cosine ramp of 20 ms that
ends on the downbeat where the level changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray
from layerpipe.core.units import frames_of_ms, gain_of_db
from layerpipe.dsp import kernels
from layerpipe.dsp.panning import pan_gains
from layerpipe.recipe.model import Layer, Take

RAMP_MS = 20.0


@dataclass(frozen=True)
class LevelPlan:
    """A layer's gain over the song: from frame `at[i]` on it is `gain[i]`; each ramp ends on its frame."""

    at: tuple[int, ...]
    gain: tuple[float, ...]
    ramp_frames: int

    def gains(self, start: int, stop: int) -> float | FloatArray:
        """Gain of frames start to stop: one number where nothing changes, else an array (stop - start,)."""
        last = int(np.searchsorted(self.at, start, side="right")) - 1
        coming = self.at[last + 1] if last + 1 < len(self.at) else None
        if coming is None or coming - self.ramp_frames >= stop:
            return self.gain[last]
        gains = np.empty(stop - start)
        frames = np.arange(start, stop)
        place = np.searchsorted(self.at, frames, side="right") - 1
        gains[:] = np.asarray(self.gain)[place]
        for index in range(last + 1, len(self.at)):
            end = self.at[index]
            begin = max(end - self.ramp_frames, self.at[index - 1])
            if begin >= stop:
                break
            inside = (frames >= begin) & (frames < end)
            turn = (1 - np.cos(np.pi * (frames[inside] - begin) / (end - begin))) / 2
            gains[inside] = self.gain[index - 1] + (self.gain[index] - self.gain[index - 1]) * turn
        return gains


def plan_levels(layer: Layer, spans: Sequence[tuple[int, int, float]], rate_hz: int) -> LevelPlan:
    """Lay a layer's levels out over the song.

    Parameters
    ----------
    layer : Layer
    spans : sequence of (start_frame, stop_frame, level_db)
        The sections in order of time, with the layer's level in each. Outside them its own level holds.
    rate_hz : int
    """
    changes: list[tuple[int, float]] = [(0, layer.level_db)]
    for start, stop, level_db in spans:
        changes += [(max(start, 0), level_db), (max(stop, 0), layer.level_db)]
    at: list[int] = []
    gain: list[float] = []
    for frame, level_db in changes:
        if at and at[-1] == frame:
            # A section that begins where the last one ended: its level counts.
            gain[-1] = gain_of_db(level_db)
        else:
            at.append(frame)
            gain.append(gain_of_db(level_db))
    kept = [index for index in range(len(at)) if index == 0 or gain[index] != gain[index - 1]]
    return LevelPlan(tuple(at[i] for i in kept), tuple(gain[i] for i in kept), max(1, frames_of_ms(RAMP_MS, rate_hz)))


def take_gain(take: Take) -> float:
    """A take's gain as a factor, its polarity as the sign."""
    return gain_of_db(take.gain_db) * (-1.0 if take.invert_polarity else 1.0)


def take_pans(take: Take) -> tuple[float, float]:
    """Left and right factor of a take: gain, polarity and pan."""
    left, right = pan_gains(take.pan)
    return take_gain(take) * left, take_gain(take) * right


def sum_layer(blocks: Sequence[npt.NDArray[np.float32]], pans: Sequence[tuple[float, float]],
              level: float | FloatArray) -> FloatArray:
    """Pan a layer's takes, add them and set the level.

    Parameters
    ----------
    blocks : sequence of np.ndarray [shape=(frames,), float32]
        The processed takes.
    pans : sequence of (left, right)
        Factors of each.
    level : float or np.ndarray [shape=(frames,)]

    Returns
    -------
    np.ndarray [shape=(frames, 2), float64]
    """
    out = np.zeros((len(blocks[0]), 2))
    for block, (left, right) in zip(blocks, pans, strict=True):
        kernels.add_panned(block, left, right, out)
    if isinstance(level, np.ndarray):
        kernels.apply_gains(out, level)
    elif level != 1.0:
        out *= level
    return out

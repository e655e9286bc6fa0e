"""From processed takes to layers: gains, pans and section levels.

Takes are mono (frames,); a layer is (frames, 2). Levels follow the sections, with a raised-cosine ramp of 20 ms that
ends on the downbeat where the level changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from layerpipe.core.sound import FloatArray
from layerpipe.core.units import frames_of_ms, gain_of_db
from layerpipe.dsp import kernels
from layerpipe.dsp.panning import pan_gains
from layerpipe.recipe.model.recipe import Layer, Take

RAMP_MS = 20.0
"""Length of a change of level: short enough to end between two notes, long enough not to click; common practice."""


class LevelPlan(Struct, frozen=True):
    """A layer's gain over the song: `gain[i]` from frame `at[i]` on; the ramp to it ends on that frame."""

    at: tuple[int, ...]
    gain: tuple[float, ...]
    ramp_frames: int

    def ramps(self) -> list[tuple[int, int]]:
        """Frames between which each change of the gain takes place."""
        return [(max(end - self.ramp_frames, before), end) for before, end in pairwise(self.at)]

    def gain_at(self, frames: npt.ArrayLike) -> FloatArray:
        """Gain at each of these frames as if there were no ramps."""
        return np.asarray(self.gain)[np.searchsorted(self.at, frames, side="right") - 1]

    def gains(self, start: int, stop: int) -> float | FloatArray:
        """Gain of frames start to stop: one number where nothing changes, else an array (stop - start,)."""
        inside = [(begin, end) for begin, end in self.ramps() if begin < stop and end > start]
        if not inside:
            return float(self.gain_at(start))
        frames = np.arange(start, stop)
        gains = self.gain_at(frames)
        for begin, end in inside:
            ramp = (frames >= begin) & (frames < end)
            share = (1 - np.cos(np.pi * (frames[ramp] - begin) / (end - begin))) / 2
            before, after = self.gain_at([begin, end])
            gains[ramp] = before + (after - before) * share
        return gains


def plan_levels(layer: Layer, spans: Sequence[tuple[int, int, float]], rate_hz: int) -> LevelPlan:
    """A layer's gain over the song.

    Parameters
    ----------
    layer : Layer
    spans : sequence of (start_frame, stop_frame, level_db)
        The sections in order of time, with the layer's level in each. Elsewhere its own level applies.
    rate_hz : int
    """
    changes: list[tuple[int, float]] = [(0, layer.level_db)]
    for start, stop, level_db in spans:
        changes += [(max(start, 0), level_db), (max(stop, 0), layer.level_db)]
    at: list[int] = []
    gain: list[float] = []
    for frame, level_db in changes:
        if at and at[-1] == frame:
            # Where a section begins as another ends, the one that begins counts.
            gain[-1] = gain_of_db(level_db)
        else:
            at.append(frame)
            gain.append(gain_of_db(level_db))
    changes_at = [n for n in range(len(at)) if n == 0 or gain[n] != gain[n - 1]]
    return LevelPlan(tuple(at[n] for n in changes_at), tuple(gain[n] for n in changes_at),
                     max(1, frames_of_ms(RAMP_MS, rate_hz)))


def take_gain(take: Take) -> float:
    """A take's gain as a factor, its polarity as the sign."""
    return gain_of_db(take.gain_db) * (-1.0 if take.invert_polarity else 1.0)


def take_pans(take: Take) -> tuple[float, float]:
    """Left and right factor of a take: gain, polarity and pan."""
    left, right = pan_gains(take.pan)
    return take_gain(take) * left, take_gain(take) * right


def sum_layer(blocks: Sequence[npt.NDArray[np.float32]], pans: Sequence[tuple[float, float]],
              level: float | FloatArray) -> FloatArray:
    """Pan a layer's takes, sum them and apply the level.

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

"""Timing moves of one take: pieces of it played earlier or later, without gaps and without a note struck twice.

`from` and `to` are positions in the take as it was recorded. Each crossfade ends just before its position (or before
the position's new place, if that is earlier), so that an attack at the position stays whole: see `dsp/splicing.py`.
"""

from __future__ import annotations

import bisect
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.dsp.splicing import FrameMove, Joint, correlation, crossfade_gains, plan_joints
from layerpipe.recipe.model import Take

__all__ = ["FrameMove", "MovedTake", "PlayedJoint", "frame_moves"]


class Positions(Protocol):
    """The part of a tempo map that moves need."""

    def seconds_of(self, position: str | float, /) -> float:
        """Seconds from the start of the files of a position in bars and beats, or of a number of seconds."""
        ...


@dataclass(frozen=True)
class PlayedJoint:
    """A crossfade as it was played: output frames, lags before and after, and the correlation its gains follow."""

    start: int
    stop: int
    before: int
    after: int
    asked_frames: int
    rho: float


def frame_moves(take: Take, tempo_map: Positions, rate_hz: int) -> list[FrameMove]:
    """The moves of a take in frames, in order of their start.

    Parameters
    ----------
    take : Take
    tempo_map : Positions
        Converts positions to seconds.
    rate_hz : int
        Rate at which the take is played.

    Returns
    -------
    list of FrameMove
        Moves of less than half a frame are omitted.

    Raises
    ------
    ParameterError
        If a move begins before the files, ends before it begins, or overlaps another.
    """
    found = []
    for number, move in enumerate(take.move, start=1):
        start = frames_of_s(tempo_map.seconds_of(move.start), rate_hz)
        stop = frames_of_s(tempo_map.seconds_of(move.stop), rate_hz)
        if start < 0:
            raise ParameterError(f'take "{take.name}", move {number}: {move.start} is before the start of the files')
        if stop <= start:
            raise ParameterError(f'take "{take.name}", move {number}: its end ({move.stop}) must come after its '
                                 f"beginning ({move.start})")
        found.append((FrameMove(start, stop, frames_of_ms(move.by_ms, rate_hz),
                                max(1, frames_of_ms(move.crossfade_ms, rate_hz))), number))
    found.sort(key=lambda pair: (pair[0].start, pair[1]))
    for (first, one), (second, other) in pairwise(found):
        if second.start < first.stop:
            raise ParameterError(f'take "{take.name}", move {other} begins at {second.start / rate_hz:.3f} s, inside '
                                 f"move {one}, which ends at {first.stop / rate_hz:.3f} s; they may touch, not overlap")
    return [move for move, _ in found if move.by]


class MovedTake:
    """A take with its moves played: a `Sound` that is the same however it is cut into reads.

    Parameters
    ----------
    sound : Sound
    moves : sequence of FrameMove
        May touch but not overlap.

    Raises
    ------
    ParameterError
        If the moves overlap, leave the sound, or change the order of its pieces.
    """

    def __init__(self, sound: Sound, moves: Sequence[FrameMove]) -> None:
        self._sound = sound
        first_lag, self._planned = plan_joints(moves, sound.frames)
        # From each of these frames on the source is played with this lag; a crossfade belongs to the piece after it.
        self._starts = [0, *(joint.start for joint in self._planned)]
        self._lags = [first_lag, *(joint.after for joint in self._planned)]
        self._mixed: dict[int, tuple[float, FloatArray]] = {}
        self._lock = threading.Lock()

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return self._sound.rate_hz

    @property
    def frames(self) -> int:
        """Length in frames: that of the take."""
        return self._sound.frames

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64 of shape (stop - start,)."""
        if not 0 <= start <= stop <= self.frames:
            raise ParameterError(f"frames {start} to {stop} must lie inside 0 to {self.frames}")
        if not self._planned:
            return self._lagged(start, stop, self._lags[0])
        out = np.empty(stop - start)
        at, piece = start, bisect.bisect_right(self._starts, start) - 1
        while at < stop:
            end = min(stop, self._starts[piece + 1] if piece + 1 < len(self._starts) else stop)
            joint = self._planned[piece - 1] if piece else None
            if joint is not None and at < joint.stop:
                end = min(end, joint.stop)
                out[at - start : end - start] = self._joint(piece - 1)[1][at - joint.start : end - joint.start]
            else:
                out[at - start : end - start] = self._lagged(at, end, self._lags[piece])
            at = end
            if piece + 1 < len(self._starts) and at >= self._starts[piece + 1]:
                piece += 1
        return out

    def joints(self) -> list[PlayedJoint]:
        """The crossfades in order, with the correlation each was matched to."""
        return [PlayedJoint(joint.start, joint.stop, joint.before, joint.after, joint.asked_frames,
                            self._joint(number)[0]) for number, joint in enumerate(self._planned)]

    def _joint(self, number: int) -> tuple[float, FloatArray]:
        """Correlation and sound of a crossfade, made once as a whole, so that reading it in parts changes no bit."""
        with self._lock:
            if number not in self._mixed:
                joint: Joint = self._planned[number]
                ending = self._lagged(joint.start, joint.stop, joint.before)
                beginning = self._lagged(joint.start, joint.stop, joint.after)
                rho = correlation(ending, beginning)
                fade_out, fade_in = crossfade_gains(rho, joint.frames)
                self._mixed[number] = rho, ending * fade_out + beginning * fade_in
            return self._mixed[number]

    def _lagged(self, start: int, stop: int, lag: int) -> FloatArray:
        """The source, `lag` frames later; silent before it begins and after it ends."""
        first, last = start - lag, stop - lag
        inside_first, inside_last = max(first, 0), min(last, self.frames)
        if inside_first >= inside_last:
            return np.zeros(stop - start)
        sound = self._sound.read(inside_first, inside_last)
        if (inside_first, inside_last) == (first, last):
            return sound
        return np.pad(sound, (inside_first - first, last - inside_last))

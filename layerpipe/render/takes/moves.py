"""Timing moves of one take: pieces of it played earlier or later, without gaps and without a note struck twice.

`from` and `to` are positions in the take as it was recorded. Each crossfade ends just before its position (or before
the position's new place, if that is earlier), so that an attack at the position stays whole: see `dsp/splicing.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Protocol

from msgspec import Struct

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import Sound
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.dsp.splicing import FrameMove, plan_joints
from layerpipe.recipe.model.recipe import Pass, Take
from layerpipe.render.takes.joined import JoinedSound
from layerpipe.render.takes.placing import Place, PlacedSound

__all__ = ["FrameMove", "MovedTake", "PlayedJoint", "frame_moves"]


class Positions(Protocol):
    """The part of a tempo map that moves need."""

    def seconds_of(self, position: str | float, /) -> float:
        """Seconds from the start of the files of a position in bars and beats, or of a number of seconds."""
        ...


class PlayedJoint(Struct, frozen=True):
    """A crossfade as it was played: output frames, lags before and after, and the correlation its gains follow."""

    start: int
    stop: int
    before: int
    after: int
    asked_frames: int
    rho: float


def frame_moves(take: Take | Pass, tempo_map: Positions, rate_hz: int) -> list[FrameMove]:
    """The moves of a take or pass in frames, in order of their start.

    Parameters
    ----------
    take : Take or Pass
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


class MovedTake(JoinedSound):
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
        first_lag, self._planned = plan_joints(moves, sound.frames)
        lags = [first_lag, *(joint.after for joint in self._planned)]
        super().__init__([PlacedSound(sound, sound.frames, Place(lag, 0.0)) for lag in lags],
                         [(joint.start, joint.stop) for joint in self._planned])

    def joints(self) -> list[PlayedJoint]:
        """The crossfades in order, with the correlation each was matched to."""
        return [PlayedJoint(joint.start, joint.stop, joint.before, joint.after, joint.asked_frames,
                            self.crossfade(number)[0]) for number, joint in enumerate(self._planned)]

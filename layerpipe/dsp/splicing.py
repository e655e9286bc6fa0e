"""Playing pieces of a sound earlier or later: where each piece plays, and the crossfades between pieces.

Positions are frames; a lag is how much later than in the file a piece plays: the output at t is source[t - lag].
At a boundary b, where the lag changes from `before` to `after`, the crossfade ends at b + min(before, after). So the
old lag plays nothing after b, and the new one begins at b at the latest: an onset at b is heard once and complete,
and a gap that a move opens is filled with more of what rang before b.
The gains of a crossfade follow the correlation of its two sides, so that its power stays constant: Fink, Holters,
Zolzer, "Signal-Matched Power-Complementary Cross-Fading and Dry-Wet Mixing", DAFx-16, 2016.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray

LOWEST_CORRELATION = -0.5
"""Below this the law would raise both sides far above their own level (1.15 at most here) to make up for their
cancellation; noise that does not cancel would then swell."""


class FrameMove(Struct, frozen=True):
    """Frames start to stop of the source play `by` frames later (earlier if negative)."""

    start: int
    stop: int
    by: int
    joint_frames: int


class Joint(Struct, frozen=True):
    """A crossfade on output frames start to stop, from lag `before` to lag `after`."""

    start: int
    stop: int
    before: int
    after: int
    asked_frames: int

    @property
    def frames(self) -> int:
        """Length of the crossfade."""
        return self.stop - self.start


def correlation(one: FloatArray, other: FloatArray) -> float:
    """Normalised correlation of two sounds of equal length.

    Returns
    -------
    float
        -1 to 1; 0 if one of them is silent.
    """
    power = float(np.dot(one, one)) * float(np.dot(other, other))
    if power <= 0:
        return 0.0
    return max(-1.0, min(1.0, float(np.dot(one, other)) / math.sqrt(power)))


def crossfade_gains(rho: float, frames: int) -> tuple[FloatArray, FloatArray]:
    """Gains of the outgoing and the incoming side.

    Parameters
    ----------
    rho : float
        Correlation of the two sides; at least -0.5 is used. 1 sums to one, 0 is constant power.
    frames : int
        Length of the crossfade, 1 or more.

    Returns
    -------
    (going, coming) : np.ndarrays [shape=(frames,), float64]
        going^2 + coming^2 + 2 rho going coming = 1 throughout; mirror images of each other.

    References
    ----------
    Fink, Holters, Zolzer 2016 (see above), the power-complementary condition; the angle runs evenly.
    """
    if frames < 1:
        raise ParameterError(f"frames={frames} must be 1 or more")
    if not -1 <= rho <= 1:
        raise ParameterError(f"rho={rho:g} must be inside [-1, 1]")
    rho = max(rho, LOWEST_CORRELATION)
    # The first and last frame are half a step inside, so that a crossfade of n frames changes n frames.
    angle = (np.arange(frames) + 0.5) / frames * (math.pi / 2)
    if rho == 1:
        # cos/(cos + sin): the square root below has this closed form, and sums to one exactly enough.
        coming = np.sin(angle) / (np.cos(angle) + np.sin(angle))
        return 1 - coming, coming
    level = np.sqrt(1 + 2 * rho * np.cos(angle) * np.sin(angle))
    return np.cos(angle) / level, np.sin(angle) / level


def plan_joints(moves: Sequence[FrameMove], frames: int) -> tuple[int, list[Joint]]:
    """Where the lag of a sound changes, and how.

    Parameters
    ----------
    moves : sequence of FrameMove
        In any order; they may touch but not overlap.
    frames : int
        Length of the sound.

    Returns
    -------
    (lag, joints)
        The lag at frame 0, and the crossfades in order. A crossfade is shortened to the available room.

    Raises
    ------
    ParameterError
        If moves overlap, or one would play before what precedes it has begun.
    """
    ordered = sorted(moves, key=lambda move: (move.start, move.stop))
    for move in ordered:
        if not 0 <= move.start < min(move.stop, frames):
            raise ParameterError(f"the move from frame {move.start} to {move.stop} must begin inside 0 to {frames} "
                                 "and end after its beginning")
        if min(move.stop, frames) + move.by <= 0 or move.start + move.by >= frames:
            raise ParameterError(f"the move from frame {move.start} to {move.stop} leaves the sound")
    for first, second in pairwise(ordered):
        if second.start < first.stop:
            raise ParameterError(f"the moves from frame {first.start} and from frame {second.start} overlap")
    lag, last_stop, joints = 0, None, list[Joint]()
    for boundary, before, after, asked in _boundaries(ordered, frames):
        stop = boundary + min(before, after)
        if last_stop is not None and stop <= last_stop:
            raise ParameterError(f"what follows frame {boundary} would play before what precedes it")
        if stop <= 0:
            lag = after
        elif stop < frames and before != after:
            joints.append(Joint(max(stop - asked, last_stop or 0, 0), stop, before, after, asked))
        last_stop = stop
    return lag, joints


def _boundaries(moves: Sequence[FrameMove], frames: int) -> list[tuple[int, int, int, int]]:
    """Frame, lag before, lag after, crossfade length of every change; moves that touch share one."""
    found: list[tuple[int, int, int, int]] = []
    for move in moves:
        if found and found[-1][0] == move.start:
            place, before, _, asked = found.pop()
            found.append((place, before, move.by, max(asked, move.joint_frames)))
        else:
            found.append((move.start, 0, move.by, move.joint_frames))
        found.append((min(move.stop, frames), move.by, 0, move.joint_frames))
    return found


def close_loop(sound: FloatArray, crossfade: int) -> FloatArray:
    """A sound that can be looped: its end crosses over into what comes before its first frame, at constant power.

    Parameters
    ----------
    sound : np.ndarray [shape=(crossfade + frames,) or (crossfade + frames, channels)]
        Begins with what is before the loop. Its end is changed in place.
    crossfade : int
        At most half the loop.

    Returns
    -------
    np.ndarray [shape=(frames,) or (frames, channels)]
    """
    phase = (np.arange(crossfade) + 0.5) / crossfade * np.pi / 2
    phase = phase if sound.ndim == 1 else phase[:, np.newaxis]
    sound[-crossfade:] = sound[-crossfade:] * np.cos(phase) + sound[:crossfade] * np.sin(phase)
    return sound[crossfade:]

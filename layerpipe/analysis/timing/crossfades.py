"""The joints of a move: how long their crossfades should be, and whether they can be heard.

A joint is heard as a click if the treble jumps there by more than the music on both sides has, as a dip if the level
falls further than both sides. Both are told in dB of what is really played. Limits: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.splicing import FrameMove
from layerpipe.render.moves import MovedTake

EARLIER_MS = (0.0, 4.0, 8.0, 12.0)
"""How much earlier a joint may be made; it lies close before an onset, so never later."""
LENGTHS_MS = (5.0, 8.0, 12.0, 20.0, 30.0)
DIP_DB, CLICK_DB = 1.5, 6.0


@dataclass(frozen=True)
class JointCheck:
    """One joint as it is played: where (seconds as heard), and by how many dB it dips and clicks."""

    at_s: float
    dip_db: float
    click_db: float

    @property
    def is_heard(self) -> bool:
        """Whether the ear would find it."""
        return self.dip_db > DIP_DB or self.click_db > CLICK_DB


def choose_joints(sound: Sound, others: Sequence[FrameMove], move: FrameMove) -> tuple[FrameMove, list[JointCheck]]:
    """A move whose joints are not heard: with longer crossfades, else earlier joints; else the best there is.

    Parameters
    ----------
    sound : Sound
        The take as recorded.
    others : sequence of FrameMove
        Moves played with it.
    move : FrameMove
        Its `joint_frames` is not looked at.

    Returns
    -------
    (move, checks)
        With its crossfade; checks of its joints.
    """
    best: tuple[float, FrameMove, list[JointCheck]] | None = None
    for start_ms, stop_ms in sorted(((a, b) for a in EARLIER_MS for b in EARLIER_MS), key=sum):
        start = move.start - round(start_ms / 1000 * sound.rate_hz)
        stop = move.stop - round(stop_ms / 1000 * sound.rate_hz)
        is_shifted = (start, stop) != (move.start, move.stop)
        if is_shifted and (start + min(move.by, 0) < 0 or any(
                start - abs(move.by) < other.stop and other.start < stop + abs(move.by) for other in others)):
            continue
        crossfade_ms, checks = choose_length(sound, others, FrameMove(start, stop, move.by, 1))
        tried = FrameMove(start, stop, move.by, max(1, round(crossfade_ms / 1000 * sound.rate_hz)))
        worst = _worst(checks)
        # Earlier joints must be worth it.
        if best is None or worst < 0.8 * best[0]:
            best = worst, tried, checks
        if not any(check.is_heard for check in checks):
            break
    assert best is not None
    return best[1], best[2]


def _worst(checks: Sequence[JointCheck]) -> float:
    """The worst of a move's joints, in limits."""
    return max((max(check.dip_db / DIP_DB, check.click_db / CLICK_DB) for check in checks), default=0.0)


def choose_length(sound: Sound, others: Sequence[FrameMove], move: FrameMove) -> tuple[float, list[JointCheck]]:
    """The shortest crossfade at which a move's joints are not heard, else the best there is.

    Parameters
    ----------
    sound : Sound
        The take as recorded.
    others : sequence of FrameMove
        Moves played with it.
    move : FrameMove
        Its `joint_frames` is not looked at.

    Returns
    -------
    (crossfade_ms, checks)
        Checks of the joints near this move.
    """
    best: tuple[float, float, list[JointCheck]] | None = None
    for length_ms in LENGTHS_MS:
        tried = FrameMove(move.start, move.stop, move.by, max(1, round(length_ms / 1000 * sound.rate_hz)))
        checks = check_joints(sound, [*others, tried], near=(move.start, move.stop))
        worst = _worst(checks)
        if best is None or worst < best[0]:
            best = worst, length_ms, checks
        if not any(check.is_heard for check in checks):
            break
    assert best is not None
    return best[1], best[2]


def check_joints(sound: Sound, moves: Sequence[FrameMove], *, near: tuple[int, int] | None = None) -> list[JointCheck]:
    """Listen to the joints of moves as they are played; `near` keeps only those of one move (its start and stop)."""
    played = MovedTake(sound, moves)
    found = []
    for joint in played.joints():
        lag = min(joint.before, joint.after)
        if near is not None and joint.stop - lag not in near:
            continue
        around = round(0.02 * sound.rate_hz)
        first, last = max(joint.start - around, 0), min(joint.stop + around, sound.frames)
        heard = played.read(first, last)
        sides = [_shifted(sound, first, last, which) for which in (joint.before, joint.after)]
        middle = slice(joint.start - first, joint.stop - first)
        found.append(JointCheck(joint.start / sound.rate_hz, _dip_db(heard, sides, middle, sound.rate_hz),
                                _click_db(heard, sides, middle, sound.rate_hz)))
    return found


def _shifted(sound: Sound, first: int, last: int, lag: int) -> FloatArray:
    """The take under one lag, silent outside."""
    a, b = min(max(first - lag, 0), sound.frames), min(max(last - lag, 0), sound.frames)
    lead = min(max(lag - first, 0), last - first)
    out = np.zeros(last - first)
    out[lead : lead + b - a] = sound.read(a, b)
    return out


def _dip_db(heard: FloatArray, sides: list[FloatArray], middle: slice, rate_hz: int) -> float:
    """How far the level in the joint lies under the softer of both sides; windows of 5 ms or the joint itself."""
    centre, half = (middle.start + middle.stop) // 2, max((middle.stop - middle.start) // 2, round(0.0025 * rate_hz))
    window = slice(max(centre - half, 0), centre + half)
    levels = [10 * np.log10(np.mean(part[window] ** 2) + 1e-12) for part in (heard, *sides)]
    return float(max(min(levels[1:]) - levels[0], 0.0))


def _click_db(heard: FloatArray, sides: list[FloatArray], middle: slice, rate_hz: int) -> float:
    """How far the steepest bend in the joint stands over the steepest on both sides."""
    reach = round(0.004 * rate_hz)
    window = slice(max(middle.start - reach, 0), middle.stop + reach)
    bends = [float(np.max(np.abs(np.diff(part[window], n=2)), initial=0.0)) + 1e-7 for part in (heard, *sides)]
    return float(max(20 * np.log10(bends[0] / max(bends[1:])), 0.0))

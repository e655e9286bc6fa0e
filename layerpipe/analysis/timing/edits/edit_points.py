"""The edit points of a move: how long their crossfades should be, and whether they are audible.

An edit point clicks if the treble jumps there by more than in the music on both sides, and dips if the level falls
below both sides. Both are measured in dB on the edited sound. Limits: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.splicing import FrameMove
from layerpipe.render.takes.moves import MovedTake


@dataclass(frozen=True)
class EditSettings:
    """What is tried, and from where on an edit point is audible."""

    earlier_ms: tuple[float, ...] = (0.0, 4.0, 8.0, 12.0)  # never later: an onset follows right after
    crossfades_ms: tuple[float, ...] = (5.0, 8.0, 12.0, 20.0, 30.0)
    dip_db: float = 1.5
    click_db: float = 6.0
    worth: float = 0.8  # an earlier edit point must be better than the best so far by this factor


EDITS = EditSettings()


@dataclass(frozen=True)
class EditPointCheck:
    """One edit point: where (seconds as heard), and by how many dB it dips and clicks."""

    at_s: float
    dip_db: float
    click_db: float

    @property
    def is_audible(self) -> bool:
        """Whether an attentive listener would hear it."""
        return self.severity > 1

    @property
    def severity(self) -> float:
        """The worse of dip and click relative to its limit."""
        return max(self.dip_db / EDITS.dip_db, self.click_db / EDITS.click_db)


def choose_edit_points(sound: Sound, others: Sequence[FrameMove],
                       move: FrameMove) -> tuple[FrameMove, list[EditPointCheck]]:
    """A move whose edit points are inaudible: longer crossfades first, then earlier edit points; else the best found.

    Parameters
    ----------
    sound : Sound
        The take as recorded.
    others : sequence of FrameMove
        Moves applied with it.
    move : FrameMove
        Its `joint_frames` is ignored.

    Returns
    -------
    (move, checks)
        The move with its crossfade; checks of its edit points.
    """
    best: tuple[float, FrameMove, list[EditPointCheck]] | None = None
    for start_ms, stop_ms in sorted(((a, b) for a in EDITS.earlier_ms for b in EDITS.earlier_ms), key=sum):
        start = move.start - round(start_ms / 1000 * sound.rate_hz)
        stop = move.stop - round(stop_ms / 1000 * sound.rate_hz)
        is_shifted = (start, stop) != (move.start, move.stop)
        if is_shifted and (start + min(move.by, 0) < 0 or any(
                start - abs(move.by) < other.stop and other.start < stop + abs(move.by) for other in others)):
            continue
        tried, checks = choose_crossfade(sound, others, FrameMove(start, stop, move.by, 1))
        worst = _worst(checks)
        if best is None or worst < EDITS.worth * best[0]:
            best = worst, tried, checks
        if not any(check.is_audible for check in checks):
            break
    assert best is not None
    return best[1], best[2]


def _worst(checks: Sequence[EditPointCheck]) -> float:
    """The worst severity of a move's edit points."""
    return max((check.severity for check in checks), default=0.0)


def choose_crossfade(sound: Sound, others: Sequence[FrameMove],
                     move: FrameMove) -> tuple[FrameMove, list[EditPointCheck]]:
    """The move with the shortest crossfade at which its edit points are inaudible, else with the best one.

    Parameters and results are those of `choose_edit_points`.
    """
    best: tuple[float, FrameMove, list[EditPointCheck]] | None = None
    for length_ms in EDITS.crossfades_ms:
        tried = FrameMove(move.start, move.stop, move.by, max(1, round(length_ms / 1000 * sound.rate_hz)))
        checks = check_edit_points(sound, [*others, tried], near=(move.start, move.stop))
        worst = _worst(checks)
        if best is None or worst < best[0]:
            best = worst, tried, checks
        if not any(check.is_audible for check in checks):
            break
    assert best is not None
    return best[1], best[2]


def check_edit_points(sound: Sound, moves: Sequence[FrameMove], *,
                      near: tuple[int, int] | None = None) -> list[EditPointCheck]:
    """Measure the edit points of moves as they are applied; `near` (start, stop) keeps only those of one move."""
    edited = MovedTake(sound, moves)
    found = []
    for joint in edited.joints():
        lag = min(joint.before, joint.after)
        if near is not None and joint.stop - lag not in near:
            continue
        around = round(0.02 * sound.rate_hz)
        first, last = max(joint.start - around, 0), min(joint.stop + around, sound.frames)
        heard = edited.read(first, last)
        sides = [_delayed(sound, first, last, which) for which in (joint.before, joint.after)]
        middle = slice(joint.start - first, joint.stop - first)
        found.append(EditPointCheck(joint.start / sound.rate_hz, _dip_db(heard, sides, middle, sound.rate_hz),
                                    _click_db(heard, sides, middle, sound.rate_hz)))
    return found


def _delayed(sound: Sound, first: int, last: int, lag: int) -> FloatArray:
    """Frames first to last of the take delayed by `lag` frames; silent outside it."""
    a, b = min(max(first - lag, 0), sound.frames), min(max(last - lag, 0), sound.frames)
    lead = min(max(lag - first, 0), last - first)
    out = np.zeros(last - first)
    out[lead : lead + b - a] = sound.read(a, b)
    return out


def _dip_db(heard: FloatArray, sides: list[FloatArray], middle: slice, rate_hz: int) -> float:
    """How far the level in the crossfade is below the softer of both sides; windows of 5 ms or the crossfade itself."""
    centre, half = (middle.start + middle.stop) // 2, max((middle.stop - middle.start) // 2, round(0.0025 * rate_hz))
    window = slice(max(centre - half, 0), centre + half)
    levels = [10 * np.log10(np.mean(part[window] ** 2) + 1e-12) for part in (heard, *sides)]
    return float(max(min(levels[1:]) - levels[0], 0.0))


def _click_db(heard: FloatArray, sides: list[FloatArray], middle: slice, rate_hz: int) -> float:
    """Greatest second difference in the crossfade relative to the greatest on both sides, dB."""
    reach = round(0.004 * rate_hz)
    window = slice(max(middle.start - reach, 0), middle.stop + reach)
    bends = [float(np.max(np.abs(np.diff(part[window], n=2)), initial=0.0)) + 1e-7 for part in (heard, *sides)]
    return float(max(20 * np.log10(bends[0] / max(bends[1:])), 0.0))

"""Flat tops: at full scale, below it after a gain change, and after an analogue clip, where they lean a little.

A peak of anything that swings is round: it stays within 2.5 % of its top for a third of the time it spends in its
upper quarter (a parabola: the square root of 0.025 / 0.25). A clipped one stays there for more than half, and all
clipped ones end at the same ceiling. Levels are linear, full scale 1; positions frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from layerpipe.dsp.loudness import step_start
from layerpipe.hearing.listening import Heard
from layerpipe.sound import FloatArray, Sound

FULL_SCALE = 0.9998
NEAR_TOP, UPPER_QUARTER = 0.975, 0.75
FLAT_SHARE = 0.45
SHORTEST_FLAT_S = 0.00008
WIDE_S = 0.0002
"""A peak that is narrower in its upper quarter is over before it can look flat."""
AT_CEILING = 0.96
FEWEST_NEAR, FEWEST_LEANING, LEAST_LEANING = 8, 2, 0.06
"""Of 72 clean takes none had a flat top, and none more than 10 tops this near its highest; a clipped one has both."""
FEWEST_SAME, FEWEST_AT_FULL_SCALE = 3, 2
"""A take that was raised until it just fits touches full scale once."""
AT_ONCE = 0.5
MOST_LOOKS = 600
LOUD_ENOUGH = 0.02
"""A peak under -34 dBFS is no ceiling of anything."""


@dataclass(frozen=True)
class Clipping:
    """Where tops are flat (frames, in order), the longest run in frames, and the ceiling."""

    places: list[int]
    longest: int
    ceiling: float
    exact: bool


def find_clipping(sound: Sound, heard: Heard) -> Clipping | None:
    """Find clipped tops; None where all are round.

    Parameters
    ----------
    sound : Sound
        Read again around the loudest peaks only.
    heard : Heard

    Returns
    -------
    Clipping or None
    """
    peak = heard.peak
    if peak < LOUD_ENOUGH:
        return None
    ceilings = (float(heard.steps.highest.max()), float(-heard.steps.lowest.min()))
    same = _same_tops(heard, ceilings)
    exact = [run for run in heard.runs if _is_exact(run.value, run.length, ceilings, heard.rate_hz)]
    if exact:
        return Clipping([run.start for run in exact], max(run.length for run in exact), abs(exact[0].value), True)
    if same is not None:
        return same
    found = [_leaning(sound, heard, ceiling, sign) for ceiling, sign in zip(ceilings, (1.0, -1.0), strict=True)]
    leaning = sorted(flat for flats, _, _ in found for flat in flats)
    near, judged = sum(side[1] for side in found), sum(side[2] for side in found)
    if near < FEWEST_NEAR or len(leaning) < max(FEWEST_LEANING, LEAST_LEANING * judged):
        return None
    return Clipping([at for at, _ in leaning], max(length for _, length in leaning), peak, False)


def _same_tops(heard: Heard, ceilings: tuple[float, float]) -> Clipping | None:
    """Peaks that end, far apart, at one and the same value: a ceiling, though each top is but a sample or two wide."""
    coarse = heard.bits_used is not None and heard.bits_used <= 16
    if coarse and max(ceilings) < FULL_SCALE:
        return None  # coarse steps make equal tops by chance
    places: list[int] = []
    for tops, ceiling in ((heard.steps.highest, ceilings[0]), (-heard.steps.lowest, ceilings[1])):
        same = np.flatnonzero(tops >= np.float32(ceiling) * (1 - 2.0**-22))
        # The tops of a steady tone crowd under their highest; at a ceiling they stop.
        if len(same) < AT_ONCE * np.count_nonzero(tops >= ceiling * (1 - 1e-4)):
            continue
        fewest = FEWEST_AT_FULL_SCALE if ceiling >= FULL_SCALE and not coarse else FEWEST_SAME
        if len(same) >= fewest and ceiling > LOUD_ENOUGH:
            places += [step_start(int(step), heard.rate_hz) for step in same]
    return Clipping(sorted(places), 1, max(ceilings), True) if places else None


def _is_exact(value: float, length: int, ceilings: tuple[float, float], rate_hz: int) -> bool:
    """Equal samples at the very top: two or more would do at full scale, more are needed below it."""
    ceiling = ceilings[0] if value > 0 else ceilings[1]
    # -1 and 1 - 2^-23 are both full scale; a file clipped in float and rounded ends a step apart.
    if abs(value) < LOUD_ENOUGH or abs(value) < ceiling * (1 - 1e-6) - 2.0**-15:
        return False
    if abs(value) >= FULL_SCALE:
        return True
    # The longest run a 40 Hz swing of 16 bits could give by rounding; anything longer was cut off.
    swing = 2 * math.pi * 40 / rate_hz
    return length > max(4.0, 2 * math.sqrt(2.0**-15 / abs(value)) / swing)


def _leaning(sound: Sound, heard: Heard, ceiling: float, sign: float) -> tuple[list[tuple[int, int]], int, int]:
    """Flat tops of one polarity near the ceiling; how many tops are near it, and how many are wide enough to tell."""
    tops = heard.steps.highest if sign > 0 else -heard.steps.lowest
    near = np.flatnonzero(tops >= AT_CEILING * ceiling)
    if not len(near) or ceiling < LOUD_ENOUGH:
        return [], 0, 0
    looks = near[np.unique(np.linspace(0, len(near) - 1, min(len(near), MOST_LOOKS)).round().astype(int))]
    flat, judged = [], 0
    for step in looks:
        start, stop = step_start(int(step), heard.rate_hz), min(step_start(int(step) + 1, heard.rate_hz), heard.frames)
        before, after = max(start - heard.rate_hz // 100, 0), min(stop + heard.rate_hz // 100, heard.frames)
        length, at, wide = _flatness(sign * sound.read(before, after), start - before, stop - before, heard.rate_hz)
        judged += wide
        if length:
            flat.append((before + at, length))
    return flat, len(near), judged


def _flatness(swing: FloatArray, start: int, stop: int, rate_hz: int) -> tuple[int, int, bool]:
    """Length (0 if round) and first frame of the highest top between start and stop; whether it is wide enough."""
    at = start + int(np.argmax(swing[start:stop]))
    top = swing[at]
    near, upper = (_extent(swing, at, share * top) for share in (NEAR_TOP, UPPER_QUARTER))
    length = near[1] - near[0]
    if length < max(3, SHORTEST_FLAT_S * rate_hz) or length < FLAT_SHARE * (upper[1] - upper[0]):
        return 0, at, upper[1] - upper[0] >= WIDE_S * rate_hz
    return length, near[0], True


def _extent(swing: FloatArray, at: int, level: float) -> tuple[int, int]:
    """First frame and end of the stretch around `at` that stays at or above a level."""
    under = swing < level
    left = np.flatnonzero(under[:at][::-1])
    right = np.flatnonzero(under[at:])
    return (at - int(left[0]) if len(left) else 0), (at + int(right[0]) if len(right) else len(swing))

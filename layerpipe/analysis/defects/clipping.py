"""Flat tops: at full scale, below it after a gain change, and after an analogue clip, where they lean a little.

A peak of anything that swings is round: it stays within 5 % of its top for two fifths of the time it spends in its
upper 30 % (a parabola: the square root of 0.05 / 0.3). A clipped one stays there for more than half, and only at the
ceiling: a sound whose lower tops are as flat is made that way. Levels are linear, full scale 1; positions frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.single_pass import Heard
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.loudness import step_start

FULL_SCALE = 0.9998
NEAR_TOP, UPPER_PART = 0.95, 0.7
FLAT_SHARE, PLAINLY_FLAT = 0.48, 0.65
"""Two strings together may leave a top flat by chance, hardly plainly so."""
AT_CEILING, LOWER = 0.93, (0.6, 0.88)
"""Tops are at the ceiling, or well below it, as shares of the highest."""
FEWEST_FLAT, LEAST_CHANCE = 3, 1e-3
"""So improbable must it be that tops at the ceiling are flat as often as they are, were they like the lower ones."""
FEWEST_SAME, FEWEST_AT_FULL_SCALE = 3, 2
"""A take that was raised until it just fits touches full scale once."""
AT_ONCE = 0.5
MOST_LOOKS = 400
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
    return _leaning(sound, heard, ceilings)


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


def _leaning(sound: Sound, heard: Heard, ceilings: tuple[float, float]) -> Clipping | None:
    """Tops that are flat at the ceiling far more often than lower down."""
    sides = [(heard.steps.highest / ceiling, 1.0) if sign > 0 else (-heard.steps.lowest / ceiling, -1.0)
             for ceiling, sign in zip(ceilings, (1.0, -1.0), strict=True) if ceiling >= LOUD_ENOUGH]
    near = [one for tops, sign in sides for one in _tops(sound, heard, np.flatnonzero(tops >= AT_CEILING), sign)]
    flat = sorted((at, length) for at, length, share in near if share > FLAT_SHARE)
    if len(flat) < FEWEST_FLAT or max(share for _, _, share in near) < PLAINLY_FLAT:
        return None
    lower = [share for tops, sign in sides
             for _, _, share in _tops(sound, heard, np.flatnonzero((tops >= LOWER[0]) & (tops < LOWER[1])), sign)]
    usual = (sum(share > FLAT_SHARE for share in lower) + 1) / (len(lower) + 2)
    if _chance(len(flat), len(near), usual) > LEAST_CHANCE:
        return None
    return Clipping([at for at, _ in flat], max(length for _, length in flat), heard.peak, False)


def _chance(hits: int, tries: int, share: float) -> float:
    """Probability of so many hits or more: the upper tail of the binomial distribution."""
    return sum(math.comb(tries, k) * share**k * (1 - share) ** (tries - k) for k in range(hits, tries + 1))


def _tops(sound: Sound, heard: Heard, steps: npt.NDArray[np.int64], sign: float) -> list[tuple[int, int, float]]:
    """First frame near the top, frames near it, and its flatness, of the highest top in each of some 10 ms steps."""
    rate, found = heard.rate_hz, []
    looks = np.unique(np.linspace(0, len(steps) - 1, min(len(steps), MOST_LOOKS)).round().astype(int))
    for step in steps[looks]:
        start, stop = step_start(int(step), rate), min(step_start(int(step) + 1, rate), heard.frames)
        before, after = max(start - rate // 100, 0), min(stop + rate // 100, heard.frames)
        swing = sign * sound.read(before, after)
        at = start - before + int(np.argmax(swing[start - before : stop - before]))
        near, part = (_extent(swing, at, share * float(swing[at])) for share in (NEAR_TOP, UPPER_PART))
        found.append((before + math.ceil(near[0]), math.ceil(near[1] - near[0]),
                      (near[1] - near[0]) / max(part[1] - part[0], 1e-6)))
    return found


def _extent(swing: FloatArray, at: int, level: float) -> tuple[float, float]:
    """Where the stretch around `at` that stays above a level begins and ends, between frames."""
    under = swing < level
    left, right = np.flatnonzero(under[:at]), np.flatnonzero(under[at:])
    first, last = 0.0, float(len(swing) - 1)
    if len(left):
        k = int(left[-1])
        first = k + (level - float(swing[k])) / float(swing[k + 1] - swing[k])
    if len(right):
        k = at + int(right[0])
        last = k - (level - float(swing[k])) / float(swing[k - 1] - swing[k])
    return first, last

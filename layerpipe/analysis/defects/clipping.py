"""Clipped peaks: at full scale, below it after a gain change, and after an analogue clip, where they slope a little.

A round peak stays within 5 % of its top for two fifths of the time it spends in its upper 30 % (a parabola: the square
root of 0.05 / 0.3). A clipped one stays there for more than half, and only at the ceiling: a sound whose lower peaks
are as flat is made that way. Levels are linear, full scale 1; positions and lengths are samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.dropouts import FULL_SCALE, Run
from layerpipe.analysis.defects.judgement import Judgement
from layerpipe.analysis.defects.single_pass import KeptSteps, Measurements
from layerpipe.core.sound import Float32Array, FloatArray, Sound
from layerpipe.dsp.loudness.bs1770 import step_start


@dataclass(frozen=True)
class ClippingLimits:
    """When peaks are clipped."""

    quietest: float = 0.02
    """Linear (-34 dBFS). Nothing clips at so low a level."""
    same: int = 3
    same_at_full_scale: int = 2
    """So many peaks of one height, to the last bit, are a ceiling; a take that was raised until it just fits touches
    full scale once. Peaks with identical surroundings are one peak that was pasted, and count once."""
    crowd: float = 0.5
    """Share of the peaks within 1e-4 of the ceiling that must be at it: those of a steady tone crowd below it."""
    lowest_hz: float = 40.0
    """Rounding to 16 bits flattens the top of such a tone for no longer than is allowed for it."""
    near_top: float = 0.95
    upper_part: float = 0.7
    """Heights, as shares of a peak, that flatness compares."""
    flat: float = 0.48
    """Time near the top over time in the upper part; a round peak has 0.41. Two strings together may reach this."""
    plainly_flat: float = 0.65
    """One peak at least must be as flat as this."""
    at_ceiling: float = 0.93
    """Share of the highest peak from which a peak is at the ceiling."""
    lower: tuple[float, float] = (0.6, 0.88)
    """Shares of the highest peak between which peaks show what is usual."""
    fewest_flat: int = 3
    chance: float = 1e-3
    """Probability that as many peaks at the ceiling are flat if they are like the lower ones."""
    most_peaks: int = 400
    """Peaks that are read again, for speed."""


class Peak(NamedTuple):
    """First sample near the top, samples near the top, and flatness: time near the top over time in the upper part."""

    start: int
    length: int
    flatness: float


@dataclass(frozen=True)
class ClippingEvidence:
    """What the peaks of a take look like."""

    runs: tuple[Run, ...]
    """Equal samples at the ceiling, more of them than rounding makes."""
    same: tuple[int, ...]
    """First samples of the 10 ms in which a peak has exactly the height of the ceiling."""
    different: int
    """How many of those peaks have surroundings of their own."""
    is_full_scale: bool
    top: tuple[Peak, ...] | None = None
    """Peaks at the ceiling, and lower ones; None: not measured yet."""
    lower: tuple[Peak, ...] = ()


@dataclass(frozen=True)
class Clipping:
    """Where peaks are clipped (in order), the longest in samples, the ceiling, and whether samples are equal there."""

    places: tuple[int, ...]
    longest: int
    ceiling: float
    exact: bool
    reason: str


class _Sides(NamedTuple):
    """How far a take reaches above zero and below it in every 10 ms."""

    above: Float32Array
    below: Float32Array


def judge(evidence: ClippingEvidence, limits: ClippingLimits) -> Judgement:
    """Decide whether peaks are clipped; undecided (None) while the shape of the peaks would decide."""
    if evidence.runs:
        return Judgement(True, "equal samples at the ceiling")
    if evidence.different >= (limits.same_at_full_scale if evidence.is_full_scale else limits.same):
        return Judgement(True, "different peaks of exactly one height")
    if evidence.top is None:
        return Judgement(None, "the shape of the peaks has to be measured")
    flat = [peak for peak in evidence.top if peak.flatness > limits.flat]
    if len(flat) < limits.fewest_flat or max(peak.flatness for peak in flat) < limits.plainly_flat:
        return Judgement(False, "peaks are round")
    usual = (sum(peak.flatness > limits.flat for peak in evidence.lower) + 1) / (len(evidence.lower) + 2)
    if _chance(len(flat), len(evidence.top), usual) > limits.chance:
        return Judgement(False, "lower peaks are as flat")
    return Judgement(True, "only the highest peaks are flat")


def find_clipping(sound: Sound, *, measured: Measurements, steps: KeptSteps) -> Clipping | None:
    """Find clipped peaks; None if all are round. Only the surroundings of the highest peaks are read again."""
    limits = ClippingLimits()
    if measured.peak < limits.quietest:
        return None
    sides = _Sides(steps.highest, -steps.lowest)
    ceilings = (float(sides.above.max()), float(sides.below.max()))
    runs = tuple(run for run in measured.runs.where(np.abs(measured.runs.value) >= limits.quietest)
                 if _is_at_ceiling(run, ceilings, measured.rate_hz, limits))
    evidence = ClippingEvidence(runs, *_equal_heights(sound, measured, sides, ceilings, limits))
    verdict = judge(evidence, limits)
    if verdict.is_defect is None:
        evidence = replace(evidence, top=_peaks(sound, sides, ceilings, (limits.at_ceiling, math.inf), limits),
                           lower=_peaks(sound, sides, ceilings, limits.lower, limits))
        verdict = judge(evidence, limits)
    if not verdict.is_defect:
        return None
    if runs:
        return Clipping(tuple(run.start for run in runs), max(run.length for run in runs), abs(runs[0].value), True,
                        verdict.reason)
    if evidence.top is None:
        return Clipping(evidence.same, 1, max(ceilings), True, verdict.reason)
    flat = sorted(peak for peak in evidence.top if peak.flatness > limits.flat)
    return Clipping(tuple(peak.start for peak in flat), max(peak.length for peak in flat), measured.peak, False,
                    verdict.reason)


def _is_at_ceiling(run: Run, ceilings: tuple[float, float], rate_hz: int, limits: ClippingLimits) -> bool:
    """Whether equal samples are at the very top: two are enough at full scale, more are needed below it."""
    height = abs(run.value)
    # -1 and 1 - 2^-23 are both full scale; a file clipped in float and then rounded ends a step apart.
    if height < limits.quietest or height < ceilings[0 if run.value > 0 else 1] * (1 - 1e-6) - 2.0**-15:
        return False
    if height >= FULL_SCALE:
        return True
    angle = 2 * math.pi * limits.lowest_hz / rate_hz
    return run.length > max(4.0, 2 * math.sqrt(2.0**-15 / height) / angle)


def _equal_heights(sound: Sound, measured: Measurements, sides: _Sides, ceilings: tuple[float, float],
                   limits: ClippingLimits) -> tuple[tuple[int, ...], int, bool]:
    """Peaks that are exactly as high as the ceiling, how many have different surroundings, and whether that is full
    scale in a file fine enough to tell."""
    coarse = measured.bits_used is not None and measured.bits_used <= 16
    places: tuple[int, ...] = ()
    different, full_scale = 0, False
    for tops, ceiling in zip(sides, ceilings, strict=True):
        # Coarse steps make peaks of equal height by chance.
        if ceiling < (FULL_SCALE if coarse else limits.quietest):
            continue
        same = np.flatnonzero(tops >= np.float32(ceiling) * (1 - 2.0**-22))
        if len(same) < limits.crowd * np.count_nonzero(tops >= ceiling * (1 - 1e-4)):
            continue
        around = {_surroundings(sound, measured.rate_hz, int(step)) for step in _spread(same, limits.most_peaks)}
        if len(around) >= 2:
            places += tuple(step_start(int(step), measured.rate_hz) for step in same)
        different, full_scale = max(different, len(around)), full_scale or (ceiling >= FULL_SCALE and not coarse)
    return tuple(sorted(places)), different, full_scale


def _surroundings(sound: Sound, rate_hz: int, step: int) -> bytes:
    """The samples around the highest of a step."""
    start, stop = step_start(step, rate_hz), min(step_start(step + 1, rate_hz), sound.frames)
    piece = sound.read(start, stop)
    at = start + int(np.argmax(np.abs(piece)))
    return sound.read(max(at - 8, 0), min(at + 9, sound.frames)).tobytes()


def _spread(steps: npt.NDArray[np.int64], most: int) -> npt.NDArray[np.int64]:
    """At most so many of the steps, spread evenly."""
    chosen = np.unique(np.linspace(0, len(steps) - 1, min(len(steps), most)).round().astype(int))
    spread: npt.NDArray[np.int64] = steps[chosen]
    return spread


def _chance(hits: int, tries: int, share: float) -> float:
    """Probability of so many hits or more: the upper tail of the binomial distribution."""
    return sum(math.comb(tries, k) * share**k * (1 - share) ** (tries - k) for k in range(hits, tries + 1))


def _peaks(sound: Sound, sides: _Sides, ceilings: tuple[float, float], between: tuple[float, float],
           limits: ClippingLimits) -> tuple[Peak, ...]:
    """The highest peak of each 10 ms whose height is between two shares of the ceiling on its side."""
    rate, found = sound.rate_hz, []
    for tops, ceiling, sign in zip(sides, ceilings, (1.0, -1.0), strict=True):
        if ceiling < limits.quietest:
            continue
        steps = np.flatnonzero((tops / ceiling >= between[0]) & (tops / ceiling < between[1]))
        for step in _spread(steps, limits.most_peaks):
            start, stop = step_start(int(step), rate), min(step_start(int(step) + 1, rate), sound.frames)
            before, after = max(start - rate // 100, 0), min(stop + rate // 100, sound.frames)
            wave = sign * sound.read(before, after)
            at = start - before + int(np.argmax(wave[start - before : stop - before]))
            near, part = (_extent(wave, at, share * float(wave[at])) for share in (limits.near_top, limits.upper_part))
            found.append(Peak(before + math.ceil(near[0]), math.ceil(near[1] - near[0]),
                              (near[1] - near[0]) / max(part[1] - part[0], 1e-6)))
    return tuple(found)


def _extent(wave: FloatArray, at: int, level: float) -> tuple[float, float]:
    """Where the stretch around `at` that stays above a level begins and ends, between samples."""
    under = wave < level
    left, right = np.flatnonzero(under[:at]), np.flatnonzero(under[at:])
    first, last = 0.0, float(len(wave) - 1)
    if len(left):
        k = int(left[-1])
        first = k + (level - float(wave[k])) / float(wave[k + 1] - wave[k])
    if len(right):
        k = at + int(right[0])
        last = k - (level - float(wave[k])) / float(wave[k - 1] - wave[k])
    return first, last

"""When a suspect is a click: the evidence, the limits with their reasons, and the verdict.

Ratios are of mean powers unless a name says amplitude. The limits were found on clean takes and on planted clicks of
our own making; there is no outside source. Those of single samples are those of Gaussian noise, which passes 6 times
its rms once in 5e8 samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.defects.judgement import Judgement
from layerpipe.core.sound import FloatArray, Sound

ALONE = 1.5
"""A click this much higher than the 25 ms before is measured in the full band."""


@dataclass(frozen=True)
class Residual:
    """How a suspect stands out once everything that rings is predicted away."""

    over_chance: float
    """Power over what chance lets noise reach."""
    over_loudest: float
    """Power over the loudest other place within 50 ms."""
    amplitude_over_rms: float
    """Highest sample, or sum of up to four, over the rms of such sums around."""
    amplitude_over_highest: float
    """The same over the highest other one."""
    ringing: float
    """Power around the suspect over that of its residual: how much of the sound rings."""


@dataclass(frozen=True)
class ClickEvidence:
    """What was measured of a suspect. Later steps cost more, so what is None was not needed yet."""

    at_s: float
    width_s: float
    level_rise: float
    """Level in the 20 ms before over that of the 20 ms before those: a strum on its way through the strings."""
    new_sound: tuple[tuple[float, float], ...]
    """For each of `ClickLimits.new_sound`: level after over level before, and energy left behind over the click's."""
    over_loudest: float
    """Power over the loudest other place within 50 ms, before anything is predicted away."""
    residual: Residual | None = None
    peak: float = 0.0
    """Linear, above 3 kHz."""
    over_db: float = 0.0
    """Peak above 3 kHz over the rms around."""
    mid_over_loudest: float = 0.0
    """As `over_loudest`, above 150 Hz."""
    spread: float = 0.0
    """Energy in the 8 ms on both sides over that of the click."""
    ringing_left: float = 1.0
    """Level above 150 Hz 20 to 50 ms later over that before: a hand on the strings leaves little."""
    in_a_gap: bool = False
    """Nothing sounds after it."""
    onset_confidence: float | None = None
    """Of the most certain onset at this place (0 to 1), 0 where there is none."""


@dataclass(frozen=True)
class NewSound:
    """One way in which more sounds after than before."""

    band: str
    milliseconds: int
    rise: float


@dataclass(frozen=True)
class ClickLimits:
    """When a suspect is a click."""

    new_sound: tuple[NewSound, ...] = (
        NewSound("mid", 41, 1.8), NewSound("upper", 41, 1.45), NewSound("high", 41, 1.4),
        NewSound("high", 12, 1.6), NewSound("high", 30, 1.35))
    """After a click the level is what it was before; these rises are a note. Noise-like strings and loops of samples
    begin with the two short ones. After 99 of 100 clicks of 15 dB those are less than 1.4 and 1.2."""
    left_behind: float = 0.2
    """Share of a click's energy that a small room returns within 40 ms; a note leaves more."""
    level_rise: float = 3.0
    """A strum on its way through the strings rises faster."""
    strum_over_loudest: float = 15.0
    strum_residual_over_loudest: float = 25.0
    """Unless the suspect stands out so far of the strum, and so far of its residual: of 14 minutes of strums one string
    reached 16 in the second, of clicks of -6 dBFS 10 to 20 ms after strums the least 36."""
    nearly_alone: float = 0.4
    """Below this power over the loudest other place no model is asked: it saves time."""

    over_db: float = 8.5
    """Less is chance or a string, and hardly audible."""
    clear_db: float = 12.5
    """What peaks so high need not be a single sample."""
    short_ms: float = 0.37
    """Two slices: a digital tick."""
    clear_over_chance: float = 0.95
    barely_over_chance: float = 1.25
    """Instead, where it does not stand out above 150 Hz (`mid_over_loudest`)."""
    clear_over_loudest: float = 1.85
    long_over_loudest: float = 2.1
    """Instead, for clicks of 1 to 3 ms: strings have teeth of that length."""
    amplitude_over_rms: float = 6.0
    barely_amplitude_over_rms: float = 6.4
    """Instead, where it does not stand out above 150 Hz, or is longer than a tick."""
    amplitude_over_highest: float = 1.4
    mid_over_loudest: float = 0.5
    """Everything so short stands out above 150 Hz, too, in a gap; strings that die away under the noise do not."""

    ringing: float = 4.0
    """Where three quarters of the power can be predicted, strings ring; then one of the following is needed."""
    ringing_over_loudest: float = 5.9
    """No soft pick among loud ones reached that in four hours; most clicks of 15 dB do."""
    ringing_amplitude_over_rms: float = 7.3
    ringing_amplitude_over_highest: float = 2.2
    """Both, for ticks."""

    certain_over_loudest: float = 11.0
    certain_over_db: float = 5.5
    """What stands out so far need not peak higher than this: beside a loud tone near 3 kHz it is still audible."""

    spread: float = 0.5
    """A hand on the strings has more of its energy beside the loudest 3 ms."""
    ringing_left: float = 0.3
    """A hand that stops the strings leaves less; a click at that moment needs both of the following."""
    hand_over_loudest: float = 5.5
    hand_amplitude_over_highest: float = 1.65

    no_onset_over_loudest: float = 12.0
    no_onset_over_db: float = 20.0
    """No pick of 70 minutes of strums, arpeggios and lines stood out so far; of soft strokes on a dull instrument with
    a hard pick two in 27 minutes had the first, none the second."""
    onset_confidence: float = 0.65
    """Of soft strums that looked like clicks the least certain had 0.70; of clicks that looked like strums the most
    certain had 0.60."""
    alone_over_loudest: float = 9.0
    alone_onset_confidence: float = 0.92
    """A suspect this isolated is a strum only with this confidence; soft picks had 0.95 and more."""


def judge(evidence: ClickEvidence, limits: ClickLimits) -> Judgement:
    """Decide whether a suspect is a click, with what is known so far.

    Parameters
    ----------
    evidence : ClickEvidence
        `residual` and `onset_confidence` are None until they are measured.
    limits : ClickLimits

    Returns
    -------
    Judgement
        Undecided (None) while what is missing would decide.
    """
    in_a_strum = evidence.level_rise > limits.level_rise
    if in_a_strum and evidence.over_loudest < limits.strum_over_loudest:
        return Judgement(False, "a strum on its way through the strings")
    for (rise, left), new in zip(evidence.new_sound, limits.new_sound, strict=True):
        # Inside a strum the level before is that of before the strum, or of its first strings.
        if rise > new.rise and left > limits.left_behind and not in_a_strum:
            return Judgement(False, f"a note: more sounds after than before ({new.band}, {new.milliseconds} ms)")
    if evidence.over_loudest < limits.nearly_alone:
        return Judgement(False, "as loud again within 50 ms")
    lone = evidence.residual
    if lone is None:
        return Judgement(None, "what rings has to be predicted away")
    if not _stands_out(evidence, lone, limits):
        return Judgement(False, "noise or a string may do that by chance")
    if evidence.spread > limits.spread:
        return Judgement(False, "a hand on the strings")
    if evidence.ringing_left < limits.ringing_left and not (
            lone.over_loudest > limits.hand_over_loudest
            and lone.amplitude_over_highest > limits.hand_amplitude_over_highest):
        return Judgement(False, "a hand that stops the strings")
    if in_a_strum and lone.over_loudest < limits.strum_residual_over_loudest:
        return Judgement(False, "a strum on its way through the strings")
    if lone.over_loudest > limits.no_onset_over_loudest and evidence.over_db > limits.no_onset_over_db:
        return Judgement(True, "no pick stands out so far")
    if evidence.in_a_gap:
        return Judgement(True, "alone in a gap: a note rings on")
    if evidence.onset_confidence is None:
        return Judgement(None, "it may be a soft strum")
    needed = (limits.alone_onset_confidence if lone.over_loudest > limits.alone_over_loudest
              else limits.onset_confidence)
    if evidence.onset_confidence > needed:
        return Judgement(False, "a soft strum: something new begins here and stays")
    return Judgement(True, "alone, and no note begins")


def _stands_out(evidence: ClickEvidence, lone: Residual, limits: ClickLimits) -> bool:
    """Whether neither noise nor the strings around do the like by chance."""
    is_certain = lone.over_loudest > limits.certain_over_loudest
    if evidence.over_db < (limits.certain_over_db if is_certain else limits.over_db):
        return False
    if (lone.ringing > limits.ringing and lone.over_loudest < limits.ringing_over_loudest
            and not (lone.amplitude_over_rms > limits.ringing_amplitude_over_rms
                     and lone.amplitude_over_highest > limits.ringing_amplitude_over_highest)):
        return False
    in_mid = evidence.mid_over_loudest > limits.mid_over_loudest
    is_short = 1000 * evidence.width_s < limits.short_ms
    is_tick = (lone.amplitude_over_rms > (limits.amplitude_over_rms if in_mid and is_short
                                          else limits.barely_amplitude_over_rms)
               and lone.amplitude_over_highest > limits.amplitude_over_highest)
    is_clear = (evidence.over_db > limits.clear_db
                and lone.over_chance > (limits.clear_over_chance if in_mid else limits.barely_over_chance)
                and lone.over_loudest > (limits.clear_over_loudest if is_short else limits.long_over_loudest))
    return is_tick or is_clear


def click_peak(sound: Sound, click: ClickEvidence) -> float:
    """Linear peak of a click: in the full band if it stands out there, else above 3 kHz."""
    rate = sound.rate_hz
    at = round(click.at_s * rate)
    start = max(at - rate // 40, 0)
    around = sound.read(start, min(at + rate // 250, sound.frames))
    before, near = around[: max(at - rate // 500 - start, 0)], around[max(at - rate // 1000 - start, 0) :]
    if len(before) < rate // 200:
        return click.peak
    middle = float(np.median(before))
    peak = float(np.abs(near - middle).max())
    return peak if peak > ALONE * float(np.abs(before - middle).max()) else click.peak


def level_ratio(after: FloatArray, before: FloatArray) -> FloatArray:
    """Ratios of powers, which are infinite after silence and 0 for nothing after nothing."""
    of_silence = np.where(after > 0.0, math.inf, 0.0)
    ratio: FloatArray = np.divide(after, before, out=of_silence, where=before > 0.0)
    return ratio

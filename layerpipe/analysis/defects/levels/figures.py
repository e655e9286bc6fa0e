"""What the level of a take says as a whole: its loudness, its loud moments, talk before bar 1, where the playing is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.defects.levels.talk import talk_spans_s
from layerpipe.analysis.defects.single_pass import KeptSteps
from layerpipe.core.sound import Float32Array, Sound
from layerpipe.dsp.loudness.bs1770 import HOP_STEPS, MOMENTARY_STEPS, integrated, powers, step_starts


@dataclass(frozen=True)
class LevelLimits:
    """Where the playing begins and ends."""

    sounding_db: float = -20.0
    loud_percentile: float = 95.0
    """The first and the last sound are those within 20 dB of the loud 10 ms steps."""
    hits_percentile: float = 99.0
    """Of the peaks of the steps."""


LEVEL = LevelLimits()


@dataclass(frozen=True)
class LevelFigures:
    """Figures of a take; seconds are its own."""

    lufs: float | None
    """Integrated loudness; None if too short, -inf if silent."""
    loud: float
    """Linear rms of the loud steps."""
    hits_db: float
    """Peak of the loudest hits, dBFS."""
    talk_s: list[tuple[float, float]]
    """Talking or a count-in before bar 1."""
    span_s: tuple[float, float] | None
    """First and last moment of the playing."""


def level_figures(sound: Sound, bar_one_s: float | None, *, steps: KeptSteps) -> LevelFigures:
    """Figures of the steps of a take.

    Parameters
    ----------
    sound : Sound
    bar_one_s : float or None
        Seconds of the sound at which bar 1 begins.
    steps : KeptSteps

    Returns
    -------
    LevelFigures
    """
    energy, power = steps.k_energy, steps.mid_power
    frames = np.diff(step_starts(0, HOP_STEPS * len(energy), sound.rate_hz, HOP_STEPS))
    lufs = integrated(powers(energy, frames, MOMENTARY_STEPS // HOP_STEPS, 1))
    talk_s = [] if bar_one_s is None else talk_spans_s(np.asarray(power, np.float64), bar_one_s)
    if not len(power):
        return LevelFigures(lufs, 0.0, -np.inf, talk_s, None)
    loud_power = np.percentile(power, LEVEL.loud_percentile)
    quietest = loud_power * 10 ** (LEVEL.sounding_db / 10)
    spoken_s = talk_s[-1][1] if talk_s else 0.0
    loud = np.flatnonzero(power > quietest)
    loud = loud[loud >= 100 * spoken_s]
    return LevelFigures(lufs, float(np.sqrt(loud_power)), float(np.percentile(peaks_db(steps), LEVEL.hits_percentile)),
                        talk_s, (float(loud[0]) / 100, float(loud[-1] + 1) / 100) if len(loud) else None)


def peaks_db(steps: KeptSteps) -> Float32Array:
    """Peak of every 10 ms, dBFS."""
    # In place: of a long take these are many.
    level: Float32Array = -steps.lowest
    np.maximum(level, steps.highest, out=level)
    level += np.float32(1e-12)
    np.log10(level, out=level)
    level *= 20
    return level

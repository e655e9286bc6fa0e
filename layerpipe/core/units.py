"""Conversions between decibels, gains, seconds and frames.

Levels are dB of an amplitude ratio (20 log10); frames are integers counted from 0.
"""

from __future__ import annotations

import math

SILENCE_DB = -math.inf
"""The level of a layer that is off: -inf in recipes, "-inf" in JSON, "off" in words."""
LOUDEST_DB = 60.0
"""The highest level or gain that can be asked for."""
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
"""Sample rates that are read and written."""


def gain_of_db(level_db: float) -> float:
    """Amplitude factor of a level; -inf dB is exactly 0."""
    return 0.0 if level_db == SILENCE_DB else 10.0 ** (level_db / 20.0)


def db_of_gain(gain: float) -> float:
    """Level of an amplitude factor (its magnitude); 0 is -inf dB."""
    return 20.0 * math.log10(abs(gain)) if gain else SILENCE_DB


def db_of_power(power: float) -> float:
    """Level of a power ratio (10 log10); 0 is -inf dB."""
    return 10.0 * math.log10(power) if power > 0 else SILENCE_DB


def frames_of_s(seconds: float, rate_hz: int) -> int:
    """Nearest frame, halves away from zero, so that positions before 0 mirror those after."""
    return int(math.copysign(math.floor(abs(seconds) * rate_hz + 0.5), seconds))


def frames_of_ms(milliseconds: float, rate_hz: int) -> int:
    """Nearest frame of a span in milliseconds."""
    return frames_of_s(milliseconds / 1000.0, rate_hz)

"""Rakes: strums whose strings follow one another slowly on purpose, as in rakes and rolled chords.

The strings of a normal strum start within about 40 ms and then only decay; a rake keeps growing. Its last string is the
last attack in the residual. Times are ms after the first string.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import FloatArray


@dataclass(frozen=True)
class RakeTimes:
    """Durations in ms; common practice of strummed guitars, no source."""

    longest: int = 170  # a rake lasts no longer
    strum: int = 45  # a normal strum is over by then
    before_next: int = 12  # a rake ends this long before the next onset
    level_window: int = 15
    first_strings: int = 30  # the reference level comes from here
    soon: int = 70  # no two strums follow each other so fast


@dataclass(frozen=True)
class RakeLimits:
    """Growth of the level and height of attacks in dB."""

    growth: float = 2.5  # of a rake over its first strings
    growth_between: float = 3.0  # between two onsets that are one rake
    growth_between_soon: float = 0.0  # the same, if the second comes sooner than any strum could
    under_loudest: float = 18.0  # an attack is at most this far below the loudest one
    under_near: float = 8.0  # and at most this far below the loudest of the 40 ms before it
    over_before: float = 6.0  # and this far above the residual before the strum
    rise: float = 2.0  # and this far above the softest of the 14 ms before it


@dataclass(frozen=True)
class AttackSettings:
    """How attacks are picked from the level of the residual, ms."""

    window: int = 3
    apart: int = 6
    near: int = 40
    rise_from: int = 14


TIMES_MS, LIMITS_DB, ATTACKS_MS = RakeTimes(), RakeLimits(), AttackSettings()


def rake_duration_ms(samples: FloatArray, residual: FloatArray, frame: int, following: int | None,
                     rate_hz: float) -> float:
    """Time from the first to the last string of a rake; 0 for a normal strum.

    Parameters
    ----------
    samples, residual : np.ndarray [shape=(frames,)]
        The sound and its prediction residual.
    frame, following : int
        Where the onset begins, and the next one if there is one.
    rate_hz : float

    Returns
    -------
    float
        ms.
    """
    ms = rate_hz / 1000
    last_ms = TIMES_MS.longest
    if following is not None:
        last_ms = min(last_ms, int((following - frame) / ms) - TIMES_MS.before_next)
    if last_ms < TIMES_MS.strum + 2 * TIMES_MS.level_window or frame + round(last_ms * ms) > len(samples):
        return 0.0
    levels = _levels_db(samples[frame : frame + round(last_ms * ms)], TIMES_MS.level_window, ms)
    reference_db = levels[: TIMES_MS.first_strings + 1].max()
    if levels[TIMES_MS.strum + TIMES_MS.level_window :].max() < reference_db + LIMITS_DB.growth:
        return 0.0
    late = [at for at in _attacks_ms(residual, frame, last_ms, ms) if at > TIMES_MS.strum]
    return float(late[-1]) if late else 0.0


def is_same_rake(samples: FloatArray, frame: int, later: int, rate_hz: float) -> bool:
    """Whether an onset at frame `later` is another string of the rake that begins at `frame`.

    The sound has grown by then; after a normal strum it has decayed.
    """
    ms = rate_hz / 1000
    apart_ms = int((later - frame) / ms)
    if not TIMES_MS.first_strings + TIMES_MS.level_window <= apart_ms <= TIMES_MS.longest:
        return False
    levels = _levels_db(samples[frame:later], TIMES_MS.level_window, ms)
    grown_db = levels[-1] - levels[: TIMES_MS.first_strings + 1 - TIMES_MS.level_window].max()
    soon = apart_ms < TIMES_MS.soon
    return bool(grown_db > (LIMITS_DB.growth_between_soon if soon else LIMITS_DB.growth_between))


def _attacks_ms(residual: FloatArray, frame: int, last_ms: int, ms: float) -> list[int]:
    """Times after `frame` at which a string is released."""
    apart, near = ATTACKS_MS.apart, ATTACKS_MS.near
    levels = _levels_db(residual[frame : frame + round(last_ms * ms)], ATTACKS_MS.window, ms)
    before = residual[max(frame - round(60 * ms), 0) : max(frame - round(2 * ms), 0)]
    least = levels.max() - LIMITS_DB.under_loudest
    if len(before):
        least = max(least, 10 * np.log10(np.median(before**2) + 1e-14) + LIMITS_DB.over_before)
    return [at for at in range(apart, len(levels))
            if levels[at] == levels[at - apart : at + apart + 1].max() >= least
            and levels[at] > levels[max(at - ATTACKS_MS.rise_from, 0) : at - 2].min() + LIMITS_DB.rise
            and levels[at] > levels[max(at - near, 0) : at].max() - LIMITS_DB.under_near]


def _levels_db(samples: FloatArray, length_ms: int, ms: float) -> FloatArray:
    """Level of the pieces of a sound that begin at each ms."""
    edges = np.round(np.arange(int(len(samples) / ms) + 1) * ms).astype(int)
    sums = np.concatenate([[0.0], np.cumsum(samples**2)])[edges]
    levels: FloatArray = 10 * np.log10((sums[length_ms:] - sums[:-length_ms]) / (length_ms * ms) + 1e-14)
    return levels

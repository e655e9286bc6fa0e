"""Slow spreads: strums whose strings follow one another by plan, as rakes and rolled chords do.

The strings of a strum are let go within some 40 ms, after which it only decays; a slow spread goes on growing. Where
its last string is let go is told by the last attack in what could not be foretold. Times are ms after the first string.
"""

from __future__ import annotations

import numpy as np

from layerpipe.core.sound import FloatArray

LONGEST_MS, AT_ONCE_MS, NEXT_MS = 170, 45, 12
"""A spread lasts no longer than the first; a strum is let go within the second, and ends so long before the next."""
LEVEL_MS, FIRST_MS, GROWTH_DB, BY_THEN_DB, SOON_MS, BY_SOON_DB = 15, 30, 2.5, 3.0, 70, 0.0
"""A slow spread grows by so much over its first strings; by so much before a string that was taken for a strum; where
that comes as soon as no strum follows another, by so much."""
UNDER_GREATEST_DB, UNDER_NEAR_DB, NEAR_MS, OVER_BEFORE_DB, RISE_DB = 18.0, 8.0, 40, 6.0, 2.0
"""Attacks are so far under the greatest at most, and under what is near before them; so far over what was before the
strum at least, and over what was just before."""
ALONE_MS = 6
"""Attacks are so far apart at least."""


def spread_ms(samples: FloatArray, rest: FloatArray, frame: int, following: int | None, rate_hz: float) -> float:
    """How long after its first string the last one of a slow spread follows; 0 for a strum that is let go at once.

    Parameters
    ----------
    samples, rest : np.ndarray [shape=(frames,)]
        The sound, and what of it could not be foretold.
    frame, following : int
        Where the strum begins, and the next one if there is one.
    rate_hz : float
    """
    ms = rate_hz / 1000
    last_ms = LONGEST_MS if following is None else min(LONGEST_MS, int((following - frame) / ms) - NEXT_MS)
    if last_ms < AT_ONCE_MS + 2 * LEVEL_MS or frame + round(last_ms * ms) > len(samples):
        return 0.0
    levels = _levels_db(samples[frame : frame + round(last_ms * ms)], LEVEL_MS, ms)
    if levels[AT_ONCE_MS + LEVEL_MS :].max() < levels[: FIRST_MS + 1].max() + GROWTH_DB:
        return 0.0
    late = [at for at in _attacks(rest, frame, last_ms, ms) if at > AT_ONCE_MS]
    return float(late[-1]) if late else 0.0


def is_same_spread(samples: FloatArray, frame: int, later: int, rate_hz: float) -> bool:
    """Whether what arrives at frame `later` is one more string of the strum that begins at `frame`.

    The sound has grown by then; after a strum that was let go at once it has decayed.
    """
    ms = rate_hz / 1000
    apart_ms = int((later - frame) / ms)
    if not FIRST_MS + LEVEL_MS <= apart_ms <= LONGEST_MS:
        return False
    levels = _levels_db(samples[frame:later], LEVEL_MS, ms)
    grown_db = levels[-1] - levels[: FIRST_MS + 1 - LEVEL_MS].max()
    return bool(grown_db > (BY_SOON_DB if apart_ms < SOON_MS else BY_THEN_DB))


def _attacks(rest: FloatArray, frame: int, last_ms: int, ms: float) -> list[int]:
    """Milliseconds after `frame` at which a string is let go."""
    levels = _levels_db(rest[frame : frame + round(last_ms * ms)], 3, ms)
    before = rest[max(frame - round(60 * ms), 0) : max(frame - round(2 * ms), 0)]
    least = levels.max() - UNDER_GREATEST_DB
    if len(before):
        least = max(least, 10 * np.log10(np.median(before**2) + 1e-14) + OVER_BEFORE_DB)
    return [at for at in range(ALONE_MS, len(levels))
            if levels[at] == levels[at - ALONE_MS : at + ALONE_MS + 1].max() >= least
            and levels[at] > levels[max(at - 14, 0) : at - 2].min() + RISE_DB
            and levels[at] > levels[max(at - NEAR_MS, 0) : at].max() - UNDER_NEAR_DB]


def _levels_db(samples: FloatArray, length_ms: int, ms: float) -> FloatArray:
    """Level of the pieces of a sound that begin at each ms."""
    edges = np.round(np.arange(int(len(samples) / ms) + 1) * ms).astype(int)
    sums = np.concatenate([[0.0], np.cumsum(samples**2)])[edges]
    levels: FloatArray = 10 * np.log10((sums[length_ms:] - sums[:-length_ms]) / (length_ms * ms) + 1e-14)
    return levels

"""Talking, a count-in or other sound before bar 1 that is not the song: it ends before the song begins.

A pick-up or an intro rings on into bar 1; what is spoken is followed by a pause. What the words are is not looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.core.units import db_of_power

STEPS_PER_S = 100
SILENT = 1e-14
"""Power (-140 dBFS) that digital silence counts as."""


@dataclass(frozen=True)
class TalkLimits:
    """What counts as talk; common practice, no source."""

    under_loud_db: float = 45.0
    """Below the loud moments of the take; softer sound is handling and breath."""
    over_quiet_db: float = 12.0
    """Above the quietest steps before bar 1, so that steady noise is no talk."""
    pause_s: float = 0.12
    """Silence between the last word and what follows. Strings that were struck ring through it."""
    word_gap_s: float = 0.7
    """Words nearer than this are one span: a count-in has a word every beat."""
    shortest_s: float = 0.08
    """Of all words together; shorter is a knock or a click."""
    before_bar_s: float = 0.15
    """What begins so shortly before bar 1 is its first strum, played early."""


TALK = TalkLimits()


def talk_spans_s(power: FloatArray, bar_one_s: float) -> list[tuple[float, float]]:
    """Spans of talk before bar 1.

    Parameters
    ----------
    power : np.ndarray [shape=(steps,)]
        Mean power of every 10 ms.
    bar_one_s : float
        Seconds of the take at which bar 1 begins.

    Returns
    -------
    list of (start, stop)
        Seconds of the take, in order.
    """
    first = min(int((bar_one_s - TALK.before_bar_s) * STEPS_PER_S), len(power))
    if first <= 0 or not power.any():
        return []
    heard = np.maximum(power[: first + round(TALK.pause_s * STEPS_PER_S)], SILENT)
    level_db = 10 * np.log10(heard)
    loud_db = db_of_power(float(np.percentile(power, 95)))
    quiet_db = float(np.percentile(level_db[:first], 5))
    sounding = np.flatnonzero(level_db > max(loud_db - TALK.under_loud_db, quiet_db + TALK.over_quiet_db))
    if not len(sounding):
        return []
    words = np.split(sounding, np.flatnonzero(np.diff(sounding) > TALK.pause_s * STEPS_PER_S) + 1)
    # The last one rings on into bar 1 unless a pause follows before it.
    if words[-1][-1] >= first:
        words.pop()
    spans: list[list[float]] = []
    for word in words:
        start_s, stop_s = float(word[0] / STEPS_PER_S), float((word[-1] + 1) / STEPS_PER_S)
        if spans and start_s - spans[-1][1] < TALK.word_gap_s:
            spans[-1][1] = stop_s
        else:
            spans.append([start_s, stop_s])
    return [(start, stop) for start, stop in spans if stop - start >= TALK.shortest_s]

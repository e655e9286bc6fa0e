"""Whether a take's first entrance is late although the rest of it is in place: against a double of the same part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.core.sound import FloatArray


@dataclass(frozen=True)
class EntranceLimits:
    """When a first entrance is late; common practice, no source."""

    late_s: tuple[float, float] = (0.08, 2.0)
    """Less is loose timing; more is another part."""
    matched_s: float = 0.06
    """Two onsets so near to each other are one strum."""
    compared: int = 12
    """Onsets after the entrance that show whether the rest is in place."""
    in_place: float = 0.75
    """Share of these that must be matched."""
    confidence: float = 0.6
    """Of both entrances."""
    silent_db: float = 20.0
    """Before its entrance a take is softer than at it by this much."""


ENTRANCE = EntranceLimits()


def late_entrance_s(take: CheckedTake, double: CheckedTake, offset_s: float) -> tuple[float, float] | None:
    """How late a take's first entrance is.

    Parameters
    ----------
    take, double : CheckedTake
    offset_s : float
        How much later the take is as a whole.

    Returns
    -------
    (late_s, at_s) or None
        Against its double, and when it is in the take; None where it is not late, or more than that differs.
    """
    mine, its = _song_onsets(take, offset_s), _song_onsets(double, 0.0)
    if min(len(mine), len(its)) <= ENTRANCE.compared:
        return None
    late_s = float(mine[0] - its[0])
    if not ENTRANCE.late_s[0] < late_s < ENTRANCE.late_s[1]:
        return None
    # A first strum that was left out is missing, not late: the next one is then in place.
    if _nearest(its, mine[:1])[0] < ENTRANCE.matched_s:
        return None
    rest = mine[1 : 1 + ENTRANCE.compared]
    if np.mean(_nearest(its, rest) < ENTRANCE.matched_s) < ENTRANCE.in_place:
        return None
    first = take.heard.onsets[0]
    if min(first.confidence, double.heard.onsets[0].confidence) < ENTRANCE.confidence:
        return None
    return (late_s, first.at_s) if _is_silent(take, first.at_s - late_s - 0.1, first.at_s - 0.03) else None


def _song_onsets(take: CheckedTake, offset_s: float) -> FloatArray:
    """Seconds of the song at which onsets are, as if the take were not late as a whole."""
    return np.array([at_s for at_s in take.heard.onsets.at_s if not take.is_talk(at_s)]) + (take.starts_s - offset_s)


def _nearest(times: FloatArray, to: FloatArray) -> FloatArray:
    """Distance of each time from the nearest of others."""
    distance: FloatArray = np.abs(times[:, np.newaxis] - to).min(axis=0)
    return distance


def _is_silent(take: CheckedTake, start_s: float, stop_s: float) -> bool:
    """Whether hardly anything sounds in a span, compared with what follows it."""
    power = take.steps.mid_power
    start, stop = max(round(100 * start_s), 0), max(round(100 * stop_s), 0)
    before, after = power[start:stop], power[stop + 3 : stop + 13]
    return bool(len(after)) and float(before.max(initial=0.0)) < float(after.max()) * 10 ** (-ENTRANCE.silent_db / 10)

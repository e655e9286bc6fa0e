"""Phrases of a take that runs away from its double: each is moved as a whole, if few moves suffice.

The lag of the take is a curve over the song. It is divided into the fewest phrases inside of which it stays within the
tolerance of one value; a cut lies where the take pauses longest, among the last onsets of a phrase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.timing.grid.aligned import AlignedOnsets, AlignedTake
from layerpipe.core.sound import FloatArray


@dataclass(frozen=True)
class PhraseLimits:
    """Where a take is divided into phrases."""

    tolerance_share: float = 0.8  # of the tolerance: what is left of the lag inside a phrase; players vary besides
    look_back: float = 0.4  # the cut is in the last part of the longest possible phrase, at its longest pause
    before_onset_s: float = 0.008  # as for every move, the cut is this long before an onset
    least_ring_s: float = 0.02  # an attack this near to repeated or dropped sound would be heard twice or cut off
    after_last_s: float = 1.0  # the last move of a take ends this long after its last onset


PHRASES = PhraseLimits()


@dataclass(frozen=True)
class Phrase:
    """Onsets that are moved together; seconds in the file."""

    from_s: float
    to_s: float
    by_ms: float
    onsets: AlignedOnsets


def drift_phrases(take: AlignedTake, curve: Sequence[tuple[float, float]], tolerance_ms: float,
                  most: float) -> list[Phrase] | None:
    """Divide a drifting take into phrases and give each the move that mends it.

    Parameters
    ----------
    take : AlignedTake
    curve : sequence of (seconds as heard, ms)
        How late the take is.
    tolerance_ms : float
    most : float
        More moves than this are not worth making.

    Returns
    -------
    list of Phrase or None
        Phrases that are in place already are left out. None where too many would be needed, or where there is no room
        for a cut.
    """
    onsets = take.onsets
    if len(onsets) < 2 or not curve:
        return None
    at_s = onsets.heard_s
    lag_ms = np.interp(at_s, *np.array(curve).T)
    starts = _starts(at_s, lag_ms, PHRASES.tolerance_share * tolerance_ms)
    found: list[Phrase] = []
    before_ms = 0.0
    for first, stop in zip(starts, [*starts[1:], len(onsets)], strict=True):
        part = lag_ms[first:stop]
        by_ms = -round(float(part.min() + part.max()) / 2, 1)
        if abs(by_ms) < PHRASES.tolerance_share * tolerance_ms:
            by_ms = 0.0
        if not _has_room(onsets, first, (by_ms - before_ms) / 1000):
            return None
        before_ms = by_ms
        if by_ms:
            end_s = (onsets[stop].onset.at_s - PHRASES.before_onset_s if stop < len(onsets)
                     else onsets[-1].onset.at_s + PHRASES.after_last_s)
            start_s = max(onsets[first].onset.at_s - PHRASES.before_onset_s, 0.0)
            if start_s + by_ms / 1000 < 0:
                return None
            found.append(Phrase(round(start_s, 4), round(end_s, 4), by_ms, onsets[first:stop]))
    return found if len(found) <= most else None


def _starts(at_s: FloatArray, lag_ms: FloatArray, most_ms: float) -> list[int]:
    """First onset of every phrase."""
    pauses = np.diff(at_s, prepend=-np.inf)
    starts = [0]
    while True:
        first = starts[-1]
        wide = np.maximum.accumulate(lag_ms[first:]) - np.minimum.accumulate(lag_ms[first:]) > 2 * most_ms
        if not wide.any():
            return starts
        stop = first + int(np.argmax(wide))
        low = max(first + 1, stop - int(PHRASES.look_back * (stop - first)))
        starts.append(low + int(np.argmax(pauses[low : stop + 1])))


def _has_room(onsets: AlignedOnsets, first: int, step_s: float) -> bool:
    """Whether no attack is repeated or lost where one phrase follows another."""
    if first == 0:
        return True
    gap_s = onsets[first].onset.at_s - PHRASES.before_onset_s - onsets[first - 1].onset.at_s
    return abs(step_s) + PHRASES.least_ring_s <= gap_s

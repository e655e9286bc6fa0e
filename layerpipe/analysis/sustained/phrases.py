"""Phrases of a sustained take, and the breaths and rests between them, in which it can be cut.

Frames are those of the features (10 ms). A rest is soft beside what sounds before and after it, or soft and without a
period, as breaths are; a consonant is too short, and what is between two tied notes too loud.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.sustained.features import HOP_S, SustainedFeatures
from layerpipe.core.sound import Float32Array, FloatArray


@dataclass(frozen=True)
class RestLimits:
    """What counts as a rest. Levels are relative to the loud moments of the take; common practice, no source."""

    least_loud_db: float = -80.0  # dBFS; a softer take has no phrases
    silent_db: float = -30.0  # softer is a rest, whatever it is
    breath_db: float = -18.0  # softer and without a period: a breath
    breath_periodicity: float = 0.45
    loud_breath_db: float = -8.0  # between rests, what is softer than this and has no period is a breath, too
    under_sides_db: float = 14.0  # softer by this than what sounds within `side_s` on both sides: a rest in a room
    side_s: float = 0.7
    shortest_s: float = 0.12  # a stopped consonant is closed for less (60 to 100 ms; from memory)
    shortest_dip_s: float = 0.08
    shortest_phrase_s: float = 0.7  # a shorter one says too little of where it lies; it belongs to its neighbour


RESTS = RestLimits()


@dataclass(frozen=True)
class Phrase:
    """Frames between two rests, and the rests themselves: what sounds last before it, and first after it."""

    start: int
    stop: int
    rest_before: int
    """First frame of the rest before it."""
    rest_after: int
    """Frame after the last one of the rest after it."""


def find_phrases(features: SustainedFeatures) -> list[Phrase]:
    """Cut a take into phrases at its rests.

    Returns
    -------
    list of Phrase
        In order; none in a silent take.
    """
    level_db = features.level_db.astype(np.float64)
    if not len(level_db) or features.loud_db < RESTS.least_loud_db:
        return []
    under_db = level_db - features.loud_db
    silent = (under_db < RESTS.silent_db) | ((under_db < RESTS.breath_db)
                                             & (features.periodicity < RESTS.breath_periodicity))
    spans = [span for span in runs(silent) if span[1] - span[0] >= RESTS.shortest_s / HOP_S]
    spans += [span for span in runs(_is_under_sides(level_db)) if span[1] - span[0] >= RESTS.shortest_dip_s / HOP_S]
    resting = np.zeros(len(level_db), bool)
    for start, stop in spans:
        resting[start:stop] = True
    sounding = runs(~resting)
    loud = [(start, stop) for start, stop in sounding if under_db[start:stop].max() > RESTS.breath_db
            and not _is_loud_breath(under_db[start:stop], features.periodicity[start:stop])]
    merged = _without_short(loud)
    edges = [0, *(stop for _, stop in merged)], [*(start for start, _ in merged), len(level_db)]
    return [Phrase(start, stop, edges[0][n], edges[1][n + 1]) for n, (start, stop) in enumerate(merged)]


def _is_loud_breath(under_db: FloatArray, periodicity: Float32Array) -> bool:
    """Whether what sounds between two rests is nothing but a breath."""
    return bool(under_db.max() < RESTS.loud_breath_db and np.median(periodicity) < RESTS.breath_periodicity)


def _is_under_sides(level_db: FloatArray) -> npt.NDArray[np.bool_]:
    """Frames far softer than the loudest within reach on both sides."""
    from scipy.ndimage import maximum_filter1d

    reach = round(RESTS.side_s / HOP_S)
    around = maximum_filter1d(level_db, reach, mode="nearest")
    before = np.concatenate([np.full(reach // 2, level_db[0]), around])[: len(level_db)]
    after = np.concatenate([around, np.full(reach // 2, level_db[-1])])[reach // 2 :][: len(level_db)]
    under: npt.NDArray[np.bool_] = level_db < np.minimum(before, after) - RESTS.under_sides_db
    return under


def runs(mask: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Find the runs of a mask.

    Parameters
    ----------
    mask : np.ndarray [shape=(frames,), bool]

    Returns
    -------
    list of (start, stop)
        Frames of every run that is true, in order; stop is the frame after its last.

    Example
    -------
    >>> runs(np.array([True, False, True, True]))
    [(0, 1), (2, 4)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(int(start), int(stop)) for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def _without_short(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans of which the short ones are joined to the neighbour that is nearer."""
    found = list(spans)
    while len(found) > 1:
        short = [n for n, (start, stop) in enumerate(found) if (stop - start) * HOP_S < RESTS.shortest_phrase_s]
        if not short:
            break
        n = min(short, key=lambda n: found[n][1] - found[n][0])
        gaps = {n - 1: found[n][0] - found[n - 1][1] if n else np.inf,
                n: found[n + 1][0] - found[n][1] if n + 1 < len(found) else np.inf}
        first = min(gaps, key=lambda k: gaps[k])
        found[first : first + 2] = [(found[first][0], found[first + 1][1])]
    return found

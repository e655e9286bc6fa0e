"""Onsets of a take as takes are compared by them."""

from __future__ import annotations

from layerpipe.analysis.onsets.onset import Detection
from layerpipe.analysis.takes_compared.matching import Events
from layerpipe.core.sound import FloatArray

LEAST_CONFIDENCE = 0.3
"""Onsets below this are more often noise than notes: left out of comparisons."""


def events_of(heard: Detection, as_heard_s: FloatArray | None = None) -> Events:
    """Make what takes are compared by from the onsets that were heard.

    Parameters
    ----------
    heard : Detection
    as_heard_s : np.ndarray [shape=(onsets,)], optional
        Where each is heard in the song, if takes are shifted; otherwise where it is in its file.

    Returns
    -------
    Events
        Of the onsets that are sure enough; the confidence of each becomes its weight.
    """
    rows = heard.onsets.confidence >= LEAST_CONFIDENCE
    kept = heard.onsets.where(rows)
    # Copies, so that the other columns need not be held.
    return Events(kept.at_s.copy() if as_heard_s is None else as_heard_s[rows], kept.level_db.copy(),
                  heard.chroma if rows.all() else heard.chroma[rows], kept.confidence.copy())

"""Onsets of a take as takes are compared by them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from layerpipe.analysis.onsets.detect import Onset
from layerpipe.analysis.takes_compared.matching import Events

LEAST_CONFIDENCE = 0.3
"""Onsets below this are more often noise than notes: left out of comparisons."""
UNKNOWN = (0.0,) * 12


def events_of(onsets: Sequence[Onset], as_heard_s: Sequence[float] | None = None) -> Events:
    """Make what takes are compared by from the onsets that were heard.

    Parameters
    ----------
    onsets : sequence of Onset
        In order of time.
    as_heard_s : sequence of float, optional
        Where each is heard in the song, if takes are shifted; otherwise where it is in its file.

    Returns
    -------
    Events
        Of the onsets that are sure enough; the confidence of each becomes its weight.
    """
    times = [onset.at_s for onset in onsets] if as_heard_s is None else list(as_heard_s)
    kept = [(at_s, onset) for at_s, onset in zip(times, onsets, strict=True) if onset.confidence >= LEAST_CONFIDENCE]
    return Events(np.array([at_s for at_s, _ in kept]), np.array([onset.level_db for _, onset in kept]),
                  np.array([onset.chroma or UNKNOWN for _, onset in kept]).reshape(-1, 12),
                  np.array([onset.confidence for _, onset in kept]))

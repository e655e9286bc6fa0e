"""Onsets found against onsets played, by the definitions of mir_eval (imported late: it loads half of scipy)."""

from __future__ import annotations

import numpy as np


def match_onsets(played_s: np.ndarray, found_s: np.ndarray, window_s: float) -> list[tuple[int, int]]:
    """Pairs of indices, one-to-one and as many as possible."""
    import mir_eval

    pairs: list[tuple[int, int]] = mir_eval.util.match_events(played_s, found_s, window_s)
    return pairs


def f_measure(played_s: np.ndarray, found_s: np.ndarray, window_s: float) -> tuple[float, float, float]:
    """F, precision, recall."""
    import mir_eval

    scores: tuple[float, float, float] = mir_eval.onset.f_measure(played_s, found_s, window=window_s)
    return scores

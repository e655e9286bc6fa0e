"""A count-in: taps, muted strokes or words on the beats before the song, each followed by silence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.onsets.onset import Onsets


@dataclass(frozen=True)
class CountInLimits:
    """What counts as a count-in; common practice, no source."""

    fewest: int = 2
    most: int = 12
    """Three bars of 4/4."""
    apart_s: tuple[float, float] = (0.2, 2.0)
    uneven: float = 0.09
    """Distance of a gap from the beat, or from two beats, as a share of the beat."""
    silent_db: float = 24.0
    """The sound before the next stroke is this far below the stroke: strings that ring are not so soon."""
    rings_db: float = 18.0
    """In the song itself less is usual."""
    fewest_after: int = 12
    """Onsets that show what is usual in the song."""
    last_beats: tuple[float, float] = (0.2, 2.2)
    """From the last stroke to the song: a pick-up begins before the next beat."""


COUNT_IN = CountInLimits()


@dataclass(frozen=True)
class CountIn:
    """How many of the first onsets are strokes of a count-in, and where the beat after the last one is."""

    strokes: int = 0
    beat_s: float = 0.0
    next_beat_s: float = 0.0


def count_in_of(onsets: Onsets) -> CountIn:
    """Find a count-in at the beginning of a take.

    Parameters
    ----------
    onsets : Onsets

    Returns
    -------
    CountIn
        Of no strokes where there is none.
    """
    if len(onsets) < COUNT_IN.fewest + COUNT_IN.fewest_after:
        return CountIn()
    at_s, fallen_db = onsets.at_s, onsets.level_db[:-1] - onsets.before_db[1:]
    silent = fallen_db > COUNT_IN.silent_db
    first_ringing = int(np.argmin(silent)) if not silent.all() else len(silent)
    for strokes in range(min(first_ringing, COUNT_IN.most), COUNT_IN.fewest - 1, -1):
        gaps = np.diff(at_s[:strokes])
        beat_s = float(gaps.min())
        beats = np.rint(gaps / beat_s)
        # "One, two, one two three four": the first ones may be two beats apart.
        beat_s = float(gaps.sum() / beats.sum())
        even = np.all(np.abs(gaps - beats * beat_s) < COUNT_IN.uneven * beat_s) and beats.max() <= 2
        last = (at_s[strokes] - at_s[strokes - 1]) / beat_s
        usual_db = float(np.median(fallen_db[strokes:]))
        if (even and COUNT_IN.apart_s[0] < beat_s < COUNT_IN.apart_s[1]
                and COUNT_IN.last_beats[0] < last < COUNT_IN.last_beats[1] and usual_db < COUNT_IN.rings_db):
            return CountIn(strokes, beat_s, float(at_s[strokes - 1] + beat_s))
    return CountIn()

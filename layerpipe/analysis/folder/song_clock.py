"""Tempo, meter and bar 1 from a click track, and from the takes what its ticks leave open."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from layerpipe.analysis.folder.placing import ONSET_STEP_S, Places
from layerpipe.analysis.folder.understood import FolderFile, SongClock

_METERS = {3: ("3/4", 1), 4: ("4/4", 1), 5: ("5/4", 1), 7: ("7/8", 1), 6: ("6/8", 3), 8: ("4/4", 2), 9: ("9/8", 3),
           12: ("12/8", 3)}
"""Ticks of a bar: meter, and ticks of one beat of the tempo."""
_NEAR_WHOLE = Fraction(1, 40)
"""A tempo this close to a whole number or half is that: ticks are placed to a millisecond."""


def clock_of(click: FolderFile, places: Places, takes: Sequence[FolderFile]) -> SongClock | None:
    """Read a click track.

    Parameters
    ----------
    click : FolderFile
    places : Places
    takes : sequence of FolderFile
        The takes that begin with the song; they decide between beats of three and of two, and which bar is first.

    Returns
    -------
    SongClock or None
        None where the file has no ticks.
    """
    ticks = click.sound.ticks
    if ticks is None:
        return None
    start_s = places.starts[click].seconds
    from_start = [take for take in takes if not places.starts[take].seconds]
    per_beat, meter = 1, None
    bar_s = ticks.apart_s
    if ticks.per_bar is not None:
        bar_s = ticks.per_bar * ticks.apart_s
        meter, per_beat = _METERS.get(ticks.per_bar, (None, 1))
        if ticks.per_bar == 2:
            thirds = _divides(from_start, ticks.apart_s, ticks.first_s + start_s, 3)
            meter = "6/8" if thirds > _divides(from_start, ticks.apart_s, ticks.first_s + start_s, 2) else "2/4"
    first_s = (ticks.first_s if ticks.downbeat_s is None else ticks.downbeat_s) + start_s
    begins_s = min((take.sound.begins_s for take in from_start), default=first_s)
    bars = max(0, int((begins_s + ticks.apart_s / 2 - first_s) // bar_s))
    return SongClock(click, _rounded(60 / ticks.apart_s / per_beat), meter, round(first_s + bars * bar_s, 4))


def _rounded(tempo: float) -> float:
    """A tempo as somebody would have set it."""
    near = round(tempo * 2) / 2
    return near if abs(tempo - near) < _NEAR_WHOLE else round(tempo, 2)


def _divides(takes: Sequence[FolderFile], beat_s: float, at_s: float, parts: int) -> float:
    """How strongly onsets divide a beat into equal parts."""
    total = 0.0
    for take in takes:
        strength = take.sound.onset_strength.astype(np.float64)
        phase = (np.arange(len(strength)) * ONSET_STEP_S - at_s) / beat_s
        total += abs(np.sum(strength * np.exp(2j * np.pi * parts * phase))) / max(float(strength.sum()), 1e-9)
    return total

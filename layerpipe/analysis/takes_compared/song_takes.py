"""All takes of a song beside each other: each pair that is worth comparing, compared once.

A take is compared with all takes of its layer and with some of every other layer. Muted takes are compared with the
others but no take is compared with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.takes_compared.matching import Events
from layerpipe.analysis.takes_compared.notes.profiles import TakeProfiles
from layerpipe.analysis.takes_compared.offset import OffsetLimits, TakeOffset, compare_offsets
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.tempo_map import TempoMap

BARS_APART, SECONDS_APART = 2, 8.0
"""How far apart takes may lie: in bars where there is a tempo, otherwise in seconds."""
OF_OTHER_LAYERS = 2
"""Takes of every other layer that a take is compared with; more cost time and add little."""


@dataclass(frozen=True)
class ComparedTake:
    """What is known of a take before it is compared.

    Attributes
    ----------
    name, layer : str
        Names are unique in a song.
    events : Events
        By `events.events_of`, seconds of the song.
    profiles : NoteProfiles, ProfilesInParts or None
        At each step of its sound; needed for wrong notes only.
    muted : bool
        Nothing is compared with a muted take.
    starts_s : float
        Seconds of the song at which its sound begins.
    """

    name: str
    layer: str
    events: Events
    profiles: TakeProfiles | None = None
    muted: bool = False
    starts_s: float = 0.0


@dataclass(frozen=True)
class ComparedPair:
    """Two takes beside each other; the first is judged against the second."""

    one: int
    other: int
    found: TakeOffset
    doubles: bool
    """Whether both are of one layer."""


def most_apart_s(tempo_map: TempoMap | None) -> float:
    """How far apart takes of a song may lie, in seconds."""
    has_grid = tempo_map is not None and tempo_map.has_grid
    return BARS_APART * tempo_map.bar_s(1) if has_grid and tempo_map is not None else SECONDS_APART


def compare_pairs(takes: Sequence[ComparedTake], tempo_map: TempoMap | None = None,
                  limits: OffsetLimits | None = None, ask: Ask = listen_anew) -> list[ComparedPair]:
    """Compare the takes of a song with each other.

    Parameters
    ----------
    takes : sequence of ComparedTake
    tempo_map : TempoMap, optional
        Only for how far apart takes may lie.
    limits : OffsetLimits, optional
    ask : Ask, optional
        Who compares two takes.

    Returns
    -------
    list of ComparedPair
        Each pair once; takes by their index. For `song_offsets.judge_offsets` and `notes.compared.judge_notes`.
    """
    most_lag_s = most_apart_s(tempo_map)
    offered: dict[str, list[int]] = {}
    for n, take in enumerate(takes):
        if not take.muted:
            offered.setdefault(take.layer, []).append(n)
    asked = set()
    for n, take in enumerate(takes):
        for layer, numbers in offered.items():
            some = numbers if layer == take.layer else numbers[:OF_OTHER_LAYERS]
            asked |= {(min(n, other), max(n, other)) for other in some if other != n}
    return [ComparedPair(one, other, ask(compare_offsets, takes[one].events, takes[other].events, most_lag_s, limits),
                         takes[one].layer == takes[other].layer)
            for one, other in sorted(asked)
            if len(takes[one].events.time_s) and len(takes[other].events.time_s)]


def agreed_places(count: int, lags: Sequence[tuple[int, int, float, float]], most: float) -> FloatArray:
    """Where each take lies, from how far pairs are apart, even if some pairs are wrong.

    Parameters
    ----------
    count : int
        How many takes.
    lags : sequence of (int, int, float, float)
        Take, other take, how much later (higher) the first is, and the weight of the pair.
    most : float
        A pair that disagrees by more counts as one that disagrees by this much.

    Returns
    -------
    np.ndarray [shape=(count,)]
        Places, up to a constant; NaN for takes that no pair connects to the rest. Each take offers the places as its
        own pairs have them; those are taken that agree best with all pairs.
    """
    best, least = np.full(count, np.nan), np.inf
    heavy_first = sorted(lags, key=lambda pair: -pair[3])
    for root in range(count):
        places = np.full(count, np.nan)
        places[root] = 0.0
        own = [pair for pair in heavy_first if root in pair[:2]]
        for one, other, lag, _ in [*own, *heavy_first * (count - 1)]:
            if np.isnan(places[one]) and not np.isnan(places[other]):
                places[one] = places[other] + lag
            elif np.isnan(places[other]) and not np.isnan(places[one]):
                places[other] = places[one] - lag
        off = np.array([lag - places[one] + places[other] for one, other, lag, _ in lags])
        cost = float(np.sum(np.array([pair[3] for pair in lags]) * np.fmin(np.abs(off), most)))
        if cost < least - 1e-9:
            best, least = places, cost
    return best

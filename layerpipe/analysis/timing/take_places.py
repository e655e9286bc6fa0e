"""Where each take lies in its song, and whether enough was heard of it to be judged.

A take is compared with its doubles, and with the other layers, over its whole length before anything is compared with
the grid: a take that is late by a whole sixteenth fits the grid as well as one in place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from layerpipe.analysis.takes_compared.events import events_of
from layerpipe.analysis.takes_compared.song_offsets import PlaceLimits, TakePlace, judge_offsets
from layerpipe.analysis.takes_compared.song_takes import ComparedPair, ComparedTake, compare_pairs
from layerpipe.analysis.timing.edits.song_edits import HeardTake
from layerpipe.analysis.timing.grid.aligned import AlignedTake
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.recipe.tempo_map import TempoMap


@dataclass(frozen=True)
class HearingLimits:
    """When what was heard of a take is enough to judge it."""

    fewest_to_compare: int = 12
    """Onsets of a take and of its double; fewer show no offset (as in `takes_compared`)."""
    least_explained: float = 0.3
    """Share of the rises in level that onsets explain (`explained_share`), below which a verdict would be a guess.
    Sampled plucked and struck instruments have 0.40 (distorted guitar, 73 % of its strums detected) to 0.99; choirs and
    bowed sections, of which 42 to 77 % of the notes are detected, 0.04 to 0.22 (own measurement)."""
    grid_decides_ms: float = 60.0
    """Of two takes that are nearer than this, the one farther from the grid is moved; half a sixteenth at 120 beats
    per minute. Farther apart, a wrong choice would be a wrong place."""


HEARING = HearingLimits()


def find_places(names: Sequence[tuple[str, str]], heard: Sequence[HeardTake], aligned: Sequence[AlignedTake],
                muted: Sequence[bool], tempo_map: TempoMap, tolerance_ms: float,
                ask: Ask = listen_anew) -> tuple[list[TakePlace], list[bool]]:
    """Compare all takes of a song with each other.

    Parameters
    ----------
    names : sequence of (layer, take)
    heard : sequence of HeardTake
        Compared by their certain onsets: which others count depends on where a take lies on the grid.
    aligned : sequence of AlignedTake
        The same takes on the grid.
    muted : sequence of bool
    tempo_map : TempoMap
    tolerance_ms : float
        A take farther from its doubles than this is misplaced.
    ask : Ask, optional
        Who compares two takes.

    Returns
    -------
    places : list of TakePlace
        One for each take; its `take` is "layer / take".
    unsure : list of bool
        Whether a take has a double that plays, and yet too few onsets of both belong together.
    """
    takes = [ComparedTake(f"{layer} / {take}", layer,
                          events_of(one.detection, one.heard_s(one.detection.onsets.at_s)),
                          muted=is_muted)
             for (layer, take), one, is_muted in zip(names, heard, muted, strict=True)]
    pairs = compare_pairs(takes, tempo_map, ask=ask)
    places = judge_offsets(takes, pairs, tempo_map, PlaceLimits(told_from_ms=tolerance_ms))
    # A double that is known to run away says nothing about a take.
    runs_away = [place.kind in ("drift", "wobble") and place.decided for place in places]
    unsure = [place.kind == "unknown" and _has_rich_double(n, takes, [pair for pair in pairs if not (
        runs_away[pair.one] or runs_away[pair.other])]) for n, place in enumerate(places)]
    return [_decided_by_grid(n, places, aligned) for n in range(len(places))], unsure


def _has_rich_double(n: int, takes: Sequence[ComparedTake], pairs: Sequence[ComparedPair]) -> bool:
    """Whether the take has a double, and both have enough onsets to be compared."""
    enough = [len(take.events.time_s) >= HEARING.fewest_to_compare for take in takes]
    return any(pair.doubles and n in (pair.one, pair.other) and enough[pair.one] and enough[pair.other]
               and not takes[pair.other if pair.one == n else pair.one].muted for pair in pairs)


def _decided_by_grid(n: int, places: Sequence[TakePlace], aligned: Sequence[AlignedTake]) -> TakePlace:
    """Of two takes a little apart, of which nothing shows which one is misplaced, the one farther from the grid is."""
    place = places[n]
    if place.decided or place.kind != "offset" or abs(place.offset_ms or 0.0) > HEARING.grid_decides_ms:
        return place
    mine_ms = aligned[n].average_offset_ms
    rivals = [k for k, other in enumerate(places) if other.take in place.against]
    theirs_ms = [aligned[k].average_offset_ms for k in rivals]
    if mine_ms is None or any(value is None for value in theirs_ms):
        return place
    # Where both are as far away, the later one in the recipe.
    if all((abs(mine_ms), n) > (abs(value or 0.0), k) for k, value in zip(rivals, theirs_ms, strict=True)):
        return replace(place, decided=True, shift_ms=-round(place.offset_ms or 0.0, 1))
    return replace(place, kind="none", decided=True)

"""Strums and the places they were meant for: each onset is matched to a sixteenth of the song's clock, or to none.

Offsets are ms after (before when negative) the place. Where in a beat a take plays is learned from itself: a sixteenth
it never plays is no place for a stray strum, and one it always plays late (swing, triplets) is feel.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from layerpipe.analysis.onsets.detect import Heard, Onset
from layerpipe.analysis.timing.rake_target import aims_s
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.position import Position
from layerpipe.recipe.tempo_map import TempoMap

LEAST_USED = 0.08
"""A sixteenth of the beat played less often than this share of the most played one is not where the take plays."""
STRAY_MS, STRAY_SHARE, FILL_SHARE = 110.0, 0.62, 0.3
"""How far a strum may be from its place: in ms, and as a share of a sixteenth."""
PICK_UP_MS = 30.0
LEAST_OF_A_KIND = 6
SWING_MS = 12.0
SURE = 0.35
REACH_S = 0.22
"""Places further away are not asked."""
FEWEST_TO_EXPECT, OFTEN_PLAYED, TRUSTED_SCATTER_MS, EXPECTED_MS, APART_S = 24, 0.45, 12.0, 35.0, 0.06
"""When a take tells where its faint strums are to be expected, and how near they must be."""


@dataclass(frozen=True)
class Spot:
    """A place of the grid."""

    bar: int
    beat: int
    sixteenth: int
    part: Fraction = field(default=Fraction(0), compare=False)
    """The part of the beat that has gone by, which follows from the sixteenth and the meter."""

    @property
    def text(self) -> str:
        """The place as a recipe writes it: "bar 5 beat 2.5"."""
        return Position(self.bar, self.beat, self.part).text


@dataclass(frozen=True)
class Strum:
    """An onset and its place; `late_ms` is how far from where this take usually plays that sixteenth."""

    onset: Onset
    heard_s: float
    """Where it is heard once the recipe's moves are played."""
    spot: Spot | None = None
    off_ms: float | None = None
    late_ms: float | None = None
    later_s: float = 0.0
    """How much later than its first string it is aimed: a slow spread may mean its last one."""

    @property
    def aimed_s(self) -> float:
        """Where it is meant to be heard; what lies on the grid or off it."""
        return self.heard_s + self.later_s

    @property
    def counts(self) -> bool:
        """Whether figures should rest on it."""
        return self.spot is not None and self.onset.sure >= SURE


@dataclass(frozen=True)
class Placed:
    """A take's strums in order, its feel and scatter (ms; None without a grid or with too little to tell)."""

    strums: tuple[Strum, ...]
    average_offset_ms: float | None
    scatter_ms: float | None
    feels_ms: dict[int, float]
    """Feel of each sixteenth of the beat that has one of its own."""
    free_intro: int = 0
    """Strums before bar 1 that follow no grid."""
    doubtful_s: tuple[float, ...] = ()
    """Moments at which something stirred that was not taken for a strum."""


def place_onsets(onsets: Sequence[Onset], heard_s: Sequence[float], tempo_map: TempoMap,
                 doubtful_s: Sequence[float] = ()) -> Placed:
    """Match a take's onsets to the grid.

    Parameters
    ----------
    onsets : sequence of Onset
    heard_s : sequence of float
        Where each is heard, seconds; the same as its place in the file unless moves are played.
    clock : TempoMap
    doubtful_s : sequence of float
        Moments at which something stirred that was not taken for a strum.

    Returns
    -------
    Placed
    """
    if not tempo_map.has_grid or not onsets:
        return Placed(tuple(Strum(onset, at) for onset, at in zip(onsets, heard_s, strict=True)), None, None, {},
                      doubtful_s=tuple(doubtful_s))
    later_s = aims_s(onsets, tempo_map, heard_s)
    aimed_s = [float(at + later) for at, later in zip(heard_s, later_s, strict=True)]
    nearest = _spots_near(tempo_map, aimed_s)
    counted = Counter(spots[0][0].sixteenth for spots in nearest)
    most = max(counted.values())
    used = {kind for kind, count in counted.items() if count >= LEAST_USED * most}
    usual = _usual(nearest, used)
    chosen: list[tuple[Spot, float] | None] = []
    for spots in nearest:
        fitting = [(abs(off - usual.get(spot.sixteenth, usual[0])), spot, off) for spot, off in spots
                   if spot.sixteenth in used]
        near = min(fitting, key=lambda fit: fit[0], default=None)
        apart_ms = 1000 * tempo_map.beat_s(spots[0][0].bar) / tempo_map.meter_at(spots[0][0].bar).sixteenths
        if near is not None and near[0] <= min(STRAY_MS, STRAY_SHARE * apart_ms):
            chosen.append((near[1], near[2]))
        else:
            # Too far from where the take plays: a fill, if it lies where a sixteenth is.
            chosen.append(spots[0] if abs(spots[0][1]) <= FILL_SHARE * apart_ms else None)
    chosen, free = _without_intro(chosen, aimed_s, tempo_map, usual)
    _drop_doubles(chosen, usual)
    offs = np.array([pair[1] for pair, onset in zip(chosen, onsets, strict=True) if pair and onset.sure >= SURE])
    feels = _feels(chosen, onsets)
    feel = float(np.median(offs)) if len(offs) else None
    strums = tuple(
        Strum(onset, at, later_s=float(later)) if pair is None else
        Strum(onset, at, pair[0], pair[1], pair[1] - feels.get(pair[0].sixteenth, feel if feel is not None else 0.0),
              float(later))
        for onset, at, later, pair in zip(onsets, heard_s, later_s, chosen, strict=True))
    late = np.array([strum.late_ms for strum in strums if strum.counts])
    scatter = spread_ms(late) if len(late) >= 4 else None
    return Placed(strums, feel, scatter, feels, free, tuple(doubtful_s))


def with_faint(heard: Heard, tempo_map: TempoMap, as_heard: Callable[[float], float] = float) -> list[Onset]:
    """Onsets of a take, and its faint strums where it mostly plays and nothing else was heard.

    Parameters
    ----------
    heard : Heard
    clock : TempoMap
    as_heard : callable
        Where a moment of the file is heard once moves are played.

    Returns
    -------
    list of Onset
        In order of time.
    """
    if not tempo_map.has_grid or not heard.faint or len(heard.onsets) < FEWEST_TO_EXPECT:
        return list(heard.onsets)
    placed = place_onsets(heard.onsets, [as_heard(onset.at_s) for onset in heard.onsets], tempo_map)
    spots = [strum.spot for strum in placed.strums if strum.spot]
    if placed.scatter_ms is None or placed.scatter_ms > TRUSTED_SCATTER_MS or not spots:
        return list(heard.onsets)
    bars = len({spot.bar for spot in spots})
    played = Counter((spot.beat, spot.sixteenth) for spot in set(spots))
    taken, last_bar = set(spots), max(spot.bar for spot in spots)
    times = np.array([onset.at_s for onset in heard.onsets])
    added: dict[Spot, Onset] = {}
    nearest = _spots_near(tempo_map, [as_heard(onset.at_s) for onset in heard.faint])
    for onset, spots_near in zip(heard.faint, nearest, strict=True):
        spot, off_ms = spots_near[0]
        late_ms = off_ms - placed.feels_ms.get(spot.sixteenth, placed.average_offset_ms or 0.0)
        expected = played[spot.beat, spot.sixteenth] >= OFTEN_PLAYED * bars and 1 <= spot.bar <= last_bar
        alone = np.min(np.abs(times - onset.at_s)) > APART_S
        if expected and alone and spot not in taken and abs(late_ms) < EXPECTED_MS:
            rival = added.get(spot)
            if rival is None or onset.rise_db > rival.rise_db:
                added[spot] = onset
    return sorted([*heard.onsets, *added.values()], key=lambda onset: onset.at_s)


def spread_ms(values: FloatArray) -> float:
    """Standard deviation told by the median absolute deviation (1.4826 times it), which outliers do not move."""
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def off_words(ms: float) -> str:
    """34 ms early."""
    return f"{abs(ms):.0f} ms {'late' if ms > 0 else 'early'}"


def _spots_near(tempo_map: TempoMap, at_s: Sequence[float]) -> list[list[tuple[Spot, float]]]:
    """Places within reach of each moment, nearest first, with how late it is for each in ms."""
    grid = tempo_map.grid_s(min(at_s) - REACH_S, max(at_s) + REACH_S)
    firsts, ends = (np.searchsorted(grid[0], np.array(at_s) + reach) for reach in (-REACH_S, REACH_S))
    nearest = []
    for at, first, end in zip(at_s, firsts, ends, strict=True):
        found = [(_spot(tempo_map, int(bar), int(beat), int(step)), (at - float(time)) * 1000)
                 for time, bar, beat, step in zip(*(column[first:end] for column in grid), strict=True)]
        if not found:
            place = tempo_map.place_of(at)
            found = [(Spot(place.bar, place.beat, place.sixteenth, place.part), place.late_s * 1000)]
        nearest.append(sorted(found, key=lambda pair: abs(pair[1])))
    return nearest


def _spot(tempo_map: TempoMap, bar: int, beat: int, sixteenth: int) -> Spot:
    """A place with the part of its beat."""
    return Spot(bar, beat, sixteenth, tempo_map.meter_at(bar).parts[sixteenth - 1])


def _usual(nearest: list[list[tuple[Spot, float]]], used: set[int]) -> dict[int, float]:
    """How late each sixteenth of the beat usually is; 0 stands for all of them."""
    offs: dict[int, list[float]] = {0: []}
    for spots in nearest:
        spot, off = spots[0]
        if spot.sixteenth in used:
            offs[0].append(off)
            offs.setdefault(spot.sixteenth, []).append(off)
    usual = {kind: float(np.median(of_kind)) for kind, of_kind in offs.items() if len(of_kind) >= LEAST_OF_A_KIND}
    usual.setdefault(0, float(np.median(offs[0])) if offs[0] else 0.0)
    return usual


def _without_intro(chosen: list[tuple[Spot, float] | None], heard_s: Sequence[float], tempo_map: TempoMap,
                   usual: dict[int, float]) -> tuple[list[tuple[Spot, float] | None], int]:
    """Before bar 1 only a pick-up in time has places; what is played freely has none."""
    bar_one_s = tempo_map.downbeat_s(1)
    before = [n for n, pair in enumerate(chosen) if (heard_s[n] < bar_one_s if pair is None else pair[0].bar < 1)]

    def in_time(pair: tuple[Spot, float] | None) -> bool:
        return (pair is not None and pair[0].bar == 0
                and abs(pair[1] - usual.get(pair[0].sixteenth, usual[0])) <= PICK_UP_MS)

    if all(in_time(chosen[n]) for n in before):
        return chosen, 0
    for n in before:
        chosen[n] = None
    return chosen, len(before)


def _drop_doubles(chosen: list[tuple[Spot, float] | None], usual: dict[int, float]) -> None:
    """Of two strums at one place the one nearer to where the take usually plays keeps it."""
    holder: dict[Spot, int] = {}
    for n, pair in enumerate(chosen):
        if pair is None:
            continue
        spot, off = pair
        expected = usual.get(spot.sixteenth, usual[0])
        rival = holder.get(spot)
        held = chosen[rival] if rival is not None else None
        if rival is None or held is None:
            holder[spot] = n
        elif abs(off - expected) < abs(held[1] - expected):
            chosen[rival] = None
            holder[spot] = n
        else:
            chosen[n] = None


def _feels(chosen: Sequence[tuple[Spot, float] | None], onsets: Sequence[Onset]) -> dict[int, float]:
    """Sixteenths of the beat that are consistently elsewhere than the rest: swing and triplets."""
    kinds: dict[int, list[float]] = {}
    for pair, onset in zip(chosen, onsets, strict=True):
        if pair is not None and onset.sure >= SURE:
            kinds.setdefault(pair[0].sixteenth, []).append(pair[1])
    everything = [off for offs in kinds.values() for off in offs]
    if not everything:
        return {}
    base = float(np.median(kinds[1] if len(kinds.get(1, [])) >= LEAST_OF_A_KIND else everything))
    found = {}
    for kind, offs in kinds.items():
        own = float(np.median(offs))
        if len(offs) >= LEAST_OF_A_KIND and abs(own - base) > SWING_MS and spread_ms(np.array(offs)) < abs(own - base):
            found[kind] = own
    if found and 1 not in found and len(kinds.get(1, [])) >= LEAST_OF_A_KIND:
        found[1] = base
    return found

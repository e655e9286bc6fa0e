"""What is better re-recorded than edited: missing onsets, sections that need too many moves.

Limits: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.onsets.changes import CHANGE
from layerpipe.analysis.timing.grid.aligned import AlignedTake, Points
from layerpipe.recipe.model.recipe import Timing


@dataclass(frozen=True)
class MissingLimits:
    """When an onset is missing and not merely undetected."""

    usually_played: float = 0.75  # the take plays the place in this share of the bars
    others_confidence: float = 0.8  # the other takes certainly play it
    under_usual_db: float = 9.0  # and not much softer than they usually play
    near_s: float = 0.08  # and nothing at all was detected this near
    light_db: float = 8.0  # an onset this far below the usual rise of its place is light
    light_share: float = 0.02  # a take with more light onsets than this may have undetected ones between the beats:
    light_change_db: float = 2.5  # there, a smaller change may be one; where nothing is struck, 1 to 3 dB change


MISSING = MissingLimits()


@dataclass(frozen=True)
class Rerecord:
    """Bars to re-record, first and last, and why."""

    bars: tuple[int, int]
    why: str


@dataclass(frozen=True)
class BarRange:
    """A section, or the whole take where there are no sections: what is re-recorded in one go."""

    name: str
    first_bar: int
    last_bar: int


def find_missing(name: str, take: AlignedTake, others: Sequence[AlignedTake],
                 change_db: Callable[[float], float] = lambda at_s: 0.0) -> list[Rerecord]:
    """Onsets that all other takes play, and this one nearly always, but not here; `change_db` is asked last how much
    changes at once in the take when a moment is heard."""
    mine = take.onsets.points.where(take.onsets.points.known)
    if not len(mine.key) or not others:
        return []
    times_s = np.sort(np.concatenate([take.onsets.heard_s, take.doubtful_s]))
    places, played = np.unique(take.onsets.points.place[take.reliable[1]], return_counts=True)
    usual = places[played >= MISSING.usually_played * len(np.unique(mine.bar))]
    theirs = Points.of_keys(np.unique(np.concatenate([other.reliable[0] for other in others])))
    keys = theirs.key[~np.isin(theirs.key, mine.key) & np.isin(theirs.place, usual)
                      & (theirs.bar >= mine.bar.min()) & (theirs.bar <= mine.bar.max())]
    plays_lightly = _light_share(take) > MISSING.light_share
    usual_db = [float(np.median(other.onsets.onsets.level_db)) for other in others]
    found = []
    for rows in np.array([other.row_at(keys) for other in others]).T:
        holder = int(np.argmax(rows >= 0))
        one = others[holder].onsets[int(rows[holder])]
        if one.point is None or not _is_inside(take, one.heard_s):
            continue
        # An overdub says nothing about the bars in which it has no file.
        there = [(other.onsets.onsets, row, level_db) for other, row, level_db in zip(
            others, rows.tolist(), usual_db, strict=True) if _is_inside(other, one.heard_s)]
        certain = all(row >= 0 and onsets.confidence[row] > MISSING.others_confidence
                      and onsets.level_db[row] > level_db - MISSING.under_usual_db for onsets, row, level_db in there)
        after = int(np.searchsorted(times_s, one.heard_s))
        is_near = np.abs(times_s[max(after - 1, 0) : after + 1] - one.heard_s).min() < MISSING.near_s
        struck_db = MISSING.light_change_db if plays_lightly and one.point.sixteenth != 1 else CHANGE.least_db
        if there and certain and not is_near and change_db(one.heard_s) <= struck_db:
            bar = one.point.bar
            found.append(Rerecord((bar, bar), f"{name}: {one.point.text} is missing; the other takes play it"))
    return found


def _is_inside(take: AlignedTake, at_s: float) -> bool:
    """Whether the take has a file there."""
    return take.span_s[0] <= at_s < take.span_s[1]


def _light_share(take: AlignedTake) -> float:
    """Share of onsets far softer than the take usually plays that place of the bar."""
    points, light = take.onsets.points, 0.0
    for place in np.unique(points.place[points.known]):
        rises_db = take.onsets.onsets.rise_db[points.known & (points.place == place)]
        light += np.count_nonzero(rises_db < np.median(rises_db) - MISSING.light_db)
    return light / max(len(take.bars), 1)


def find_overedited(name: str, moved_bars: Sequence[int], ranges: Sequence[BarRange],
                    timing: Timing) -> list[Rerecord]:
    """Sections that would need more moves than are worth making; a move counts in the bar it begins in."""
    found = []
    for part in ranges:
        inside = [bar for bar in moved_bars if part.first_bar <= bar <= part.last_bar]
        bars = part.last_bar - part.first_bar + 1
        if len(inside) > max(1.0, timing.moves_per_bar * bars):
            found.append(Rerecord((part.first_bar, part.last_bar),
                                  f"{name}, {part.name}: needs {len(inside)} moves in {bars} "
                                  f"bar{'s' if bars > 1 else ''}; re-recording is quicker and better"))
    return found


def merge_overlapping(found: Sequence[Rerecord]) -> list[Rerecord]:
    """One entry for each range of bars; a range inside a longer one is merged into it."""
    kept: list[Rerecord] = []
    for one in sorted(found, key=lambda a: (a.bars[0] - a.bars[1], a.bars[0])):
        around = next((n for n, a in enumerate(kept) if a.bars[0] <= one.bars[0] and one.bars[1] <= a.bars[1]), None)
        if around is None:
            kept.append(one)
        else:
            kept[around] = replace(kept[around], why=f"{kept[around].why}; {one.why}")
    return sorted(kept, key=lambda a: a.bars)

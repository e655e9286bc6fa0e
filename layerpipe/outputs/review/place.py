"""The place of a finding: a loop of whole bars around it, or some seconds where the song has no tempo."""

from __future__ import annotations

import math
from dataclasses import dataclass

from layerpipe.core.units import frames_of_s
from layerpipe.outputs.review.finding import ReviewFinding
from layerpipe.recipe.tempo_map import TempoMap


@dataclass(frozen=True)
class PlaceLimits:
    """How much is heard around a finding; all are own choices."""

    least_s: float = 2.0
    most_s: float = 6.0
    most_of_a_section_s: float = 10.0
    lead_s: float = 0.04
    """The loop begins this long before a beat, so that an early attack is whole."""
    around_s: float = 1.2
    """Before and after a finding where there are no bars."""


PLACE = PlaceLimits()
SECTION_KINDS = frozenset({"passes", "level"})
"""Findings about a section rather than a moment."""


@dataclass(frozen=True)
class ReviewPlace:
    """Frames of the song, and its bars as (bar, frame from the start of the place)."""

    start: int
    stop: int
    bars: tuple[tuple[int, int], ...]
    beats: tuple[int, ...]
    event: tuple[int, int] | None
    """Frames of the place between which the finding is; None where it is about the whole take."""

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self.stop - self.start


def place_of(finding: ReviewFinding, tempo_map: TempoMap, rate_hz: int, frames: int) -> ReviewPlace:
    """Choose what is heard of a finding.

    Parameters
    ----------
    finding : ReviewFinding
    tempo_map : TempoMap
    rate_hz : int
    frames : int
        Length of the song.

    Returns
    -------
    ReviewPlace
        Inside the song. A loop of whole bars begins just before the beat before the finding; a section just before its
        downbeat.
    """
    song_s = frames / rate_hz
    start_s = 0.0 if finding.start_s is None else min(max(finding.start_s, 0.0), song_s)
    stop_s = max(start_s, min(start_s if finding.stop_s is None else finding.stop_s, song_s))
    if tempo_map.has_grid:
        first_s, last_s = _bars_around(tempo_map, start_s, stop_s, is_section=finding.kind in SECTION_KINDS)
    else:
        first_s = start_s - PLACE.around_s
        last_s = first_s + min(max(stop_s - first_s + PLACE.around_s, PLACE.least_s), PLACE.most_s)
    # At either end of the song the loop is moved into it, so that it stays whole bars long.
    into_s = max(0.0, -first_s) - max(0.0, last_s - song_s)
    start = max(frames_of_s(first_s + into_s, rate_hz), 0)
    stop = min(frames_of_s(last_s + into_s, rate_hz), frames)
    event = None
    if finding.start_s is not None and finding.where:
        event = (min(max(frames_of_s(start_s, rate_hz) - start, 0), stop - start),
                 min(max(frames_of_s(stop_s, rate_hz) - start, 0), stop - start))
    return ReviewPlace(start, stop, *_grid(tempo_map, start, stop, rate_hz), event)


def _bars_around(tempo_map: TempoMap, start_s: float, stop_s: float, *, is_section: bool) -> tuple[float, float]:
    """Seconds of a loop of whole bars."""
    bar = tempo_map.bar_at(start_s + PLACE.lead_s)
    beat_s, bar_s = tempo_map.beat_s(bar), tempo_map.bar_s(bar)
    beat = math.floor((start_s + PLACE.lead_s - tempo_map.downbeat_s(bar)) / beat_s)
    first_s = tempo_map.downbeat_s(bar) + (0.0 if is_section else (beat - 1) * beat_s)
    wanted_s = max(PLACE.least_s, stop_s + (0.0 if is_section else beat_s / 2) - first_s)
    most = math.floor((PLACE.most_of_a_section_s if is_section else PLACE.most_s) / bar_s)
    bars = max(1, min(math.ceil(round(wanted_s / bar_s, 6)), most))
    return first_s - PLACE.lead_s, first_s - PLACE.lead_s + bars * bar_s


def _grid(tempo_map: TempoMap, start: int, stop: int,
          rate_hz: int) -> tuple[tuple[tuple[int, int], ...], tuple[int, ...]]:
    """Downbeats and beats inside a place."""
    if not tempo_map.has_grid:
        return (), ()
    bars, beats = [], []
    for bar in range(tempo_map.bar_at(start / rate_hz), tempo_map.bar_at(stop / rate_hz) + 1):
        downbeat_s, beat_s = tempo_map.downbeat_s(bar), tempo_map.beat_s(bar)
        inside = [frames_of_s(downbeat_s + n * beat_s, rate_hz) - start
                  for n in range(max(1, round(tempo_map.bar_s(bar) / beat_s)))]
        beats += [frame for frame in inside if 0 <= frame < stop - start]
        bars += [(bar, inside[0])] if 0 <= inside[0] < stop - start else []
    return tuple(bars), tuple(beats)

"""The song's tempo map: bars and beats <-> seconds from the start of the files.

Bars before bar 1 have the song's own tempo and meter. A tempo is beats per minute, and `BarShape.beat_note` says which
note a beat is: 6/8 at 60 has two dotted quarters in a bar of two seconds.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple, NoReturn

from msgspec import Struct

from layerpipe.core.errors import ParameterError
from layerpipe.recipe.names import found_text
from layerpipe.recipe.position import POSITION_WORDS, BarShape, Position, dotted_position, parse_position

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from layerpipe.recipe.model.recipe import Recipe, Section

FIRST_BAR, LAST_BAR = -1_000, 100_000


class Place(NamedTuple):
    """A sixteenth of the grid, and how far after it (before it when negative) a moment is."""

    bar: int
    beat: int
    sixteenth: int
    late_s: float
    part: Fraction
    """The part of the beat that has gone by at the sixteenth."""

    @property
    def text(self) -> str:
        """The sixteenth as a recipe writes it, exactly: "bar 5 beat 2", "bar 5 beat 2.5"."""
        return Position(self.bar, self.beat, self.part).text


class Grid(NamedTuple):
    """Sixteenths in order of time; four arrays of shape (places,)."""

    time_s: npt.NDArray[np.float64]
    bar: npt.NDArray[np.int64]
    beat: npt.NDArray[np.int64]
    sixteenth: npt.NDArray[np.int64]


class TempoSegment(Struct, frozen=True):
    """Bars of one tempo and meter, from the downbeat of `first_bar` on."""

    first_bar: int
    start_s: float
    beat_s: float
    shape: BarShape

    @property
    def tempo(self) -> float:
        """Beats per minute."""
        return 60.0 / self.beat_s

    @property
    def quarter_tempo(self) -> float:
        """Quarter notes per minute, whatever note the beat is."""
        return self.tempo * float(self.shape.beat_note * 4)

    @property
    def bar_s(self) -> float:
        """Seconds of a bar."""
        return self.beat_s * self.shape.beats

    def downbeat_s(self, bar: int) -> float:
        """Seconds of a bar's first beat."""
        return self.start_s + (bar - self.first_bar) * self.bar_s

    def seconds_of(self, bar: int, beat: int, part: Fraction) -> float:
        """Seconds of a place; beats count from 1."""
        return self.downbeat_s(bar) + float(beat - 1 + part) * self.beat_s


def seconds_text(seconds: float) -> str:
    """Seconds as "m:ss.mmm"."""
    thousandths = math.floor(abs(seconds) * 1000 + 0.5)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{'-' if seconds < 0 and thousandths else ''}{minutes}:{rest / 1000:06.3f}"


class TempoMap:
    """Where bars and beats are in the files. Made by `TempoMap.of(recipe)`; it never changes.

    Without a tempo there is no grid: `seconds_of` takes seconds only, `text_of` returns minutes and seconds, and
    everything that counts bars raises `ParameterError`.
    """

    def __init__(self, segments: Sequence[TempoSegment], shapes: Sequence[tuple[int, BarShape]]) -> None:
        self._segments = tuple(segments)
        self._shapes = tuple(shapes)
        self._first_bars = [segment.first_bar for segment in segments]
        # The first segment also holds everything before it.
        self._starts_s = [segment.start_s for segment in segments]

    @classmethod
    def of(cls, recipe: Recipe) -> TempoMap:
        """Lay out the song's tempo and its changes, which must ascend in bars. What a change omits stays as it was.

        Raises
        ------
        ParameterError
            If a beat_note does not divide a bar of its meter.
        """
        song = recipe.song
        meter, beat_note = song.meter, song.beat_note
        shape = BarShape.of(meter, beat_note)
        shapes = [(1, shape)]
        segments = [] if song.tempo is None else [TempoSegment(1, song.bar_one_s, 60.0 / song.tempo, shape)]
        for change in recipe.tempo:
            meter, beat_note = change.meter or meter, change.beat_note or beat_note
            shape = BarShape.of(meter, beat_note)
            shapes.append((change.from_bar, shape))
            if segments:
                last = segments[-1]
                beat_s = last.beat_s if change.tempo is None else 60.0 / change.tempo
                segments.append(TempoSegment(change.from_bar, last.downbeat_s(change.from_bar), beat_s, shape))
        return cls(segments, shapes)

    @property
    def segments(self) -> tuple[TempoSegment, ...]:
        """The song's tempo and every change of tempo or meter, in order; empty without a tempo."""
        return self._segments

    @property
    def has_grid(self) -> bool:
        """Whether the song's tempo is known."""
        return bool(self._segments)

    def meter_at(self, bar: int) -> BarShape:
        """The meter of a bar; known without a tempo too."""
        return self._shapes[max(bisect_right(self._shapes, bar, key=lambda shape: shape[0]) - 1, 0)][1]

    def downbeat_s(self, bar: int) -> float:
        """Seconds of a bar's first beat."""
        return self._segment_of(bar).downbeat_s(bar)

    def beat_s(self, bar: int) -> float:
        """Seconds of one beat in a bar."""
        return self._segment_of(bar).beat_s

    def bar_s(self, bar: int) -> float:
        """Seconds of a bar."""
        return self._segment_of(bar).bar_s

    def quarter_tempo(self, bar: int) -> float:
        """Quarter notes per minute in a bar, whatever note the beat is."""
        return self._segment_of(bar).quarter_tempo

    def span_s(self, section: Section) -> tuple[float, float]:
        """Seconds of a section's first downbeat and of the one after its last bar."""
        first, last = section.bars
        return self.downbeat_s(first), self.downbeat_s(last + 1)

    def seconds_of(self, position: str | float) -> float:
        """Seconds of a position in the song.

        Parameters
        ----------
        position : str or float
            "bar 3", "bar 3 beat 2", "bar 3 beat 2.5" or "bar 3 beat 2+1/3", or a number of seconds from the start of
            the files.

        Raises
        ------
        ParameterError
            If it is no position, counts past its bar or beat, or counts bars where there is no tempo.
        """
        if not isinstance(position, str):
            if not math.isfinite(position):
                raise ParameterError(f"found {position}, allowed is a number of seconds")
            return float(position)
        if dotted_position(position) is not None:
            raise ParameterError(self._dotted_refusal(position))
        bar, beat, part = parse_position(position)
        shown = found_text(position)
        if not FIRST_BAR <= bar <= LAST_BAR:
            raise ParameterError(f"{shown}: found bar {bar}, allowed are {FIRST_BAR} to {LAST_BAR}")
        shape = self.meter_at(bar)
        if not 1 <= beat <= shape.beats:
            raise ParameterError(f"{shown}: found beat {beat}, allowed are 1 to {shape.beats}; "
                                 f"bar {bar} is in {shape.meter} and its beat is a {shape.beat_words}")
        if not self.has_grid:
            raise ParameterError(f"{shown} counts bars, but the song has no tempo; "
                                 "set tempo in [song], or give seconds without quotes")
        return self._segment_of(bar).seconds_of(bar, beat, part)

    def _dotted_refusal(self, position: str) -> str:
        """What is said about a position in the old spelling: how this very one is written now."""
        bar, beat, sixteenth = dotted_position(position) or (1, 1, 1)
        shape = self.meter_at(bar)
        said = f"found {found_text(position)}; positions are written in words: "
        if FIRST_BAR <= bar <= LAST_BAR and 1 <= beat <= shape.beats and 1 <= sixteenth <= shape.sixteenths:
            return f'{said}write "{Position(bar, beat, shape.parts[sixteenth - 1]).text}"'
        return f"{said}{POSITION_WORDS}"

    def bar_at(self, seconds: float) -> int:
        """The bar that sounds at a moment; a downbeat belongs to the bar it opens."""
        segment = self._segment_at(seconds)
        bar = segment.first_bar + math.floor((seconds - segment.start_s) / segment.bar_s)
        # The quotient may round across a downbeat; the downbeats themselves decide.
        if seconds < self.downbeat_s(bar):
            return bar - 1
        return bar + 1 if seconds >= self.downbeat_s(bar + 1) else bar

    def place_of(self, seconds: float) -> Place:
        """The sixteenth nearest to a moment, which may be the next bar's downbeat."""
        bar = self.bar_at(seconds)
        segment = self._segment_of(bar)
        shape = segment.shape
        into_bar_s = seconds - segment.downbeat_s(bar)
        beat = min(int(into_bar_s / segment.beat_s), shape.beats - 1)
        into_beat_s = into_bar_s - beat * segment.beat_s
        sixteenth = min(max(int(into_beat_s / (segment.beat_s / (shape.beat_notes * 16))), 0), shape.sixteenths - 1)
        here = (bar, beat + 1, sixteenth + 1)
        if sixteenth + 1 < shape.sixteenths:
            following = (bar, beat + 1, sixteenth + 2)
        else:
            following = (bar, beat + 2, 1) if beat + 1 < shape.beats else (bar + 1, 1, 1)
        places = [self._place(*place, seconds) for place in (here, following)]
        return min(places, key=lambda place: abs(place.late_s))

    def text_of(self, seconds: float) -> str:
        """The sixteenth nearest to a moment, "bar 5 beat 2.5"; "m:ss.mmm" where there is no tempo."""
        return self.place_of(seconds).text if self.has_grid else seconds_text(seconds)

    def grid_s(self, start_s: float, stop_s: float) -> Grid:
        """Every sixteenth of every beat from start_s up to, not including, stop_s.

        Parameters
        ----------
        start_s, stop_s : float
            Seconds from the start of the files; may be before bar 1.

        Returns
        -------
        Grid
            Arrays of time (seconds), bar, beat and sixteenth; beats and sixteenths count from 1.
        """
        import numpy as np

        self._segment_of(1)
        rows = []
        for index, segment in enumerate(self._segments):
            from_s = start_s if index == 0 else max(start_s, segment.start_s)
            last = index + 1 == len(self._segments)
            to_s = stop_s if last else min(stop_s, self._segments[index + 1].start_s)
            if to_s <= from_s:
                continue
            bars = np.arange(self.bar_at(from_s), self.bar_at(to_s) + 1)
            if not last:
                bars = bars[bars < self._segments[index + 1].first_bar]
            shape = segment.shape
            offsets_s = np.array([float(beat + part) for beat in range(shape.beats) for part in shape.parts])
            bar, beat, step = (axis.ravel() for axis in np.meshgrid(
                bars, np.arange(shape.beats), np.arange(shape.sixteenths), indexing="ij"))
            downbeats_s = segment.start_s + (bars - segment.first_bar) * segment.bar_s
            time_s = (downbeats_s[:, np.newaxis] + offsets_s * segment.beat_s).ravel()
            inside = (time_s >= start_s) & (time_s < stop_s)
            rows.append((time_s[inside], bar[inside], beat[inside] + 1, step[inside] + 1))
        if not rows:
            whole = np.empty(0, dtype=np.int64)
            return Grid(np.empty(0), whole, whole, whole)
        return Grid(*(np.concatenate(column) for column in zip(*rows, strict=True)))

    def _place(self, bar: int, beat: int, sixteenth: int, seconds: float) -> Place:
        """A sixteenth that is known to exist, as seen from a moment."""
        segment = self._segment_of(bar)
        part = segment.shape.parts[sixteenth - 1]
        return Place(bar, beat, sixteenth, seconds - segment.seconds_of(bar, beat, part), part)

    def _segment_of(self, bar: int) -> TempoSegment:
        """The segment of a bar."""
        if not self._segments:
            self._refuse_grid()
        return self._segments[max(bisect_right(self._first_bars, bar) - 1, 0)]

    def _segment_at(self, seconds: float) -> TempoSegment:
        """The segment of a moment."""
        if not self._segments:
            self._refuse_grid()
        return self._segments[max(bisect_right(self._starts_s, seconds) - 1, 0)]

    @staticmethod
    def _refuse_grid() -> NoReturn:
        """Refuse to count bars without a tempo."""
        raise ParameterError("the song has no tempo, so its bars cannot be counted; set tempo in [song]")

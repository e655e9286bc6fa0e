"""The song's clock: bars, beats and sixteenths <-> seconds from the start of the files.

Bars count from 1; the bar before bar 1 is bar 0, the one before it -1, all with the song's own tempo and meter.
Beats and sixteenths count from 1 inside their bar and beat. A beat is what the meter's lower number says (7/8: an
eighth), in compound meters three of them: 6/8, 9/8, 12/8, and likewise over 2, 4 and 16, count dotted notes; 3/8 is
simple. A tempo is beats per minute, so 6/8 at 60 has bars of two seconds. Meter and beat: common practice.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, NoReturn

from layerpipe.core.errors import ParameterError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from layerpipe.recipe.model import Recipe, Section

FIRST_BAR, LAST_BAR = -1_000, 100_000
_POSITION = re.compile(r"(-?[0-9]{1,9})(?:\.([0-9]{1,9}))?(?:\.([0-9]{1,9}))?", re.ASCII)


@dataclass(frozen=True)
class BarShape:
    """How a meter divides a bar."""

    meter: str
    """As written, "6/8"."""
    beats: int
    """Beats in a bar."""
    beat_notes: float
    """Length of a beat in whole notes: 0.25 is a quarter, 0.375 a dotted quarter."""
    compound: bool

    @classmethod
    def of(cls, meter: str) -> BarShape:
        """Read a meter such as "6/8".

        Raises
        ------
        ParameterError
            If it is not two numbers with a slash between.
        """
        upper, slash, lower = meter.partition("/")
        if not (slash and upper.isdecimal() and lower.isdecimal() and int(upper) and int(lower)):
            raise ParameterError(f'a meter is two numbers such as "6/8", not "{meter}"')
        count, note = int(upper), 1.0 / int(lower)
        compound = count > 3 and count % 3 == 0
        return cls(meter, count // 3 if compound else count, 3 * note if compound else note, compound)

    @property
    def sixteenths(self) -> int:
        """Sixteenths that begin inside a beat: 4 in a quarter, 6 in a dotted quarter."""
        return math.ceil(self.beat_notes * 16)


class Place(NamedTuple):
    """A sixteenth of the grid, and how far after it (before it when negative) a moment lies."""

    bar: int
    beat: int
    sixteenth: int
    late_s: float

    @property
    def text(self) -> str:
        """The place as a recipe writes it: "5.2", or "5.2.3" off the beat."""
        return f"{self.bar}.{self.beat}" + (f".{self.sixteenth}" if self.sixteenth > 1 else "")


class Grid(NamedTuple):
    """Divisions of beats in order of time; four arrays of shape (places,)."""

    time_s: npt.NDArray[np.float64]
    bar: npt.NDArray[np.int64]
    beat: npt.NDArray[np.int64]
    division: npt.NDArray[np.int64]


@dataclass(frozen=True)
class _Stretch:
    """Bars of one tempo and meter, from the downbeat of `first_bar` on."""

    first_bar: int
    start_s: float
    beat_s: float
    shape: BarShape

    @property
    def bar_s(self) -> float:
        return self.beat_s * self.shape.beats

    @property
    def sixteenth_s(self) -> float:
        return self.beat_s / (self.shape.beat_notes * 16)

    def downbeat_s(self, bar: int) -> float:
        return self.start_s + (bar - self.first_bar) * self.bar_s


def seconds_text(seconds: float) -> str:
    """Seconds as "m:ss.mmm"."""
    thousandths = math.floor(abs(seconds) * 1000 + 0.5)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{'-' if seconds < 0 and thousandths else ''}{minutes}:{rest / 1000:06.3f}"


class TempoMap:
    """Where bars and beats lie in the files. Made by `TempoMap.of(recipe)`; it never changes.

    Without a tempo there is no grid: `seconds_of` takes seconds only, `text_of` answers in minutes and seconds, and
    everything that counts bars raises `ParameterError`.
    """

    def __init__(self, stretches: Sequence[_Stretch], shapes: Sequence[tuple[int, BarShape]]) -> None:
        self._stretches = tuple(stretches)
        self._shapes = tuple(shapes)
        self._first_bars = [stretch.first_bar for stretch in stretches]
        # The first stretch also holds everything before it.
        self._starts_s = [stretch.start_s for stretch in stretches]

    @classmethod
    def of(cls, recipe: Recipe) -> TempoMap:
        """Lay out the song's tempo and its changes, which must ascend in bars. What a change leaves out stays."""
        song = recipe.song
        shape = BarShape.of(song.meter)
        shapes = [(1, shape)]
        stretches = [] if song.tempo is None else [_Stretch(1, song.bar_one_s, 60.0 / song.tempo, shape)]
        for change in recipe.tempo:
            shape = shape if change.meter is None else BarShape.of(change.meter)
            shapes.append((change.from_bar, shape))
            if stretches:
                last = stretches[-1]
                beat_s = last.beat_s if change.tempo is None else 60.0 / change.tempo
                stretches.append(_Stretch(change.from_bar, last.downbeat_s(change.from_bar), beat_s, shape))
        return cls(stretches, shapes)

    @property
    def has_grid(self) -> bool:
        """Whether the song's tempo is known."""
        return bool(self._stretches)

    def meter_at(self, bar: int) -> BarShape:
        """The meter of a bar; known without a tempo too."""
        return self._shapes[max(bisect_right(self._shapes, bar, key=lambda shape: shape[0]) - 1, 0)][1]

    def downbeat_s(self, bar: int) -> float:
        """Seconds of a bar's first beat."""
        return self._stretch_of(bar).downbeat_s(bar)

    def beat_s(self, bar: int) -> float:
        """Seconds of one beat in a bar."""
        return self._stretch_of(bar).beat_s

    def bar_s(self, bar: int) -> float:
        """Seconds of a bar."""
        return self._stretch_of(bar).bar_s

    def span_s(self, section: Section) -> tuple[float, float]:
        """Seconds of a section's first downbeat and of the one after its last bar."""
        first, last = section.bars
        return self.downbeat_s(first), self.downbeat_s(last + 1)

    def seconds_of(self, position: str | float) -> float:
        """Seconds of a position in the song.

        Parameters
        ----------
        position : str or float
            "bar", "bar.beat" or "bar.beat.sixteenth" ("3.2.1"), or a number of seconds from the start of the files.

        Raises
        ------
        ParameterError
            If it is no position, counts past its bar or beat, or counts bars where there is no tempo.
        """
        if not isinstance(position, str):
            if not math.isfinite(position):
                raise ParameterError(f"found {position}, allowed is a number of seconds")
            return float(position)
        found = _POSITION.fullmatch(position.strip())
        if found is None:
            raise ParameterError(f'found "{position}", allowed is bar.beat.sixteenth such as "3.2.1" or "3.2", '
                                 "or a number of seconds without quotes")
        bar, beat, sixteenth = (1 if part is None else int(part) for part in found.groups())
        if not FIRST_BAR <= bar <= LAST_BAR:
            raise ParameterError(f'"{position}": found bar {bar}, allowed are {FIRST_BAR} to {LAST_BAR}')
        shape = self.meter_at(bar)
        if not 1 <= beat <= shape.beats:
            raise ParameterError(f'"{position}": found beat {beat}, allowed are 1 to {shape.beats}; '
                                 f"bar {bar} is in {shape.meter}{' and counts dotted beats' if shape.compound else ''}")
        if not 1 <= sixteenth <= shape.sixteenths:
            raise ParameterError(f'"{position}": found sixteenth {sixteenth}, allowed are 1 to {shape.sixteenths} '
                                 f"in a beat of {shape.meter}")
        if not self.has_grid:
            raise ParameterError(f'"{position}" counts bars, but the song has no tempo; '
                                 "set tempo in [song], or give seconds without quotes")
        stretch = self._stretch_of(bar)
        return stretch.downbeat_s(bar) + (beat - 1) * stretch.beat_s + (sixteenth - 1) * stretch.sixteenth_s

    def bar_at(self, seconds: float) -> int:
        """The bar that sounds at a moment; a downbeat belongs to the bar it opens."""
        stretch = self._stretch_at(seconds)
        bar = stretch.first_bar + math.floor((seconds - stretch.start_s) / stretch.bar_s)
        # The quotient may round across a downbeat; the downbeats themselves decide.
        if seconds < self.downbeat_s(bar):
            return bar - 1
        return bar + 1 if seconds >= self.downbeat_s(bar + 1) else bar

    def place_of(self, seconds: float) -> Place:
        """The sixteenth nearest to a moment, which may be the next bar's downbeat."""
        bar = self.bar_at(seconds)
        stretch = self._stretch_of(bar)
        into_bar_s = seconds - stretch.downbeat_s(bar)
        beat = min(int(into_bar_s / stretch.beat_s), stretch.shape.beats - 1)
        into_beat_s = into_bar_s - beat * stretch.beat_s
        sixteenth = min(max(int(into_beat_s / stretch.sixteenth_s), 0), stretch.shape.sixteenths - 1)
        here = (bar, beat + 1, sixteenth + 1)
        if sixteenth + 1 < stretch.shape.sixteenths:
            following = (bar, beat + 1, sixteenth + 2)
        else:
            following = (bar, beat + 2, 1) if beat + 1 < stretch.shape.beats else (bar + 1, 1, 1)
        late_s, early_s = (seconds - self._seconds_at(*place) for place in (here, following))
        return Place(*here, late_s) if abs(late_s) <= abs(early_s) else Place(*following, early_s)

    def text_of(self, seconds: float) -> str:
        """A moment as people say it: the nearest place, "5.2" or "5.2.3"; "m:ss.mmm" where there is no tempo."""
        return self.place_of(seconds).text if self.has_grid else seconds_text(seconds)

    def grid_s(self, start_s: float, stop_s: float, *, per_beat: int | None = None) -> Grid:
        """Every division of every beat from start_s up to, not including, stop_s.

        Parameters
        ----------
        start_s, stop_s : float
            Seconds from the start of the files; may lie before bar 1.
        per_beat : int, optional
            Even divisions of a beat; left out, each meter's own sixteenths.

        Returns
        -------
        Grid
            Arrays of time (seconds), bar, beat and division; beats and divisions count from 1.
        """
        import numpy as np

        if per_beat is not None and per_beat < 1:
            raise ParameterError(f"per_beat={per_beat} must be 1 or more")
        self._stretch_of(1)
        rows = []
        for index, stretch in enumerate(self._stretches):
            from_s = start_s if index == 0 else max(start_s, stretch.start_s)
            last = index + 1 == len(self._stretches)
            to_s = stop_s if last else min(stop_s, self._stretches[index + 1].start_s)
            if to_s <= from_s:
                continue
            bars = np.arange(self.bar_at(from_s), self.bar_at(to_s) + 1)
            if not last:
                bars = bars[bars < self._stretches[index + 1].first_bar]
            shape = stretch.shape
            steps = np.arange(shape.sixteenths if per_beat is None else per_beat)
            step_s = stretch.sixteenth_s if per_beat is None else stretch.beat_s / per_beat
            bar, beat, step = (axis.ravel() for axis in np.meshgrid(bars, np.arange(shape.beats), steps, indexing="ij"))
            time_s = stretch.start_s + (bar - stretch.first_bar) * stretch.bar_s + beat * stretch.beat_s + step * step_s
            inside = (time_s >= start_s) & (time_s < stop_s)
            rows.append((time_s[inside], bar[inside], beat[inside] + 1, step[inside] + 1))
        if not rows:
            whole = np.empty(0, dtype=np.int64)
            return Grid(np.empty(0), whole, whole, whole)
        return Grid(*(np.concatenate(column) for column in zip(*rows, strict=True)))

    def _seconds_at(self, bar: int, beat: int, sixteenth: int) -> float:
        """Seconds of a place that is known to exist."""
        stretch = self._stretch_of(bar)
        return stretch.downbeat_s(bar) + (beat - 1) * stretch.beat_s + (sixteenth - 1) * stretch.sixteenth_s

    def _stretch_of(self, bar: int) -> _Stretch:
        """The stretch a bar lies in."""
        if not self._stretches:
            self._refuse_grid()
        return self._stretches[max(bisect_right(self._first_bars, bar) - 1, 0)]

    def _stretch_at(self, seconds: float) -> _Stretch:
        """The stretch a moment lies in."""
        if not self._stretches:
            self._refuse_grid()
        return self._stretches[max(bisect_right(self._starts_s, seconds) - 1, 0)]

    @staticmethod
    def _refuse_grid() -> NoReturn:
        """What is said when bars are asked for and there is no tempo."""
        raise ParameterError("the song has no tempo, so its bars cannot be counted; set tempo in [song]")

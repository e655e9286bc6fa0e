"""The parts of a song between which a comp may change passes: its sections, and the bars between them."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap


@dataclass(frozen=True)
class SpanSettings:
    """How a song is divided."""

    bars: int = 8
    """Bars of a part where the recipe has no sections: a usual phrase (common practice, no source)."""
    fewest_after: int = 2
    """Bars after the last section that are a part of their own; fewer are the end of the last chord."""


SPANS = SpanSettings()


@dataclass(frozen=True)
class Span:
    """A part of the song.

    Attributes
    ----------
    name : str
    bars : (int, int) or None
        First and last, both included; None where the song has no tempo.
    start_s, stop_s : float
        Seconds of the song.
    weight : float
        Its length in bars; 1 where the song has no tempo.
    """

    name: str
    bars: tuple[int, int] | None
    start_s: float
    stop_s: float
    weight: float

    @property
    def text(self) -> str:
        """Name and bars."""
        if self.bars is None or self.name == _bars_text(self.bars):
            return self.name
        return f"{self.name} ({_bars_text(self.bars)})"


def song_spans(recipe: Recipe, tempo_map: TempoMap, end_s: float) -> tuple[Span, ...]:
    """Divide a song that ends at `end_s` seconds; the parts are in order and leave nothing out."""
    if not tempo_map.has_grid:
        return (Span("the whole song", None, 0.0, end_s, 1.0),)
    last_bar = max(tempo_map.bar_at(end_s), 1)
    named = [(section.name, section.bars[0], section.bars[1])
             for section in sorted(recipe.section, key=lambda section: section.bars) if section.bars[0] <= last_bar]
    divided: list[tuple[str, int, int]] = []
    at = 1
    for name, first, last in named:
        if first > at:
            divided.append((_bars_text((at, first - 1)), at, first - 1))
        divided.append((name, first, last))
        at = last + 1
    if not named:
        divided = [(_bars_text((first, min(first + SPANS.bars, last_bar + 1) - 1)), first,
                    min(first + SPANS.bars, last_bar + 1) - 1) for first in range(1, last_bar + 1, SPANS.bars)]
    elif last_bar - at + 1 >= SPANS.fewest_after:
        divided.append((_bars_text((at, last_bar)), at, last_bar))
    return tuple(Span(name, (first, last), tempo_map.downbeat_s(first), tempo_map.downbeat_s(last + 1),
                      float(last - first + 1)) for name, first, last in divided)


def span_of_bar(spans: tuple[Span, ...], bar: int) -> int:
    """The part a bar belongs to; bars before the first part belong to it, those after the last to that."""
    return max(bisect_right(spans, float(bar), key=lambda span: span.bars[0] if span.bars else -math.inf) - 1, 0)


def span_at(spans: tuple[Span, ...], seconds: float) -> int:
    """The part a moment belongs to."""
    return max(bisect_right(spans, seconds, key=lambda span: span.start_s) - 1, 0)


def _bars_text(bars: tuple[int, int]) -> str:
    """Bars in words."""
    return f"bars {bars[0]} to {bars[1]}" if bars[1] > bars[0] else f"bar {bars[0]}"

"""A picture of takes against the grid: every onset before and after its edit, section by section.

The horizontal axis counts bars; up is late, in ms. Marks differ in shape too. The same numbers give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from layerpipe.analysis.timing.edits.song_edits import place_words
from layerpipe.analysis.timing.grid.aligned import AlignedOnsets
from layerpipe.analysis.timing.song_timing import SongTiming, TakeTiming
from layerpipe.analysis.timing.sustained_takes import SustainedTake
from layerpipe.outputs.drawing.mpl import picture
from layerpipe.outputs.drawing.palette import BLUE, GREEN, INK, PURPLE, SKY, VERMILION
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap


def draw_timing(song: SongTiming, recipe: Recipe, path: Path) -> None:
    """Draw every take, one row each.

    Parameters
    ----------
    path : Path
        Ends in .png or .svg; replaced, whole, if it is there.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    with picture(path, inches=(12.0, 1.2 + 2.0 * len(song.takes)), dpi=130, line_width=0.6) as figure:
        rows = figure.subplots(len(song.takes), 1, sharex=True, squeeze=False)[:, 0]
        height_ms = _half_height_ms(song.takes)
        for axes, take in zip(rows, song.takes, strict=True):
            _draw_take(axes, take, song, recipe, height_ms)
        rows[-1].set_xlabel("bar" if song.tempo_map.has_grid else "seconds")
        by_phrases = any(take.sustained for take in song.takes)
        what = "onsets against the grid" + (", phrases against the lead" if by_phrases else "")
        figure.suptitle(f" {recipe.song.title}: {what}", x=0.01, ha="left", fontsize=12)
        _legend(figure, by_phrases=by_phrases)


def _half_height_ms(takes: Sequence[TakeTiming]) -> float:
    """Half the height of every row, ms: the same for all, so that takes can be compared by eye."""
    offsets = [float(np.nanmax(np.abs(take.aligned.onsets.offset_ms))) for take in takes if len(take.aligned.bars)]
    offsets += [abs(late_ms) for take in takes if take.sustained for _, late_ms in take.sustained.lags_ms(moved=False)]
    return min(max([30.0, *(offset * 1.15 for offset in offsets)]), 120.0)


def _draw_take(axes: Any, take: TakeTiming, song: SongTiming, recipe: Recipe, height_ms: float) -> None:
    """One row."""
    tempo_map = song.tempo_map
    # A take that runs away leaves the common scale.
    height_ms = max([height_ms, *(abs(late_ms) * 1.1 for _, late_ms in take.place.curve)])
    axes.set_ylim(-height_ms, height_ms)
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    axes.axhline(0, color=INK, linewidth=0.6)
    axes.tick_params(length=2)
    axes.set_ylabel("late, ms")
    average_ms, spread_ms = take.aligned.average_offset_ms, take.aligned.spread_ms
    numbers = "" if average_ms is None else f"   average offset {round(average_ms):+d} ms"
    numbers += "" if spread_ms is None else f", spread {spread_ms:.0f} ms"
    numbers += "" if take.place.kind in ("none", "unknown") else f"   {place_words(take.place)}"
    axes.set_title(f" {take.name}: {take.verdict}{numbers}", loc="left", fontsize=10)
    if take.place.curve:
        at = [_across(at_s, tempo_map) for at_s, _ in take.place.curve]
        axes.plot(at, [late_ms for _, late_ms in take.place.curve], "-", color=PURPLE, linewidth=1.4)
    if take.sustained is not None:
        _draw_phrases(axes, take.sustained, tempo_map)
    if not tempo_map.has_grid:
        times_s = take.aligned.onsets.heard_s
        axes.plot(times_s, np.zeros(len(times_s)), "|", color=BLUE)
        return
    bars = [bar for each in song.takes if len(each.aligned.bars)
            for bar in (int(each.aligned.bars.min()), int(each.aligned.bars.max()))]
    bars += [tempo_map.bar_at(at_s) for each in song.takes if each.sustained for one in each.sustained.phrases
             for at_s in (one.from_s, one.to_s)]
    bars = bars or [1]
    axes.set_xlim(min(bars) - 0.1, max(bars) + 1.1)
    step = max(1, round((max(bars) - min(bars)) / 16))
    axes.set_xticks(range(min(bars), max(bars) + 2, step))
    for n, section in enumerate(recipe.section):
        first, last = section.bars
        axes.axvspan(first, last + 1, color=SKY, alpha=0.10 if n % 2 else 0.03, linewidth=0)
        axes.text(first + 0.05, height_ms * 0.97, f" {section.name}", va="top", color=INK, fontsize=8, clip_on=True)
    for rerecord in take.rerecord:
        axes.axvspan(rerecord.bars[0], rerecord.bars[1] + 1, facecolor="none", edgecolor=PURPLE, hatch="///",
                     alpha=0.5, linewidth=0)
    if average_ms is not None:
        axes.axhline(average_ms, color=BLUE, linewidth=0.8, dashes=(4, 3))
    onsets, moved = take.aligned.onsets, take.moved.onsets
    moving_s = [onset.onset.at_s for move in take.moves for onset in move.onsets]
    is_moving = np.isin(onsets.onsets.at_s, moving_s)
    tight, loose = (onsets.where(np.flatnonzero(onsets.points.known & chosen)) for chosen in (~is_moving, is_moving))
    edited = moved.where(np.searchsorted(moved.onsets.at_s, loose.onsets.at_s))
    axes.plot(*_coordinates(tight, song), "o", color=BLUE, markersize=3.2, alpha=0.8, markeredgewidth=0)
    axes.plot(*_coordinates(loose, song), "D", color=VERMILION, markersize=5, markerfacecolor="white")
    axes.plot(*_coordinates(edited, song), "D", color=GREEN, markersize=5)
    for x, y, to in zip(*_coordinates(loose, song), edited.offset_ms.tolist(), strict=True):
        if not np.isnan(to):
            axes.annotate("", (x, to), (x, y), arrowprops={"arrowstyle": "->", "color": GREEN, "lw": 1.0})


def _draw_phrases(axes: Any, take: SustainedTake, tempo_map: TempoMap) -> None:
    """Every phrase at how late it is against the lead, and where the edits bring it."""
    for (one, late_ms), (_, after_ms) in zip(take.lags_ms(moved=False), take.lags_ms(moved=True), strict=True):
        across = [_across(one.from_s, tempo_map), _across(one.to_s, tempo_map)]
        is_moved = after_ms != late_ms
        axes.plot(across, [late_ms] * 2, "-", color=VERMILION if is_moved else BLUE, linewidth=2.4)
        if is_moved:
            axes.plot(across, [after_ms] * 2, "-", color=GREEN, linewidth=2.4)
            axes.annotate("", (sum(across) / 2, after_ms), (sum(across) / 2, late_ms),
                          arrowprops={"arrowstyle": "->", "color": GREEN, "lw": 1.0})


def _coordinates(onsets: AlignedOnsets, song: SongTiming) -> tuple[list[float], list[float]]:
    """Bars and offsets in ms; bars are those of the grid point, so that before and after are above each other."""
    known = onsets.points.known
    across = [_in_bars(bar, at_s, song.tempo_map) for bar, at_s in zip(
        onsets.points.bar[known].tolist(), onsets.points.time_s[known].tolist(), strict=True)]
    return across, onsets.offset_ms[known].tolist()


def _across(at_s: float, tempo_map: TempoMap) -> float:
    """A moment on the horizontal axis: bars, or seconds where there is no tempo."""
    return _in_bars(tempo_map.bar_at(at_s), at_s, tempo_map) if tempo_map.has_grid else at_s


def _in_bars(bar: int, at_s: float, tempo_map: TempoMap) -> float:
    """A moment of a bar as a number of bars."""
    return bar + (at_s - tempo_map.downbeat_s(bar)) / tempo_map.bar_s(bar)


def _legend(figure: Any, *, by_phrases: bool) -> None:
    """What the marks mean."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    blue = "onset, phrase" if by_phrases else "onset"
    marks = [Line2D([], [], color=BLUE, marker="o", linestyle="", markersize=4, label=blue),
             Line2D([], [], color=VERMILION, marker="D", linestyle="", markerfacecolor="white", label="loose"),
             Line2D([], [], color=GREEN, marker="D", linestyle="", label="after the edit"),
             Line2D([], [], color=BLUE, dashes=(4, 3), linewidth=0.8, label="average offset"),
             Line2D([], [], color=PURPLE, linewidth=1.4, label="lag to the double"),
             Patch(facecolor="none", edgecolor=PURPLE, hatch="///", label="re-record")]
    figure.legend(handles=marks, loc="outside lower center", ncols=6, frameon=False)

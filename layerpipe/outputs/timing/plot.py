"""A picture of takes against the grid: every strum before and after its move, section by section.

Across are bars, up is late, in ms. Marks differ in shape too.
The same figures give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from layerpipe.analysis.timing.align import Strum
from layerpipe.analysis.timing.song_timing import SongTiming, TakeTiming
from layerpipe.outputs.drawing.mpl import picture
from layerpipe.outputs.drawing.palette import BLUE, GREEN, INK, PURPLE, SKY, VERMILION
from layerpipe.recipe.model import Recipe


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
        tallest = _tallest(song.takes)
        for axes, take in zip(rows, song.takes, strict=True):
            _draw_take(axes, take, song, recipe, tallest)
        rows[-1].set_xlabel("bar" if song.tempo_map.has_grid else "seconds")
        figure.suptitle(f" {recipe.song.title}: strums against the grid", x=0.01, ha="left", fontsize=12)
        _legend(figure)


def _tallest(takes: Sequence[TakeTiming]) -> float:
    """Half the height of all rows, ms: the same for all, so that takes can be compared by eye."""
    offs = [abs(strum.off_ms) for take in takes for strum in take.placed.strums if strum.off_ms is not None]
    return min(max([30.0, *(off * 1.15 for off in offs)]), 120.0)


def _draw_take(axes: Any, take: TakeTiming, song: SongTiming, recipe: Recipe, tallest: float) -> None:
    """One row."""
    tempo_map = song.tempo_map
    axes.set_ylim(-tallest, tallest)
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    axes.axhline(0, color=INK, linewidth=0.6)
    axes.tick_params(length=2)
    axes.set_ylabel("late, ms")
    verdict = take.verdict or "cannot be told"
    figures = "" if take.placed.average_offset_ms is None else f"   feel {round(take.placed.average_offset_ms):+d} ms"
    figures += "" if take.placed.scatter_ms is None else f", scatter {take.placed.scatter_ms:.0f} ms"
    axes.set_title(f" {take.name}: {verdict}{figures}", loc="left", fontsize=10)
    if not tempo_map.has_grid:
        axes.plot([strum.heard_s for strum in take.placed.strums], [0.0] * len(take.placed.strums), "|", color=BLUE)
        return
    bars = [strum.spot.bar for each in song.takes for strum in each.placed.strums if strum.spot] or [1]
    axes.set_xlim(min(bars) - 0.1, max(bars) + 1.1)
    step = max(1, round((max(bars) - min(bars)) / 16))
    axes.set_xticks(range(min(bars), max(bars) + 2, step))
    for n, section in enumerate(recipe.section):
        first, last = section.bars
        axes.axvspan(first, last + 1, color=SKY, alpha=0.10 if n % 2 else 0.03, linewidth=0)
        axes.text(first + 0.05, tallest * 0.97, f" {section.name}", va="top", color=INK, fontsize=8, clip_on=True)
    for again in take.rerecord:
        axes.axvspan(again.bars[0], again.bars[1] + 1, facecolor="none", edgecolor=PURPLE, hatch="///", alpha=0.5,
                     linewidth=0)
    if take.placed.average_offset_ms is not None:
        axes.axhline(take.placed.average_offset_ms, color=BLUE, linewidth=0.8, dashes=(4, 3))
    moved = {id(strum.onset): strum for strum in take.moved.strums}
    going = {id(strum.onset) for move in take.moves for strum in move.strums}
    calm = [strum for strum in take.placed.strums if strum.spot and id(strum.onset) not in going]
    loose = [strum for strum in take.placed.strums if strum.spot and id(strum.onset) in going]
    axes.plot(*_points(calm, song), "o", color=BLUE, markersize=3.2, alpha=0.8, markeredgewidth=0)
    axes.plot(*_points(loose, song), "D", color=VERMILION, markersize=5, markerfacecolor="white")
    home = [moved[id(strum.onset)] for strum in loose if moved[id(strum.onset)].spot]
    axes.plot(*_points(home, song), "D", color=GREEN, markersize=5)
    for strum in loose:
        there = moved[id(strum.onset)]
        if there.spot and strum.off_ms is not None and there.off_ms is not None:
            (x,), (y,) = _points([strum], song)
            axes.annotate("", (x, there.off_ms), (x, y), arrowprops={"arrowstyle": "->", "color": GREEN, "lw": 1.0})


def _points(strums: Sequence[Strum], song: SongTiming) -> tuple[list[float], list[float]]:
    """Bars and fractions of a bar across, ms up; of the place, not of the moment, so that before and after line up."""
    across, up = [], []
    for strum in strums:
        if strum.spot is not None and strum.off_ms is not None:
            at_s = strum.aimed_s - strum.off_ms / 1000
            bar = strum.spot.bar
            across.append(bar + (at_s - song.tempo_map.downbeat_s(bar)) / song.tempo_map.bar_s(bar))
            up.append(strum.off_ms)
    return across, up


def _legend(figure: Any) -> None:
    """What the marks mean."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    marks = [Line2D([], [], color=BLUE, marker="o", linestyle="", markersize=4, label="a strum"),
             Line2D([], [], color=VERMILION, marker="D", linestyle="", markerfacecolor="white", label="loose, before"),
             Line2D([], [], color=GREEN, marker="D", linestyle="", label="after its move"),
             Line2D([], [], color=BLUE, dashes=(4, 3), linewidth=0.8, label="where the take usually plays"),
             Patch(facecolor="none", edgecolor=PURPLE, hatch="///", label="play again")]
    figure.legend(handles=marks, loc="outside lower center", ncols=5, frameon=False)

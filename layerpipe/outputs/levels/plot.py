"""The curves over level as a picture: six figures, one line per section, readable in black and white.

Lines differ in colour, dash and mark. The same study gives the same bytes.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from layerpipe.outputs.drawing.mpl import picture
from layerpipe.outputs.drawing.palette import LINES, RULE
from layerpipe.outputs.levels.study import LevelRow, LevelStudy
from layerpipe.recipe.names import WHOLE_SONG

_DASHES = ((), (6, 2), (2, 1.5), (7, 2, 1.5, 2), (10, 3, 3, 3))
_MARKS = ("o", "s", "^", "D", "v", "P", "X")
_WHOLE = {"color": "#000000", "linewidth": 2.2}
# Curves that hardly move are to look as if they hardly moved.
_SMALLEST_SPANS = {"brightness_db": 1.0, "mono_loss_lu": 1.0, "added_lu": 1.0, "true_peak_dbtp": 2.0}
_PANELS = (
    ("relative_lu", "relative to {reference}, LU", "level relative to {reference}"),
    ("added_lu", "added loudness, LU", "added loudness"),
    ("audible_share", "audible time, %", "audible time (ticks: audible from)"),
    ("brightness_db", "above 4 kHz, change in dB", "brightness"),
    ("mono_loss_lu", "mono loss, LU", "mono loss"),
    ("true_peak_dbtp", "true peak, dBTP", "true peak"),
)


def draw_levels(study: LevelStudy, path: Path, *, title: str) -> None:
    """Draw the rows of a study.

    Parameters
    ----------
    study : LevelStudy
    path : Path
        Ends in .png or .svg; replaced, whole, if it is there.
    title : str
        The song.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    names = list(dict.fromkeys(row.section for row in study.rows))
    with picture(path, inches=(11.0, 7.4), dpi=150, line_width=0.8) as figure:
        panels = figure.subplots(2, 3)
        for axes, (what, label, heading) in zip(panels.flat, _PANELS, strict=True):
            for n, name in enumerate(names):
                rows = sorted((row for row in study.rows if row.section == name and math.isfinite(row.level_db)),
                              key=lambda row: row.level_db)
                points = [(row.level_db, _value(study, row, what)) for row in rows]
                # The library hides labels that begin with an underscore.
                line = _line(n, name, len(rows))
                axes.plot([level for level, _ in points], [value for _, value in points], label=f" {name}", **line)
                if what == "audible_share":
                    _mark_first(axes, study.audible_from_db[name], points, line["color"])
            reference = "rest" if study.reference is None else study.reference
            _dress(axes, label.format(reference=reference), heading.format(reference=reference), study.layer)
            _widen(axes, _SMALLEST_SPANS.get(what, 0.0))
        figure.suptitle(f'{title}: levels of "{study.layer}"', x=0.01, ha="left", fontsize=12)
        handles, labels = panels.flat[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=min(5, len(names)), frameon=False,
                      handlelength=4.5)


def _value(study: LevelStudy, row: LevelRow, what: str) -> float:
    """The figure of a row as drawn; nan leaves a gap."""
    value = getattr(row, what)
    if what == "brightness_db" and value is not None:
        without = study.brightness_without_db[row.section]
        value = None if without is None else value - without
    if value is None or not math.isfinite(value):
        return math.nan
    return 100.0 * value if what == "audible_share" else float(value)


def _line(n: int, name: str, points: int) -> dict[str, Any]:
    """How a section's line looks; no two of the first 210 look alike."""
    if name == WHOLE_SONG:
        return {**_WHOLE, "marker": "" if points > 1 else "*"}
    return {"color": LINES[n % len(LINES)], "dashes": _DASHES[n % len(_DASHES)] or (None, None),
            "marker": _MARKS[n % len(_MARKS)], "markersize": 4.5, "linewidth": 1.5,
            "markevery": max(1, points // 9), "markerfacecolor": "white"}


def _mark_first(axes: Any, first_db: float | None, points: list[tuple[float, float]], colour: str) -> None:
    """A short stroke under the curves where a section's layer is first heard."""
    if first_db is not None and points and points[0][0] <= first_db <= points[-1][0]:
        axes.plot([first_db, first_db], [-10, -4], color=colour, linewidth=2.2, solid_capstyle="butt")


def _widen(axes: Any, smallest: float) -> None:
    """Let the axis cover a least span, the curves in its middle."""
    low, high = axes.get_ylim()
    if high - low < smallest:
        axes.set_ylim((low + high - smallest) / 2, (low + high + smallest) / 2)


def _dress(axes: Any, label: str, heading: str, layer: str) -> None:
    """Grid, words, no box."""
    axes.set_title(heading, loc="left", fontsize=10)
    axes.set_xlabel(f"level of {layer}, dB")
    axes.set_ylabel(label)
    axes.grid(color=RULE, linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)

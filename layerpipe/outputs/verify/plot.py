"""A picture of what is left of every file over time after the null test: peak and rms in dBFS."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from layerpipe.outputs.drawing.svg import COLOURS, Chart, seconds_ticks, stacked
from layerpipe.outputs.verify.null_test import Null
from layerpipe.outputs.verify.opened_bounce import OpenBounce

_FLOOR_DB = -144.0


def draw_residuals(nulls: Mapping[str, Null], new: OpenBounce) -> str:
    """One chart a file, under each other, as an SVG file."""
    seconds = max(float(new.told["song"]["frames"]) / new.rate_hz, 0.1)
    spans = [(str(part["name"]), part["start_frame"] / new.rate_hz, part["stop_frame"] / new.rate_hz)
             for part in new.told["sections"]]
    charts = []
    for name, null in nulls.items():
        chart = Chart(f"Residual of {name}", (0, seconds), (_FLOOR_DB, 0), height=150, top=34)
        chart.marks(spans)
        chart.grid(seconds_ticks(seconds), [(level, f"{level}") for level in (0, -48, -96, -144)])
        times = (np.arange(len(null.picture)) + 0.5) / 10
        with np.errstate(divide="ignore"):
            levels = 20 * np.log10(null.picture)
        chart.band(times, np.full(len(times), _FLOOR_DB), levels[:, 0], "#bcd9ea")
        chart.curve(times, np.where(np.isfinite(levels[:, 1]), levels[:, 1], np.nan), COLOURS[0])
        chart.heading(f"{name}: {null.verdict}; peak (area) and rms (line) of the residual, dBFS")
        charts.append(chart)
    return stacked(charts, "What is left of every file")

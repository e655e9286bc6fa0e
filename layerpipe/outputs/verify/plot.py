"""A picture of the residual of every file over time after the null test: peak and RMS in dBFS."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from layerpipe.outputs.drawing.palette import BLUE, PALE_BLUE
from layerpipe.outputs.drawing.svg import Chart, seconds_ticks, stacked
from layerpipe.outputs.verify.compare import Compared
from layerpipe.outputs.verify.null_test import STEPS_PER_S, NullTest
from layerpipe.outputs.verify.opened_bounce import OpenBounce

_LOWEST_DB = -144.0
"""The range of 24 bits."""


def draw_residuals(compared: Compared, nulls: Mapping[str, NullTest], new: OpenBounce) -> str:
    """Draw one chart a file, under each other, as an SVG file; the verdicts are those of the table."""
    rate_hz = new.manifest.song.rate_hz
    seconds = max(new.manifest.song.frames / rate_hz, 0.1)
    spans = [(part.name, part.start_frame / rate_hz, part.stop_frame / rate_hz) for part in new.manifest.sections]
    charts = []
    for change in compared.files:
        null = nulls.get(change.file)
        if null is None:
            continue
        chart = Chart(f"Residual of {change.file}", (0, seconds), (_LOWEST_DB, 0), height=150, top=34)
        chart.marks(spans)
        chart.grid(seconds_ticks(seconds), [(level, f"{level}") for level in (0, -48, -96, -144)])
        times = (np.arange(len(null.picture)) + 0.5) / STEPS_PER_S
        with np.errstate(divide="ignore"):
            levels = 20 * np.log10(null.picture)
        chart.band(times, np.full(len(times), _LOWEST_DB), levels[:, 0], PALE_BLUE)
        chart.curve(times, np.where(np.isfinite(levels[:, 1]), levels[:, 1], np.nan), BLUE)
        chart.caption(f"{change.file}: {change.verdict}; peak (area) and RMS (line) of the residual, dBFS")
        charts.append(chart)
    return stacked(charts, "Residual of every file")

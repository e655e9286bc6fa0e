"""One picture per take: the wave with its sections and faults, and the long-term spectrum with the fundamentals of the
strings, the noise of the gaps and the corners of the high-passes.

Colours are Okabe and Ito's, told apart by colour-blind eyes too. Levels are dB per Hz against full scale.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from layerpipe.clock import SongClock
from layerpipe.errors import OutputError
from layerpipe.hearing.checkup import Report, TakeReport
from layerpipe.hearing.notes import hz_of, number_of
from layerpipe.recipe import Recipe

BLUE, ORANGE, GREEN, RED, GREY, SKY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#6b6b6b", "#56B4E9"
COLUMNS = 1400
MOST_LABELS = 12
TICKS_HZ = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)
VERDICT_COLOURS = {"fine": GREEN, "look": ORANGE, "record again": RED}


def draw_takes(report: Report, recipe: Recipe | None, folder: Path) -> list[Path]:
    """Draw every take into a folder, which is made if need be; files of the same names are replaced.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    drawn = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number, one in enumerate(report.takes, start=1):
            name = "".join(c if c.isalnum() or c in "-_." else "-" for c in one.take.title).strip("-.") or "take"
            path = folder / f"{number:02d}-{name}.png"
            partial = path.with_name(path.name + ".partial")
            figure = _figure(one, recipe)
            try:
                # No date and no version: the same take gives the same bytes.
                figure.savefig(partial, format="png", dpi=110, metadata={"Software": None})
                partial.replace(path)
            finally:
                partial.unlink(missing_ok=True)
            drawn.append(path)
    except OSError as refusal:
        raise OutputError(f"{folder}: pictures cannot be written: {refusal.strerror or refusal}") from refusal
    return drawn


def _figure(one: TakeReport, recipe: Recipe | None) -> Any:
    """The picture of one take."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12, 7.2), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    wave, spectrum = figure.subplots(2, 1, height_ratios=(1, 1.25))
    tuning = one.take.tuning
    tuned = "tuning unknown" if tuning is None else f"{tuning.cents:+.1f} cents"
    loud = "" if one.take.lufs is None or not np.isfinite(one.take.lufs) else f", {one.take.lufs:.1f} LUFS"
    figure.suptitle(f"{one.take.title}: {one.verdict}   ({tuned}{loud})", fontsize=14, x=0.01, ha="left",
                    color=VERDICT_COLOURS[one.verdict])
    _draw_wave(wave, one, recipe)
    _draw_spectrum(spectrum, one)
    for axes in (wave, spectrum):
        axes.spines[["top", "right"]].set_visible(False)
        axes.tick_params(colors=GREY)
    return figure


def _draw_wave(axes: Any, one: TakeReport, recipe: Recipe | None) -> None:
    """Highest and lowest samples over time, sections, places of faults."""
    heard = one.take.heard
    group = max(1, len(heard.steps.highest) // COLUMNS)
    whole = len(heard.steps.highest) // group * group
    high = heard.steps.highest[:whole].reshape(-1, group).max(axis=1)
    low = heard.steps.lowest[:whole].reshape(-1, group).min(axis=1)
    at = (np.arange(len(high)) + 0.5) * group / 100
    top = max(heard.peak, 1e-4) * 1.35
    axes.fill_between(at, low, high, color=SKY, linewidth=0.6, edgecolor=SKY)
    axes.set(xlim=(0, max(heard.seconds, 0.01)), ylim=(-top, top), xlabel="seconds", ylabel="sample")
    axes.axhline(0, color=GREY, linewidth=0.4)
    if recipe is not None and SongClock.of(recipe).has_grid:
        clock = SongClock.of(recipe)
        for section in recipe.section:
            start, _ = clock.span_s(section)
            if start < heard.seconds:
                axes.axvline(start, color=GREY, linewidth=0.8, linestyle=(0, (2, 3)))
                axes.text(start, top * 0.97, f" {section.name}", color=GREY, fontsize=9, va="top")
    placed = [finding for finding in one.findings if finding.at_s is not None]
    for number, finding in enumerate(placed):
        colour = VERDICT_COLOURS[finding.verdict]
        axes.axvline(finding.at_s, color=colour, linewidth=1.1)
        if number < MOST_LABELS:
            height = -top * (0.98 - 0.11 * (number % 4))
            axes.text(finding.at_s, height, f" {finding.kind.replace('_', ' ')}", color=colour, fontsize=9, va="bottom")


def _draw_spectrum(axes: Any, one: TakeReport) -> None:
    """Long-term spectrum, noise, strings, corners, hum."""
    from matplotlib.ticker import FixedLocator, NullLocator

    take = one.take
    hz, density = take.density
    level = 10 * np.log10(density + 1e-30)
    shown = hz >= 10
    if not density.any():
        axes.text(0.5, 0.5, "silent", transform=axes.transAxes, color=GREY, ha="center")
        return
    axes.semilogx(hz[shown], level[shown], color=BLUE, linewidth=1.0, label="the take")
    bottom = max(float(np.percentile(level[shown], 2)) - 12, -190.0)
    if take.noise is not None:
        noise = 10 * np.log10(take.noise.density + 1e-30)
        audible = take.noise.hz >= 20
        axes.semilogx(take.noise.hz[audible], noise[audible], color=GREY, linewidth=1.0, label="the gaps")
        bottom = min(bottom, float(np.percentile(noise[audible], 5)) - 6)
    top = float(level[shown].max()) + 14
    axes.set(xlim=(10, take.heard.rate_hz / 2), ylim=(bottom, top), xlabel="Hz", ylabel="dB per Hz")
    for number, name in enumerate(take.strings):
        string = hz_of(number_of(name), take.a4_hz)
        axes.axvline(string, color=GREEN, linewidth=0.9, alpha=0.8)
        axes.text(string, top - 1 - 4.5 * (number % 2), f" {name}", color=GREEN, fontsize=9, va="top")
    for number, corner in enumerate(take.chain.high_pass):
        axes.axvline(corner.hz, color=ORANGE, linewidth=1.3, linestyle=(0, (5, 3)))
        axes.text(corner.hz, bottom + (top - bottom) * (0.05 + 0.07 * (number % 2)), f" high-pass {corner.hz:g}",
                  color=ORANGE, fontsize=9, ha="left")
    if take.hum is not None and any(finding.kind == "hum" for finding in one.findings):
        axes.plot([line[0] for line in take.hum.lines], [bottom + 2] * len(take.hum.lines), "^", color=RED, label="hum")
    if take.band_limit is not None:
        axes.axvline(take.band_limit.edge_hz, color=RED, linewidth=1.2)
        axes.text(take.band_limit.edge_hz, top - 8, "ends here ", color=RED, fontsize=9, ha="right")
    axes.legend(frameon=False, fontsize=9, loc="lower left", labelcolor=GREY)
    axes.xaxis.set_major_locator(FixedLocator([at for at in TICKS_HZ if at <= take.heard.rate_hz / 2]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")

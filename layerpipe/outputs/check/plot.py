"""One picture per take: the wave with its sections and faults, and the long-term spectrum with the fundamentals of the
strings, the noise in the pauses and the corners of the high-passes.

Levels are dB per Hz relative to full scale.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from layerpipe.analysis.defects.pitch.lowest_notes import hz_of, number_of
from layerpipe.core.errors import OutputError
from layerpipe.core.sound import FloatArray
from layerpipe.outputs.check.report import Report, TakeReport
from layerpipe.outputs.drawing.mpl import picture
from layerpipe.outputs.drawing.palette import BLUE, GREEN, GREY, ORANGE, SKY
from layerpipe.outputs.drawing.palette import VERMILION as RED
from layerpipe.recipe.model.recipe import Recipe
from layerpipe.recipe.tempo_map import TempoMap

COLUMNS = 1400
"""About the width of the axes in pixels."""
BINS_PER_OCTAVE, LOWEST_SHOWN_DB = 36, -165.0
CHARACTER = 0.0068
"""About the width of a letter of a label, as a share of the axes."""
LABELS = {"dc": "DC offset", "dropout": "drop-out", "clipping": "clipped"}
"""Of kinds whose names are no words."""
TICKS_HZ = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)
_LONGEST_NAME = 60
"""Characters; a file name may have 255 bytes, and a character up to four."""
Mark = tuple[float, str, str]
"""Where (seconds or Hz), name and colour."""
VERDICT_COLOURS = {"OK": GREEN, "review": ORANGE, "re-record": RED}


def draw_takes(report: Report, recipe: Recipe | None, folder: Path, *,
               before_writing: Callable[[Sequence[Path]], None] = lambda paths: None) -> list[Path]:
    """Draw every take into a folder, which is made if needed; files of the same names are replaced.

    Parameters
    ----------
    report : Report
    recipe : Recipe, optional
        Gives sections.
    folder : Path
    before_writing : function of paths
        Called with every file, before any is written; it may refuse.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    drawn = [folder / f"{number:02d}-{_file_name(one.take.title)}.png"
             for number, one in enumerate(report.takes, start=1)]
    before_writing(drawn)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as refusal:
        raise OutputError(f"{folder}: pictures cannot be written: {refusal.strerror or refusal}") from refusal
    for path, one in zip(drawn, report.takes, strict=True):
        with picture(path, inches=(12, 7.2), dpi=110, line_width=0.8) as figure:
            _draw(figure, one, recipe)
    return drawn


def _file_name(title: str) -> str:
    """A take's title as part of a file name."""
    name = "".join(c if c.isalnum() or c in "-_." else "-" for c in title.replace(" / ", "-"))
    return name[:_LONGEST_NAME].strip("-.") or "take"


def _draw(figure: Any, one: TakeReport, recipe: Recipe | None) -> None:
    """The picture of one take."""
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


def _draw_wave(axes: Any, one: TakeReport, recipe: Recipe | None) -> None:
    """Highest and lowest samples over time, sections, faults, every clipped peak."""
    measured = one.take.measured
    high, low = one.take.steps.highest, one.take.steps.lowest
    group = max(1, len(high) // COLUMNS)
    whole = len(high) // group * group
    high, low = high[:whole].reshape(-1, group).max(axis=1), low[:whole].reshape(-1, group).min(axis=1)
    at = (np.arange(len(high)) + 0.5) * group / 100
    top = max(measured.peak, 1e-4) * 1.35
    axes.fill_between(at, low, high, color=SKY, linewidth=0.6, edgecolor=SKY)
    axes.set(xlim=(0, max(measured.seconds, 0.01)), ylim=(-top, top), xlabel="seconds", ylabel="amplitude")
    axes.axhline(0, color=GREY, linewidth=0.4)
    sections: list[Mark] = []
    if recipe is not None and TempoMap.of(recipe).has_grid:
        tempo_map = TempoMap.of(recipe)
        starts = [(tempo_map.span_s(section)[0], section.name) for section in recipe.section]
        sections = [(start, name, GREY) for start, name in starts if start < measured.seconds]
    for start, _, _ in sections:
        axes.axvline(start, color=GREY, linewidth=0.8, linestyle=(0, (2, 3)))
    faults = [(finding.at_s, LABELS.get(finding.kind, finding.kind.replace("_", " ")), VERDICT_COLOURS[finding.verdict])
              for finding in one.findings if finding.at_s is not None]
    for start, _, colour in faults:
        axes.axvline(start, color=colour, linewidth=1.1)
    clip = one.take.clipping
    if clip is not None:
        colour = next(VERDICT_COLOURS[finding.verdict] for finding in one.findings if finding.kind == "clipping")
        axes.plot([at / measured.rate_hz for at in clip.places], [0.9 * top] * len(clip.places), "|", color=colour,
                  markersize=9, label="clipped")
    _name(axes, sections, (0.96, 0.89))
    _name(axes, faults, (0.04, 0.11, 0.18, 0.25))


def _draw_spectrum(axes: Any, one: TakeReport) -> None:
    """Long-term spectrum, noise, strings, corners, hum."""
    from matplotlib.ticker import FixedLocator, NullLocator

    take = one.take
    if not take.density[1].any():
        axes.text(0.5, 0.5, "silent", transform=axes.transAxes, color=GREY, ha="center")
        axes.set(xticks=[], yticks=[])
        return
    hz, level = _smooth(*take.density, 10)
    axes.semilogx(hz, level, color=BLUE, linewidth=1.1, label="playing")
    bottom = float(np.percentile(level, 2)) - 16
    if take.noise is not None:
        noise_hz, noise = _smooth(take.noise.hz, take.noise.density, 20)
        axes.semilogx(noise_hz, noise, color=GREY, linewidth=1.1, label="pauses")
        bottom = min(bottom, float(np.percentile(noise, 5)) - 16)
    bottom = max(bottom, LOWEST_SHOWN_DB)
    axes.set(xlim=(10, take.measured.rate_hz / 2), ylim=(bottom, float(level.max()) + 0.2 * (level.max() - bottom)),
             xlabel="Hz", ylabel="dB per Hz")
    strings = sorted((hz_of(number_of(name), take.a4_hz), name, GREEN) for name in take.strings)
    for at, _, _ in strings:
        axes.axvline(at, color=GREEN, linewidth=0.9, alpha=0.8)
    corners = [(corner.hz, f"high-pass {corner.hz:g}", ORANGE) for corner in take.chain.high_pass]
    for at, _, _ in corners:
        axes.axvline(at, color=ORANGE, linewidth=1.3, linestyle=(0, (5, 3)))
    if take.hum is not None and any(finding.kind == "hum" for finding in one.findings):
        axes.plot([line[0] for line in take.hum.lines], [bottom + 2] * len(take.hum.lines), "^", color=RED, label="hum")
    if take.band_limit is not None:
        corners.append((take.band_limit.edge_hz, "ends here", RED))
        axes.axvline(take.band_limit.edge_hz, color=RED, linewidth=1.2)
    _name(axes, strings, (0.97, 0.92, 0.87))
    _name(axes, corners, (0.07, 0.12, 0.17))
    axes.legend(fontsize=9, loc="upper right", labelcolor=GREY, facecolor="white", edgecolor="none", framealpha=0.85)
    axes.xaxis.set_major_locator(FixedLocator([at for at in TICKS_HZ if at <= take.measured.rate_hz / 2]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")


def _smooth(hz: FloatArray, density: FloatArray, lowest_hz: float) -> tuple[FloatArray, FloatArray]:
    """Means over 1/36 octave, in dB."""
    kept = hz >= lowest_hz
    hz, density = hz[kept], density[kept]
    edges = np.flatnonzero(np.diff(np.floor(BINS_PER_OCTAVE * np.log2(hz)), prepend=-1.0))
    counts = np.diff(np.append(edges, len(hz)))
    return (np.add.reduceat(hz, edges) / counts,
            10 * np.log10(np.add.reduceat(density, edges) / counts + 1e-30))


def _name(axes: Any, marks: Sequence[Mark], rows: Sequence[float]) -> None:
    """Write names beside marks, each in the first row (share of the height) where it fits; where none fits, nowhere."""
    taken: list[tuple[float, float, float]] = []
    for at, words, colour in marks:
        start = float((axes.transScale + axes.transLimits).transform((at, 0))[0])
        width = CHARACTER * (len(words) + 1.5)
        left = start if start + width < 1 else start - width
        row = next((row for row in rows if all(row != other or left >= stop or left + width <= begin
                                               for other, begin, stop in taken)), None)
        if row is None:
            continue
        taken.append((row, left, left + width))
        axes.text(at, row, f" {words}" if left == start else f"{words} ", color=colour, fontsize=9, va="center",
                  ha="left" if left == start else "right", transform=axes.get_xaxis_transform(), zorder=5,
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.4})

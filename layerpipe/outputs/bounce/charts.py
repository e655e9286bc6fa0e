"""The charts of the delivery sheet: waveforms with their sections, loudness over time, overlaid spectra.

Drawn from what was gathered while the stems were written; the same bounce gives the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.loudness.bs1770 import HOP_STEPS, SHORT_TERM_STEPS, STEPS_PER_S, lufs_of_powers
from layerpipe.outputs.bounce.stem import Stem
from layerpipe.outputs.drawing.palette import INK, LINES
from layerpipe.outputs.drawing.svg import DASHES, Chart, seconds_ticks
from layerpipe.render.energies.readings import Blend
from layerpipe.render.song import ProcessedSong

_MOST_POINTS = 600
"""Of a curve: more are finer than a pixel."""
_SHOWN_LU, _SHOWN_DB = 36.0, 60.0
"""Heights of the loudness and spectrum charts; lower levels are not heard beside the highest."""


@dataclass(frozen=True)
class LineStyle:
    """How a layer is drawn."""

    name: str
    colour: str
    dash: str


@dataclass(frozen=True)
class Charts:
    """SVG text, ready for a page; empty if there is nothing to draw."""

    waveforms: tuple[str, ...]
    loudness: str
    spectra: str
    layers: tuple[LineStyle, ...]


def draw_charts(song: ProcessedSong, stems: Sequence[Stem], blends: Mapping[str, Blend]) -> Charts:
    """Draw a bounce.

    Parameters
    ----------
    song : ProcessedSong
    stems : sequence of Stem
        From `write_stems`.
    blends : mapping of path to Blend
        Each stem's energies.
    """
    seconds = max(song.frames / song.rate_hz, 0.1)
    spans = [(part.name, part.start / song.rate_hz, part.stop / song.rate_hz) for part in song.sections]
    layers = [stem for stem in stems if stem.kind == "layer"]
    styles = tuple(LineStyle(stem.name, LINES[n % len(LINES)], DASHES[n % len(DASHES)])
                   for n, stem in enumerate(layers))
    styled = list(zip(layers, styles, strict=True))
    blend = next(stem for stem in stems if stem.kind == "blend")
    drawn = [*styled, (blend, LineStyle("blend", INK, ""))]
    return Charts(_waveforms(drawn, seconds, spans), _loudness(drawn, blends, seconds, spans), _spectra(styled),
                  styles)


def _waveforms(drawn: Sequence[tuple[Stem, LineStyle]], seconds: float,
               spans: Sequence[tuple[str, float, float]]) -> tuple[str, ...]:
    """The envelope of each layer and of the blend, all to one scale."""
    overviews = [stem.overview for stem, _ in drawn if stem.overview is not None]
    highest = max((float(max(overview.high.max(), -overview.low.min())) for overview in overviews), default=0.0) or 1.0
    charts = []
    for n, ((stem, style), overview) in enumerate(zip(drawn, overviews, strict=True)):
        top, bottom = 34 if n == 0 else 18, 20 if n + 1 == len(drawn) else 2
        chart = Chart(f"Waveform of {stem.name}", (0, seconds), (-highest, highest), height=66 + top + bottom,
                      top=top, bottom=bottom)
        chart.marks(spans, named=n == 0)
        chart.grid(seconds_ticks(seconds) if bottom > 2 else [], [(0.0, "")])
        times = (overview.edges[:-1] + overview.edges[1:]) / 2 / max(int(overview.edges[-1]), 1) * seconds
        # Silence is a hairline.
        hair = highest / 80
        chart.band(times, np.minimum(overview.low, -hair), np.maximum(overview.high, hair), style.colour)
        chart.caption(stem.name)
        charts.append(chart.svg())
    return tuple(charts)


def _loudness(drawn: Sequence[tuple[Stem, LineStyle]], blends: Mapping[str, Blend], seconds: float,
              spans: Sequence[tuple[str, float, float]]) -> str:
    """Short-term loudness of layers and blend, each point at the middle of its three seconds."""
    curves = [(style, *_short_term(blends[stem.path])) for stem, style in drawn]
    highest = [float(level[np.isfinite(level)].max()) for _, _, level in curves if np.isfinite(level).any()]
    if not highest:
        return ""
    top = 6.0 * math.ceil((max(highest) + 0.5) / 6)
    low = top - _SHOWN_LU
    chart = Chart("Short-term loudness of the layers and the blend over the song", (0, seconds), (low, top), height=188,
                  top=34)
    chart.marks(spans)
    chart.grid(seconds_ticks(seconds), [(level, f"{level:.0f}") for level in np.arange(low, top + 1, 6)])
    for style, times, level in curves:
        shown = np.where(level >= low, level, np.nan)
        chart.curve(times, shown, style.colour, dash=style.dash, width=2.0 if style.name == "blend" else 1.6)
    chart.caption("LUFS, short-term (3 s)")
    return chart.svg()


def _short_term(blend: Blend) -> tuple[FloatArray, FloatArray]:
    """Times in seconds and loudness in LUFS of the 3 s blocks, fewer in long songs."""
    power = blend.gating_blocks(blend.stereo, 0, None, SHORT_TERM_STEPS)
    every = -(-len(power) // _MOST_POINTS) or 1
    times = (np.arange(len(power)) * HOP_STEPS + SHORT_TERM_STEPS / 2) / STEPS_PER_S
    return times[::every], lufs_of_powers(power[::every])


def _spectra(drawn: Sequence[tuple[Stem, LineStyle]]) -> str:
    """The layers' long-term spectra, overlaid."""
    found = [(style, stem.overview.spectrum()) for stem, style in drawn if stem.overview is not None]
    levels = [float(spectrum.levels_db.max()) for _, spectrum in found]
    if not levels or max(levels) == -math.inf:
        return ""
    top = 10.0 * math.ceil((max(levels) + 1) / 10)
    low = top - _SHOWN_DB
    highest = float(found[0][1].centres_hz[-1])
    chart = Chart("Long-term spectra of the layers", (float(found[0][1].centres_hz[0]), highest), (low, top),
                  height=190, log_x=True, top=20)
    marks = [(50, "50"), (100, "100"), (200, "200"), (500, "500"), (1000, "1k"), (2000, "2k"), (5000, "5k"),
             (10_000, "10k"), (20_000, "20k")]
    chart.grid([(hz, words) for hz, words in marks if hz <= highest * 1.01],
               [(level, f"{level:.0f}") for level in np.arange(low, top + 1, 20)])
    for style, spectrum in found:
        shown: npt.NDArray[np.float64] = np.where(spectrum.levels_db >= low, spectrum.levels_db, np.nan)
        chart.curve(spectrum.centres_hz, shown, style.colour, dash=style.dash, width=1.8)
    chart.caption("dB per sixth of an octave, over Hz")
    return chart.svg()

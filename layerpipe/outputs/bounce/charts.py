"""The pictures of the delivery sheet: waveforms under the section marks, loudness over time, spectra overlaid.

Drawn from what was gathered while the stems were written; the same bounce gives the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.loudness import HOP_STEPS, SHORT_TERM_STEPS, STEPS_PER_S, lufs_of_powers
from layerpipe.outputs.bounce.stem import Stem
from layerpipe.outputs.drawing.svg import COLOURS, DASHES, INK, Chart, seconds_ticks
from layerpipe.render.energies.readings import Blend
from layerpipe.render.song import ProcessedSong

_MOST_POINTS = 600
_SHOWN_LU, _SHOWN_DB = 36.0, 60.0


@dataclass(frozen=True)
class Legend:
    """How a layer is drawn."""

    name: str
    colour: str
    dash: str


@dataclass(frozen=True)
class Pictures:
    """SVG text, ready to stand in a page; empty where there is nothing to draw."""

    waveforms: tuple[str, ...]
    loudness: str
    spectra: str
    legend: tuple[Legend, ...]


def draw_pictures(song: ProcessedSong, stems: Sequence[Stem], blends: Mapping[str, Blend]) -> Pictures:
    """Draw a bounce.

    Parameters
    ----------
    song : ProcessedSong
    stems : sequence of Stem
        As `write_stems` handed them back.
    blends : mapping of path to Blend
        Each stem's energies.
    """
    seconds = max(song.frames / song.rate_hz, 0.1)
    spans = [(part.name, part.start / song.rate_hz, part.stop / song.rate_hz) for part in song.sections]
    layers = [stem for stem in stems if stem.kind == "layer"]
    legend = tuple(Legend(stem.name, COLOURS[n % len(COLOURS)], DASHES[n % len(DASHES)])
                   for n, stem in enumerate(layers))
    whole = [(stem, look) for stem, look in zip(layers, legend, strict=True)]
    blend = next(stem for stem in stems if stem.kind == "blend")
    drawn = [*whole, (blend, Legend("blend", INK, ""))]
    return Pictures(_waveforms(drawn, seconds, spans), _loudness(drawn, blends, seconds, spans), _spectra(whole),
                    legend)


def _waveforms(drawn: Sequence[tuple[Stem, Legend]], seconds: float,
               spans: Sequence[tuple[str, float, float]]) -> tuple[str, ...]:
    """One envelope a layer and one for the blend, all to one scale."""
    glances = [stem.glance for stem, _ in drawn if stem.glance is not None]
    highest = max((float(max(glance.high.max(), -glance.low.min())) for glance in glances), default=0.0) or 1.0
    charts = []
    for n, ((stem, look), glance) in enumerate(zip(drawn, glances, strict=True)):
        last = n + 1 == len(drawn)
        chart = Chart(f"Waveform of {stem.name}", (0, seconds), (-highest, highest), height=(70 if n else 86)
                      + (18 if last else 0), top=18 if n == 0 else 2, bottom=20 if last else 2)
        chart.marks(spans, named=n == 0)
        chart.grid(seconds_ticks(seconds) if last else [], [(0.0, "")])
        times = (glance.edges[:-1] + glance.edges[1:]) / 2 / max(int(glance.edges[-1]), 1) * seconds
        # A hairline stays to be seen where there is silence.
        hair = highest / 80
        chart.band(times, np.minimum(glance.low, -hair), np.maximum(glance.high, hair), look.colour)
        chart.note(stem.name)
        charts.append(chart.svg())
    return tuple(charts)


def _loudness(drawn: Sequence[tuple[Stem, Legend]], blends: Mapping[str, Blend], seconds: float,
              spans: Sequence[tuple[str, float, float]]) -> str:
    """Short-term loudness of layers and blend, each point in the middle of its three seconds."""
    curves = [(look, *_short_term(blends[stem.path])) for stem, look in drawn]
    heard = [float(level[np.isfinite(level)].max()) for _, _, level in curves if np.isfinite(level).any()]
    if not heard:
        return ""
    top = 6.0 * math.ceil((max(heard) + 0.5) / 6)
    low = top - _SHOWN_LU
    chart = Chart("Short-term loudness of the layers and the blend over the song", (0, seconds), (low, top), height=172)
    chart.marks(spans)
    chart.grid(seconds_ticks(seconds), [(level, f"{level:.0f}") for level in np.arange(low, top + 1, 6)])
    for look, times, level in curves:
        shown = np.where(level >= low, level, np.nan)
        chart.curve(times, shown, look.colour, dash=look.dash, width=2.0 if look.name == "blend" else 1.6)
    chart.note("LUFS, short-term (3 s)")
    return chart.svg()


def _short_term(blend: Blend) -> tuple[FloatArray, FloatArray]:
    """Times in seconds and loudness in LUFS of the 3 s blocks, thinned out for long songs."""
    power = blend.gating_blocks(blend.stereo, 0, None, SHORT_TERM_STEPS)
    every = -(-len(power) // _MOST_POINTS) or 1
    times = (np.arange(len(power)) * HOP_STEPS + SHORT_TERM_STEPS / 2) / STEPS_PER_S
    return times[::every], lufs_of_powers(power[::every])


def _spectra(drawn: Sequence[tuple[Stem, Legend]]) -> str:
    """The layers' long-term spectra over each other."""
    found = [(look, stem.glance.spectrum()) for stem, look in drawn if stem.glance is not None]
    levels = [float(spectrum.levels_db.max()) for _, spectrum in found]
    if not levels or max(levels) == -math.inf:
        return ""
    top = 10.0 * math.ceil((max(levels) + 1) / 10)
    low = top - _SHOWN_DB
    highest = float(found[0][1].centres_hz[-1])
    chart = Chart("Long-term spectra of the layers", (float(found[0][1].centres_hz[0]), highest), (low, top),
                  height=178, log_x=True, top=8)
    marks = [(50, "50"), (100, "100"), (200, "200"), (500, "500"), (1000, "1k"), (2000, "2k"), (5000, "5k"),
             (10_000, "10k"), (20_000, "20k Hz")]
    chart.grid([(hz, words) for hz, words in marks if hz <= highest * 1.01],
               [(level, f"{level:.0f}") for level in np.arange(low, top + 1, 20)])
    for look, spectrum in found:
        shown: npt.NDArray[np.float64] = np.where(spectrum.levels_db >= low, spectrum.levels_db, np.nan)
        chart.curve(spectrum.centres_hz, shown, look.colour, dash=look.dash, width=1.8)
    chart.note("dB per sixth of an octave")
    return chart.svg()

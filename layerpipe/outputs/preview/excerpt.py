"""A section as it is heard by itself: lead-in, ring-out, short fades, and its versions mixed from the takes.

Positions are frames of the song. A version's sound is (frames, 2) float64, before the gain that makes all equally loud.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.core.units import frames_of_s
from layerpipe.dsp.loudness import STEPS_PER_S, step_start, step_starts
from layerpipe.recipe.model import Layer
from layerpipe.render.energies.readings import Gains
from layerpipe.render.song import ProcessedSong, Stretch

FADE_IN_S, FADE_OUT_S = 0.05, 0.5


@dataclass(frozen=True)
class Version:
    """One way to hear a section."""

    label: str
    layers: tuple[Layer, ...]
    with_bed: bool = False


@dataclass(frozen=True)
class Excerpt:
    """A stretch with its lead-in and ring-out, and where it fades."""

    part: Stretch
    start: int
    stop: int
    fade_in: int
    fade_out: int

    def fade(self, start: int, stop: int) -> FloatArray:
        """Gain of song frames start to stop, shape (stop - start,): raised cosines at both ends."""
        at = np.arange(start, stop)
        rise = np.clip((at - self.start) / max(self.fade_in, 1), 0, 1) if self.fade_in else np.ones(len(at))
        fall = np.clip((self.stop - at) / max(self.fade_out, 1), 0, 1) if self.fade_out else np.ones(len(at))
        gain: FloatArray = (1 - np.cos(np.pi * rise)) / 2 * (1 - np.cos(np.pi * fall)) / 2
        return gain

    def fade_of_steps(self, edges: npt.NDArray[np.int64]) -> FloatArray:
        """Effective (rms) gain of the fades in each step between edges, shape (steps,)."""
        rms = np.ones(len(edges) - 1)
        faded = (edges[:-1] < self.start + self.fade_in) | (edges[1:] > self.stop - self.fade_out)
        for step in np.flatnonzero(faded):
            rms[step] = np.sqrt(np.mean(self.fade(int(edges[step]), int(edges[step + 1])) ** 2))
        return rms


def excerpt_of(song: ProcessedSong, part: Stretch) -> Excerpt:
    """A stretch as it is heard: a lead-in of some beats, a ring-out, short fades where the sound is cut."""
    wanted = song.recipe.preview
    lead_s = 0.0
    if part.section is not None and wanted.lead_in_beats:
        lead_s = wanted.lead_in_beats * song.tempo_map.beat_s(part.section.bars[0])
    start = max(0, part.start - frames_of_s(lead_s, song.rate_hz))
    stop = min(song.frames, part.stop + frames_of_s(wanted.tail_s, song.rate_hz))
    # On a step of the energies, so that the file's own gating blocks are the ones that were measured.
    start = step_start(start * STEPS_PER_S // song.rate_hz, song.rate_hz)
    fade_in = min(frames_of_s(FADE_IN_S, song.rate_hz), part.start - start) if start > 0 else 0
    fade_out = min(frames_of_s(FADE_OUT_S, song.rate_hz), stop - part.stop) if stop < song.frames else 0
    return Excerpt(part, start, stop, fade_in, fade_out)


def faded_gains(song: ProcessedSong, excerpt: Excerpt, version: Version) -> tuple[Gains, Gains]:
    """A version's gains of both sides in every step, fades included."""

    def side(n: int) -> Gains:
        rows = song.rows(version.layers, n)

        def faded(first: int, stop: int) -> FloatArray:
            gains = rows(first, stop)
            if version.with_bed:
                gains = gains + song.bed_row(n)
            return gains * excerpt.fade_of_steps(step_starts(first, stop, song.rate_hz))[:, None]

        return faded

    return side(0), side(1)


@dataclass
class ExcerptSound:
    """An excerpt's takes, whole second by whole second; kept when they were read, if they are to be."""

    song: ProcessedSong
    excerpt: Excerpt
    keep: bool
    _kept: list[tuple[int, list[Float32Array]]] = field(default_factory=list)

    def versions(self, versions: Sequence[Version]) -> Iterator[tuple[int, list[FloatArray]]]:
        """First frame of each piece and the versions' sound there, faded; no layer is mixed twice."""
        wanted = {layer.name: layer for version in versions for layer in version.layers}
        for at, blocks in self._pieces():
            end = at + len(blocks[0])
            layers = {name: self.song.layer_of(layer, blocks, at) for name, layer in wanted.items()}
            is_faded = at < self.excerpt.start + self.excerpt.fade_in or end > self.excerpt.stop - self.excerpt.fade_out
            fade = self.excerpt.fade(at, end)[:, None] if is_faded else None
            sounds = []
            for version in versions:
                sound, *others = (layers[layer.name] for layer in version.layers)
                for other in others:
                    sound = sound + other
                if version.with_bed and self.song.bed is not None:
                    sound = sound + self.song.bed.read(at, end) * self.song.bed_gain
                sounds.append(sound if fade is None else sound * fade)
            yield at, sounds

    def _pieces(self) -> Iterator[tuple[int, list[Float32Array]]]:
        """The takes' blocks; what is kept in the store is checked by whole seconds."""
        if self._kept:
            yield from self._kept
            return
        rate_hz = self.song.rate_hz
        for at in range(self.excerpt.start // rate_hz * rate_hz, self.excerpt.stop, rate_hz):
            start, stop = max(at, self.excerpt.start), min(at + rate_hz, self.excerpt.stop)
            piece = next(self.song.blocks(start, stop, rate_hz))
            if self.keep:
                self._kept.append(piece)
            yield piece

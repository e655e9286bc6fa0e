"""How bright a blend is and where a layer is audible in it, at any level of that layer: read from energies by band.

Brightness: the share of the energy above 4 kHz in dB, after "brightness" in Lartillot and Toiviainen, A Matlab toolbox
for musical feature extraction from audio, DAFx 2007 (from memory; they cut at 1.5 kHz and sum magnitudes).
Audibility: `dsp.masking`, per step of about 43 ms.
"""

from __future__ import annotations

import itertools
import math

import numpy as np

from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.core.units import db_of_power
from layerpipe.dsp.band_energies import BandGrid, weights_of
from layerpipe.dsp.masking import STEPS_LASTING, masked_thresholds
from layerpipe.outputs.levels.bands import Bands
from layerpipe.recipe.model.recipe import Layer
from layerpipe.render.song import ProcessedSong, SongPart

AUDIBLE_SHARE = 0.05
"""A band counts as audible when the layer is above its threshold for this share of the time; ours, no source."""


class Spectrum:
    """Band energies of one part as a quadratic in the layer's gain, and where the layer exceeds the threshold."""

    def __init__(self, song: ProcessedSong, bands: Bands, layer: Layer, part: SongPart) -> None:
        grid = bands.grid
        mine = np.array([float(other is layer) for other in song.layers])
        spans = [(start, stop, np.array([0.0 if other is layer else _level_at(song, other, start)
                                         for other in song.layers])) for start, stop in _spans_of_one_level(
                                             song, layer, part)]
        # Rest with rest, rest with layer, layer with layer; above 4 kHz and in all.
        totals = np.zeros((3, 2))
        for start, stop, rest in spans:
            ramp = _ramp_begins(song, layer, start, stop)
            if ramp > start:
                mixes = ((rest, rest), (rest, mine), (mine, mine))
                totals += np.stack([weights_of(*mix) for mix in mixes]) @ bands.bright_and_all(song, start, ramp)
            if ramp < stop:
                totals += bands.bright_and_all_of(song, layer, ramp, stop)
        self._bright, self._all = totals.T
        steps = [grid.steps_inside(start, stop) for start, stop, _ in spans]
        self._steps = sum(min(stop, bands.steps) - min(first, bands.steps) for first, stop in steps)
        needed = _Needed(grid, self._steps)
        for (first, stop), (_, _, rest) in zip(steps, spans, strict=True):
            for products in bands.chunks(first, stop):
                needed.add(_mixed(products, weights_of(rest, rest)), _mixed(products, weights_of(mine, mine)))
        if self._steps:
            self._by_band, self._by_step = needed.by_band(), needed.by_step()

    def brightness_db(self, gains: FloatArray) -> list[float | None]:
        """Share of the energy above 4 kHz at each gain."""
        shares: list[float | None] = []
        for gain in gains:
            bright, total = ((energy[0] + 2 * gain * energy[1] + gain * gain * energy[2])
                             for energy in (self._bright, self._all))
            shares.append(db_of_power(max(0.0, float(bright / total))) if total > 0 else None)
        return shares

    def audible_bands(self, gains: FloatArray) -> list[int | None]:
        """Bands that count as audible at each gain."""
        if not self._steps:
            return [None] * len(gains)
        return [int(np.count_nonzero(self._by_band < gain * gain)) for gain in gains]

    def audible_share(self, gains: FloatArray) -> list[float | None]:
        """Share of the time in which any band is above its threshold, at each gain."""
        if not self._steps:
            return [None] * len(gains)
        return [int(np.searchsorted(self._by_step, gain * gain)) / self._steps for gain in gains]

    def audible_from_db(self) -> float | None:
        """The level above which a band counts as audible."""
        lowest = float(self._by_band.min()) if self._steps else math.inf
        return db_of_power(lowest) if math.isfinite(lowest) else None


class _Needed:
    """The power of the gain that lifts a layer to the masked threshold: of each step, and the lowest of each band.

    Parameters
    ----------
    grid : BandGrid
    steps : int
        As many will be added; of each band the lowest `AUDIBLE_SHARE` of them are kept.
    """

    def __init__(self, grid: BandGrid, steps: int) -> None:
        self._grid, self._lowest = grid, math.ceil(AUDIBLE_SHARE * steps)
        self._past: Float32Array = np.zeros((0, grid.bands), np.float32)
        self._kept: Float32Array = np.zeros((3 * self._lowest // 2 + 1, grid.bands), np.float32)
        self._held = self._done = 0
        self._by_step: Float32Array = np.zeros(steps, np.float32)

    def add(self, rest: Float32Array, mine: Float32Array) -> None:
        """Add the next steps: energies of the rest and of the layer, shape (steps, segments)."""
        grid = self._grid
        masker, sound = (np.maximum(np.add.reduceat(energy[:, : grid.of_band[-1]], grid.of_band[:-1], axis=1), 0.0)
                         / np.float32(grid.step_frames) for energy in (rest, mine))
        heard = np.concatenate([self._past, masker])
        threshold = masked_thresholds(heard, grid.edges_hz, grid.step_frames / grid.rate_hz)[len(self._past) :]
        self._past = heard[-STEPS_LASTING:]
        needed = np.full(sound.shape, np.inf, np.float32)
        np.divide(threshold, sound, out=needed, where=sound > 0)
        self._by_step[self._done : self._done + len(needed)] = needed.min(axis=1)
        self._done += len(needed)
        while len(needed):
            # Not each time: that would take longer the longer the song is.
            if self._held == len(self._kept):
                self._kept.partition(self._lowest - 1, axis=0)
                self._held = self._lowest
            some, needed = np.split(needed, [len(self._kept) - self._held])
            self._kept[self._held : self._held + len(some)] = some
            self._held += len(some)

    def by_step(self) -> Float32Array:
        """The least of all bands at each step, ascending."""
        self._by_step.sort()
        return self._by_step

    def by_band(self) -> Float32Array:
        """Of each band the highest of the `lowest` lowest, shape (bands,)."""
        held = self._kept[: self._held]
        held.partition(self._lowest - 1, axis=0)
        highest: Float32Array = held[self._lowest - 1].copy()
        return highest


def _mixed(products: Float32Array, weights: FloatArray) -> Float32Array:
    """Weighted sums of products (steps, pairs, segments) over the pairs."""
    weights = weights.astype(np.float32)
    total = np.zeros((len(products), products.shape[2]), np.float32)
    for pair in np.flatnonzero(weights):
        total += weights[pair] * products[:, pair]
    return total


def _spans_of_one_level(song: ProcessedSong, layer: Layer, part: SongPart) -> list[tuple[int, int]]:
    """The part cut where another layer's level changes; each span ends on the frame where the change is complete."""
    inside = {frame for other in song.layers if other is not layer for frame in song.plans[other.name].at
              if part.start < frame < part.stop}
    edges = [part.start, *sorted(inside), part.stop]
    return list(itertools.pairwise(edges))


def _ramp_begins(song: ProcessedSong, layer: Layer, start: int, stop: int) -> int:
    """Where in a span another layer's level begins to change; its end if none does."""
    begins = [frame - plan.ramp_frames for plan in (song.plans[other.name] for other in song.layers
                                                    if other is not layer) for frame in plan.at if frame > start]
    return max(start, min(stop, *begins)) if begins else stop


def _level_at(song: ProcessedSong, layer: Layer, frame: int) -> float:
    """A layer's gain by the recipe at a frame."""
    plan = song.plans[layer.name]
    return plan.gain[int(np.searchsorted(plan.at, frame, side="right")) - 1]

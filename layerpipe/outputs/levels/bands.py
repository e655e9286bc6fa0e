"""The band energies of a song's layers, step by step: measured once, stored in one file, enough for any level.

Stored are, for every step of about 43 ms and every segment of `dsp.spectra`, the inner products of the layers at
level 0 dB, panned and with their takes' gains, both sides added up; float32. A change of a level or a section reads
them again; a change of a pan or a take measures anew. One step is one record.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import Float32Array, FloatArray, OnProgress
from layerpipe.dsp.band_energies import HOPS_PER_STEP, BandGrid, band_grid, band_products, bright_products
from layerpipe.recipe.model.recipe import Layer
from layerpipe.render.energies.records import Records, Spool
from layerpipe.render.song import ProcessedSong

_STEPS_AT_ONCE = 32
_MARGIN_HOPS = 4


class Bands(Records):
    """Inner products of a song's layers by step; a record has shape (pairs, segments)."""

    magic, kind = b"layerpipe bands2", "<f4"

    @property
    def record_shape(self) -> tuple[int, int]:
        """Pairs of layers by segments."""
        layers, segments = self.sizes
        return layers * (layers + 1) // 2, segments

    @property
    def grid(self) -> BandGrid:
        """The steps and bands."""
        return band_grid(self.rate_hz)

    def chunks(self, first_step: int, stop_step: int) -> Iterator[Float32Array]:
        """Read steps first to stop in pieces, shape (steps, pairs, segments)."""
        stop = min(stop_step, self.steps)
        for at in range(first_step, stop, self.at_once):
            yield self.read(at, min(at + self.at_once, stop))

    def bright_and_all(self, song: ProcessedSong, start: int, stop: int) -> FloatArray:
        """Products of the layers above 4 kHz, and at all frequencies, from frame to frame, shape (pairs, 2).

        What the steps omit at the ends, a few dozen milliseconds, is read from the sound.
        """
        grid = self.grid
        first, end = grid.steps_whole(start, stop)
        # Nothing sounds before and after the song: steps that reach out there are whole too.
        first = 0 if start <= 0 else first
        end = self.steps if stop >= self.frames else end
        total = np.zeros((self.record_shape[0], 2))
        for inside in self.chunks(first, end):
            total += np.stack([part.sum(axis=(0, 2), dtype=np.float64)
                               for part in (inside[..., grid.bright :], inside)], axis=1)
        if end <= first:
            return total + self._ends(song, start, stop, np.ones(stop - start))
        borders = [(start, min(HOPS_PER_STEP * first * grid.hop, stop))] if start > 0 else []
        borders += [(max((HOPS_PER_STEP * end - 1) * grid.hop, start), stop)] if stop < self.frames else []
        for one, other in borders:
            total += self._ends(song, one, other, grid.left_over(first, end, one, other))
        return total

    def _ends(self, song: ProcessedSong, start: int, stop: int, shares: FloatArray) -> FloatArray:
        """The same of a few frames, each counted by its share."""
        margin = _MARGIN_HOPS * self.grid.hop
        return bright_products(padded_layers(song, start - margin, stop + margin), shares, self.rate_hz, margin)

    def bright_and_all_of(self, song: ProcessedSong, layer: Layer, start: int, stop: int) -> FloatArray:
        """The same of the rest of the blend, at its level in every frame, and of one layer: shape (3, 2).

        For the few frames in which the level of another layer changes.
        """
        margin = _MARGIN_HOPS * self.grid.hop
        sounds = padded_rest_and_layer(song, layer, start - margin, stop + margin)
        return bright_products(sounds, np.ones(stop - start), self.rate_hz, margin)


def measure_bands(song: ProcessedSong, *, workers: int, on_progress: OnProgress = lambda share: None) -> Bands:
    """Measure a song's layers.

    Parameters
    ----------
    song : ProcessedSong
    workers : int
        Threads.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.
    """
    grid = band_grid(song.rate_hz)
    steps = grid.steps(song.frames)

    def measure(first: int) -> Float32Array:
        stop = min(first + _STEPS_AT_ONCE, steps)
        products = band_products(padded_layers(song, *grid.reach(first, stop), np.float32), grid)
        on_progress((stop - first) / steps)
        return products

    spool = Spool()
    with ThreadPoolExecutor(workers) as pool:
        for products in pool.map(measure, range(0, steps, _STEPS_AT_ONCE)):
            spool.add(products.transpose(1, 0, 2))
    return Bands(spool.finish(), 0, (len(song.layers), grid.segments), song.rate_hz, song.frames, steps, spool.check)


def padded_layers(song: ProcessedSong, start: int, stop: int, kind: type[np.floating] = np.float64) -> npt.NDArray[Any]:
    """Every layer at level 0 dB, (layers, 2, frames), silent outside the song."""
    sounds = np.zeros((len(song.layers), 2, stop - start), kind)
    first, last = max(start, 0), min(stop, song.frames)
    for _, blocks in song.blocks(first, last, max(last - first, 1)):
        for sound, layer in zip(sounds, song.layers, strict=True):
            sound[:, first - start : last - start] = song.layer_of(layer, blocks, first, level=1.0).T
    return sounds


def padded_rest_and_layer(song: ProcessedSong, layer: Layer, start: int, stop: int) -> FloatArray:
    """Everything else at the recipe's levels and the layer at 0 dB, (2, 2, frames), silent outside the song."""
    sounds = np.zeros((2, 2, stop - start))
    first, last = max(start, 0), min(stop, song.frames)
    inside = slice(first - start, last - start)
    for _, blocks in song.blocks(first, last, max(last - first, 1)):
        for other in song.layers:
            if other is layer:
                sounds[1, :, inside] = song.layer_of(layer, blocks, first, level=1.0).T
            else:
                sounds[0, :, inside] += song.layer_of(other, blocks, first).T
    return sounds

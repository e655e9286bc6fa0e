"""The band energies of a song's layers, step by step: measured once, stored in one file, enough for any level.

Stored are, for every step of about 43 ms and every segment of `dsp.spectra`, the inner products of the layers at
level 0 dB, panned and with their takes' gains, both sides added up; float32. A change of a level or a section reads
them again; a change of a pan or a take measures anew. A file is a header of 48 bytes and the numbers, little-endian,
CRC-32 over both.
"""

from __future__ import annotations

import struct
import zlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import DamagedFile
from layerpipe.core.files.atomic import whole_file
from layerpipe.core.sound import Float32Array, FloatArray, OnProgress
from layerpipe.dsp.band_energies import (
    HOPS_PER_STEP,
    BandGrid,
    band_grid,
    band_products,
    bright_products,
    pairs,
    weights_of,
)
from layerpipe.recipe.model.recipe import Layer
from layerpipe.render.song import ProcessedSong

_MAGIC = b"layerpipe bands1"
_HEADER = struct.Struct("<16sIIQQII")
_STEPS_AT_ONCE = 32
_MARGIN_HOPS = 4


class DamagedBands(DamagedFile):
    """A file of band energies does not hold what was written into it."""


@dataclass(frozen=True)
class Bands:
    """Products of `layers` layers; `products` has shape (pairs, steps, segments), energies, float32."""

    rate_hz: int
    frames: int
    layers: int
    products: Float32Array

    @property
    def grid(self) -> BandGrid:
        """The steps and bands."""
        return band_grid(self.rate_hz)

    def mixed(self, one: npt.ArrayLike, other: npt.ArrayLike, first_step: int, stop_step: int) -> Float32Array:
        """Inner products of two mixes of the layers in some steps.

        Parameters
        ----------
        one, other : array_like [shape=(layers,)]
            Gains as factors, held over the steps.
        first_step, stop_step : int

        Returns
        -------
        np.ndarray [shape=(steps, segments), float32]
        """
        weights = weights_of(one, other).astype(np.float32)
        total = np.zeros((max(0, stop_step - first_step), self.products.shape[2]), np.float32)
        for pair in np.flatnonzero(weights):
            total += weights[pair] * self.products[pair, first_step:stop_step]
        return total

    def bright_and_all(self, song: ProcessedSong, start: int, stop: int) -> FloatArray:
        """Products of the layers above 4 kHz, and at all frequencies, from frame to frame, shape (pairs, 2).

        What the steps omit at the ends, a few dozen milliseconds, is read from the sound.
        """
        grid = self.grid
        first, end = grid.steps_whole(start, stop)
        # Nothing sounds before and after the song: steps that reach out there are whole too.
        first = 0 if start <= 0 else first
        end = self.products.shape[1] if stop >= self.frames else end
        inside = self.products[:, first : max(first, end)]
        total = np.stack([part.sum(axis=(1, 2), dtype=np.float64) for part in (inside[..., grid.bright :], inside)],
                         axis=1)
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

    def save(self, path: Path) -> None:
        """Write to one file, completely or not at all."""
        kept = np.ascontiguousarray(self.products, dtype="<f4")
        head = _HEADER.pack(_MAGIC, self.layers, self.rate_hz, self.frames, kept.shape[1],
                            zlib.crc32(kept.data.cast("B")), 0)[:-4]
        with whole_file(path) as new:
            new.file.write(head + struct.pack("<I", zlib.crc32(head)))
            new.file.write(kept.data)

    @classmethod
    def load(cls, path: Path) -> Bands:
        """Read a file written by `save`, every byte checked.

        Raises
        ------
        DamagedBands
            If it is not such a file, is cut short or has been changed.
        OSError
            If it cannot be read.
        """
        held = path.read_bytes()
        if len(held) < _HEADER.size or zlib.crc32(held[: _HEADER.size - 4]) != int.from_bytes(
                held[_HEADER.size - 4 : _HEADER.size], "little"):
            raise DamagedBands(f"{path}: not a file of band energies, or its header has been changed")
        magic, layers, rate_hz, frames, steps, check, _ = _HEADER.unpack_from(held)
        if magic != _MAGIC or zlib.crc32(memoryview(held)[_HEADER.size :]) != check:
            raise DamagedBands(f"{path}: its content has been changed")
        products = np.frombuffer(held, dtype="<f4", offset=_HEADER.size)
        return cls(rate_hz, frames, layers, products.reshape(layers * (layers + 1) // 2, steps, -1))


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
    grid, layers = band_grid(song.rate_hz), len(song.layers)
    steps = grid.steps(song.frames)
    products = np.empty((len(pairs(layers)[0]), steps, grid.segments), np.float32)

    def measure(first: int) -> None:
        stop = min(first + _STEPS_AT_ONCE, steps)
        products[:, first:stop] = band_products(padded_layers(song, *grid.reach(first, stop), np.float32), grid)
        on_progress((stop - first) / steps)

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(measure, range(0, steps, _STEPS_AT_ONCE)))
    return Bands(song.rate_hz, song.frames, layers, products)


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

"""Energies by frequency band: per step and band the inner products of several sounds.

From them the spectrum of a mix at any levels is a sum of products, without processing the sounds again. Frames of about
43 ms under a sine window, half overlapping: the squares of the windows add up to 1 everywhere, so that all bands
together hold exactly the sound's energy (Parseval). Two frames make a step. Frame k lies around sample k * hop.
Window and overlap: Princen and Bradley, IEEE TASSP 34 (1986), the condition for perfect reconstruction.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.dsp.masking import band_edges_hz

BRIGHT_HZ = 4000.0
"""Energy above this frequency counts as brightness, Hz."""
HOPS_PER_STEP = 2
_SHORTEST_FRAME_S = 0.04


@dataclass(frozen=True)
class BandGrid:
    """Frames and bands at one sample rate.

    `first_bins` (segments,) is the first bin of each segment: below the bands, the bands, above them; the band that
    contains `BRIGHT_HZ` is split there.
    """

    rate_hz: int
    hop: int
    edges_hz: FloatArray
    first_bins: npt.NDArray[np.intp]
    of_band: npt.NDArray[np.intp]
    """First segment of each band, and the one after the last, shape (bands + 1,)."""
    bright: int
    """First segment above `BRIGHT_HZ`."""

    @property
    def bands(self) -> int:
        """Number of auditory bands."""
        return len(self.edges_hz) - 1

    @property
    def segments(self) -> int:
        """Number of energies per step."""
        return len(self.first_bins)

    @property
    def step_frames(self) -> int:
        """Frames of the song per step."""
        return HOPS_PER_STEP * self.hop

    def steps(self, frames: int) -> int:
        """Steps of a song: every sample lies in two frames."""
        return -(-(frames // self.hop + 2) // HOPS_PER_STEP)

    def steps_inside(self, start_frame: int, stop_frame: int) -> tuple[int, int]:
        """First step and end of the steps whose middle is in a span."""
        middle = (HOPS_PER_STEP - 1) * self.hop / 2
        first, stop = (math.ceil((frame - middle) / self.step_frames) for frame in (start_frame, stop_frame))
        return max(0, first), max(0, first, stop)

    def steps_whole(self, start_frame: int, stop_frame: int) -> tuple[int, int]:
        """First step and end of the steps that are entirely inside a span."""
        return -(-(start_frame + self.hop) // self.step_frames), stop_frame // self.step_frames

    def left_over(self, first_step: int, stop_step: int, start_frame: int, stop_frame: int) -> FloatArray:
        """Share of every frame of a span that the windows of steps first to stop do not cover, (stop - start,)."""
        at = np.arange(start_frame, stop_frame) + 0.5
        rise = np.clip(at / self.hop - (HOPS_PER_STEP * first_step - 1), 0, 1)
        fall = np.clip(HOPS_PER_STEP * stop_step - at / self.hop, 0, 1)
        share: FloatArray = 1 - (np.sin(np.pi / 2 * rise) * np.sin(np.pi / 2 * fall)) ** 2
        return share

    def reach(self, first_step: int, stop_step: int) -> tuple[int, int]:
        """Frames of the song that steps first to stop are made of; the song is silent outside itself."""
        return (HOPS_PER_STEP * first_step - 1) * self.hop, HOPS_PER_STEP * stop_step * self.hop


@functools.cache
def band_grid(rate_hz: int) -> BandGrid:
    """Lay out frames and bands for a rate of 8000 to 192000 Hz."""
    frame = 1 << math.ceil(math.log2(_SHORTEST_FRAME_S * rate_hz))
    edges = band_edges_hz(rate_hz)
    cuts = np.array(sorted({*edges.tolist(), min(BRIGHT_HZ, rate_hz / 2)}))
    # A bin belongs to the segment that contains its centre.
    bins = np.ceil(cuts * frame / rate_hz).astype(np.intp)
    bins = np.minimum(bins, frame // 2)
    first_bins = np.concatenate([[0], bins])
    of_band = np.searchsorted(cuts, edges) + 1
    return BandGrid(rate_hz, frame // 2, edges, first_bins, of_band, int(np.searchsorted(cuts, BRIGHT_HZ)) + 1)


def pairs(sounds: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """The two sounds of each product: rows and columns of the upper triangle."""
    return np.triu_indices(sounds)


def band_products(sounds: Float32Array, grid: BandGrid) -> Float32Array:
    """Inner products of several stereo sounds, per step and segment, both sides summed.

    Parameters
    ----------
    sounds : np.ndarray [shape=(sounds, 2, frames), float32]
        The frames that `grid.reach` gives for whole steps.
    grid : BandGrid

    Returns
    -------
    np.ndarray [shape=(pairs, steps, segments), float32]
        Energies (sums of squares). The segments of a pair (i, i) add up to that sound's energy in the step.
    """
    hop = grid.hop
    count = (sounds.shape[2] // hop - 1) // HOPS_PER_STEP
    spectra = _spectra(sounds, grid, count * HOPS_PER_STEP)
    first, second = pairs(len(sounds))
    out = np.empty((len(first), count, grid.segments), np.float32)
    for pair, (one, other) in enumerate(zip(first, second, strict=True)):
        product = spectra[one, 0] * spectra[other, 0]
        product += spectra[one, 1] * spectra[other, 1]
        product = product.reshape(count, HOPS_PER_STEP, -1)
        both = product[:, 0] + product[:, 1]
        out[pair] = np.add.reduceat(both, 2 * grid.first_bins, axis=1)
    return out


def bright_products(sounds: FloatArray, shares: FloatArray, rate_hz: int, margin: int) -> FloatArray:
    """Inner products of several stereo sounds above `BRIGHT_HZ`, and at all frequencies, over a few frames.

    For the ends of a span, where a step is too long: a strum on the downbeat is its brightest moment.

    Parameters
    ----------
    sounds : np.ndarray [shape=(sounds, 2, margin + frames + margin), float64]
    shares : np.ndarray [shape=(frames,)]
        Weight of each frame.
    rate_hz : int
    margin : int
        Frames on either side that only let the filter settle.

    Returns
    -------
    np.ndarray [shape=(pairs, 2)]
        Energy above, and total energy.
    """
    length = sounds.shape[2]
    spectrum = np.fft.rfft(sounds)
    spectrum[..., np.arange(spectrum.shape[2]) * rate_hz < BRIGHT_HZ * length] = 0
    above = np.fft.irfft(spectrum, length)
    first, second = pairs(len(sounds))
    inside = slice(margin, length - margin)
    products = [(kind[first, :, inside] * kind[second, :, inside] * shares).sum(axis=(1, 2))
                for kind in (above, sounds)]
    return np.stack(products, axis=1)


def _spectra(sounds: Float32Array, grid: BandGrid, frames: int) -> Float32Array:
    """Real and imaginary parts side by side, scaled so that squares are energies: (sounds, 2, frames, 2 bins)."""
    hop = grid.hop
    window = np.sin(np.pi * (np.arange(2 * hop) + 0.5) / (2 * hop)) * math.sqrt(1 / hop)
    cut = np.lib.stride_tricks.sliding_window_view(sounds[..., : (frames + 1) * hop], 2 * hop, axis=2)[:, :, ::hop]
    spectra = np.fft.rfft(cut * window.astype(np.float32))
    # The first and the last bin stand for one frequency, the others for two.
    spectra[..., 0] *= math.sqrt(0.5)
    spectra[..., -1] *= math.sqrt(0.5)
    return np.ascontiguousarray(spectra).view(np.float32)


def weights_of(one: npt.ArrayLike, other: npt.ArrayLike) -> FloatArray:
    """Weights of the products in the inner product of two mixes of the sounds, shape (pairs,).

    A mix a has the energy (a, a); the mix a + g b has (a, a) + 2 g (a, b) + g^2 (b, b).
    """
    a, b = np.asarray(one, dtype=np.float64), np.asarray(other, dtype=np.float64)
    first, second = pairs(len(a))
    weights: FloatArray = np.where(first == second, 0.5, 1.0) * (a[first] * b[second] + a[second] * b[first])
    return weights

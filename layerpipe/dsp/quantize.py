"""From real numbers to integers of 16 or 24 bits: rounding, dither, packing.

Full scale 1.0 is 2^(bits - 1) steps; +1.0 itself does not fit. Rounding is to the nearest step, halves to the even
one, so that the mean error is zero (libraries that truncate are half a step low). What does not fit is counted and
clipped to the largest step; callers must check the count before they write.
Dither is triangular, two steps wide, not subtracted: error of mean 0 and power step^2/4, whatever the sound.
Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES 40(5), 355-375, 1992.
"""

from __future__ import annotations

import hashlib
import math
import sys
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.dsp import kernels

PcmArray = npt.NDArray[np.int32]
ByteArray = npt.NDArray[np.uint8]


class Overs(Struct, frozen=True):
    """Samples past full scale: how many, the frame of the first, and the level of the furthest one in dBFS."""

    count: int = 0
    first_frame: int | None = None
    peak_dbfs: float = -math.inf

    def __bool__(self) -> bool:
        return self.count > 0

    def and_then(self, later: Overs) -> Overs:
        """Both together, where `later` comes after this in time."""
        first = later.first_frame if self.first_frame is None else self.first_frame
        return Overs(self.count + later.count, first, max(self.peak_dbfs, later.peak_dbfs))


class DitherStream:
    """Triangular dither of one file: the same noise at the same frame, however the sound is cut into blocks.

    Parameters
    ----------
    key : str
        Seed, for example the name of the stem. Different keys give unrelated noise.
    channels : int

    References
    ----------
    SplitMix64, a counter-based generator, so that any position can be computed: Steele, Lea, Flood, "Fast splittable
    pseudorandom number generators", OOPSLA 2014. One number per sample; the difference of its halves is triangular.
    """

    def __init__(self, key: str, channels: int = 1) -> None:
        self._key = np.uint64(int.from_bytes(hashlib.sha256(key.encode()).digest()[:8], "little"))
        self.channels = channels

    def add(self, flat: npt.NDArray[Any], start: int, step: float) -> FloatArray:
        """Add noise inside (-step, step) to interleaved samples whose first one is number `start` of the file."""
        noisy = np.empty(len(flat))
        kernels.add_noise(np.uint64(start), self._key, step * 2.0**-32, flat, noisy)
        return noisy


def to_pcm(samples: npt.NDArray[Any], bit_depth: int, *, gain: float = 1.0, dither: DitherStream | None = None,
           start: int = 0) -> tuple[PcmArray, Overs]:
    """Round samples to integers.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames,) or (frames, channels), float32 or float64]
        Full scale 1.0.
    bit_depth : int
        16 or 24.
    gain : float
        A factor for the samples.
    dither : DitherStream, optional
        Of as many channels as the samples.
    start : int
        Frame of the file at which the samples begin, for the dither and for `Overs.first_frame`.

    Returns
    -------
    pcm : np.ndarray [same shape, int32]
    overs : Overs
        Samples that did not fit (NaN counts as infinitely loud); false if all did.

    Raises
    ------
    ParameterError
        Another bit depth, or dither of another number of channels.
    """
    scale = _scale_of(bit_depth)
    flat = np.ascontiguousarray(samples).reshape(-1)
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    if dither is not None:
        if gain != 1.0:
            flat, gain = flat * np.float64(gain), 1.0
        if dither.channels != channels:
            raise ParameterError(f"dither of {dither.channels} channels does not fit {channels}")
        flat = dither.add(flat, start * channels, 1 / scale)
    pcm = np.empty(len(flat), np.int32)
    misfits = kernels.round_samples(flat, float(gain), scale, pcm)
    return pcm.reshape(samples.shape), _overs(flat * np.float64(gain), scale, channels, start) if misfits else Overs()


def pack_pcm(pcm: PcmArray, bit_depth: int, room: ByteArray | None = None) -> ByteArray:
    """Little-endian bytes of integer samples.

    Parameters
    ----------
    pcm : np.ndarray [shape=(samples,), int32]
        Inside the range of the bit depth.
    bit_depth : int
        16 or 24.
    room : np.ndarray [uint8], optional
        Memory to reuse if it is large enough.

    Returns
    -------
    np.ndarray [shape=(at least samples * bit_depth // 8,), uint8]
        The packed bytes are at its beginning.
    """
    _scale_of(bit_depth)
    needed = len(pcm) * bit_depth // 8
    out = room if room is not None and len(room) >= needed else np.empty(needed + -needed % 4, np.uint8)
    if bit_depth == 16:
        out[:needed].view("<i2")[:] = pcm
    else:
        whole = needed - needed % 12
        words = out[:whole].view(np.uint32)
        kernels.pack_24(pcm.view(np.uint32), words, out[whole:needed])
        if sys.byteorder == "big":
            words.byteswap(inplace=True)
    return out


def _scale_of(bit_depth: int) -> float:
    """Steps to full scale."""
    if bit_depth not in (16, 24):
        raise ParameterError(f"bit_depth={bit_depth} must be 16 or 24")
    return float(1 << (bit_depth - 1))


def _overs(flat: npt.NDArray[Any], scale: float, channels: int, start: int) -> Overs:
    """Count, first frame and level of samples that do not fit; NaN counts as infinitely loud."""
    rounded = np.rint(flat.astype(np.float64) * scale)
    over = ~((rounded >= -scale) & (rounded <= scale - 1))
    size = float(np.nan_to_num(np.abs(flat[over].astype(np.float64)), nan=math.inf, posinf=math.inf).max())
    peak_dbfs = 20 * math.log10(size) if size < math.inf else math.inf
    return Overs(int(np.count_nonzero(over)), start + int(np.argmax(over)) // channels, peak_dbfs)

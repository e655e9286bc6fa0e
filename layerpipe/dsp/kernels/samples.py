"""Loops over samples: gain, rounding, dither noise, extremes, 24-bit packing."""

from __future__ import annotations

from typing import Any

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels.jit import kernel


@kernel("f4[] f8 f8 i4[]", "f8[] f8 f8 i4[]")
def round_samples(samples: Any, gain: float, scale: float, pcm: Any) -> int:
    """Nearest integer after a gain, halves to even, held inside -scale to scale - 1; how many did not fit (NaN too)."""
    low, high = -scale, scale - 1.0
    misfits = 0
    for n in range(len(samples)):
        rounded = np.rint(np.float64(samples[n]) * gain * scale)
        held = rounded if rounded > low else low
        held = held if held < high else high
        misfits += held != rounded
        pcm[n] = np.int32(held)
    return misfits


@kernel("f4[] f8 f8 f8[][]")
def add_panned(block: Any, left: float, right: float, out: FloatArray) -> None:
    """Add a mono sound to both sides of a stereo one, out: (frames, 2)."""
    for n in range(len(block)):
        out[n, 0] += block[n] * left
        out[n, 1] += block[n] * right


@kernel("f8[][] f8[]")
def apply_gains(out: FloatArray, gains: FloatArray) -> None:
    """Multiply both sides of every frame by the frame's gain, out: (frames, 2)."""
    for n in range(len(gains)):
        out[n, 0] *= gains[n]
        out[n, 1] *= gains[n]


@kernel("i4[] i8[] i4[] i4[]")
def find_extremes(samples: Any, starts: Any, lows: Any, highs: Any) -> None:
    """Lowest and highest sample of the pieces that begin at `starts` and fill the block; no piece is empty."""
    for piece in range(len(starts)):
        stop = starts[piece + 1] if piece + 1 < len(starts) else len(samples)
        part = samples[starts[piece] : stop]
        low, high = part[0], part[0]
        for n in range(len(part)):
            low = min(low, part[n])
            high = max(high, part[n])
        lows[piece], highs[piece] = low, high


@kernel("u8 u8 f8 f4[] f8[]", "u8 u8 f8 f8[] f8[]")
def add_noise(start: Any, key: Any, step: float, samples: Any, out: FloatArray) -> None:
    """Samples and triangular noise of +-`step`; the numbers of a SplitMix64 generator that counts from `start`.

    All integers are uint64 and are meant to overflow. Steele, Lea, Flood, OOPSLA 2014.
    """
    state = key + start * np.uint64(0x9E3779B97F4A7C15)
    for n in range(len(samples)):
        state += np.uint64(0x9E3779B97F4A7C15)
        mixed = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        mixed ^= mixed >> np.uint64(31)
        low, high = np.float64(mixed & np.uint64(0xFFFFFFFF)), np.float64(mixed >> np.uint64(32))
        out[n] = samples[n] + (low - high) * step


@kernel("u1[] f8 f8[]")
def unpack_24(packed: Any, scale: float, out: FloatArray) -> None:
    """Little-endian samples of three bytes (uint8) as numbers; scale is the value of one step."""
    for n in range(len(out)):
        low = np.int32(packed[3 * n]) | (np.int32(packed[3 * n + 1]) << np.int32(8))
        out[n] = (low | (np.int32(np.int8(packed[3 * n + 2])) << np.int32(16))) * scale


@kernel("u4[] u4[] u1[]")
def pack_24(pcm: Any, words: Any, rest: Any) -> None:
    """Three bytes a sample (as uint32), little-endian: four samples fill three words, the last few go byte by byte."""
    whole = len(words) // 3
    for n in range(whole):
        a = pcm[4 * n] & np.uint32(0xFFFFFF)
        b = pcm[4 * n + 1] & np.uint32(0xFFFFFF)
        c = pcm[4 * n + 2] & np.uint32(0xFFFFFF)
        d = pcm[4 * n + 3]
        words[3 * n] = a | (b << np.uint32(24))
        words[3 * n + 1] = (b >> np.uint32(8)) | (c << np.uint32(16))
        words[3 * n + 2] = (c >> np.uint32(16)) | (d << np.uint32(8))
    for n in range(len(rest) // 3):
        value = pcm[4 * whole + n]
        rest[3 * n] = value & np.uint32(255)
        rest[3 * n + 1] = (value >> np.uint32(8)) & np.uint32(255)
        rest[3 * n + 2] = (value >> np.uint32(16)) & np.uint32(255)

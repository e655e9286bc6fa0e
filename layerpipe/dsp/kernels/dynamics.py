"""The compressor's loop, and statistics of its gain reduction."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels.jit import kernel

DB_OF_LOG = 20.0 / math.log(10.0)
LN_2 = math.log(2.0)
# ln 2 in two pieces, the first short enough to be multiplied by a whole number without an error.
LN_2_HIGH = float.fromhex("0x1.62e42fefa0000p-1")
LN_2_LOW = float.fromhex("0x1.cf79abc9e3b3ap-40")


@kernel("f8[] i8[] f8 f8 f8 f8 f8 f8 f8 f8[] f8[][] i8[][] f8[] f8[]")
def compress(samples: FloatArray, patterns: Any, knee_start: float, threshold_db: float, slope: float, knee_db: float,
             attack: float, release: float, makeup_db: float, state: FloatArray, room: FloatArray, room_patterns: Any,
             smooth: FloatArray, out: FloatArray) -> None:
    """Static curve (Giannoulis et al. 2012, eq. 4), smooth decoupled peak detector (eq. 17), gain.

    The number 17 is from memory.

    smooth, the reduction in dB, and out: (frames,), out may have none; state: (y1, yL); room: (3, frames worked on at
    once). `..._patterns` are the same memory as int64. Logarithm and exponential are computed from the bits, many
    frames at a time: the C library computes one at a time, and its last digit differs between systems.
    """
    held, late = state[0], state[1]
    for at in range(0, len(samples), room.shape[1]):
        part, bits = samples[at : at + room.shape[1]], patterns[at : at + room.shape[1]]
        reduced = smooth[at : at + room.shape[1]]
        wanted, mantissas, mantissa_patterns = room[0], room[1], room_patterns[1]
        powers, power_patterns = room[2], room_patterns[2]
        for n in range(len(part)):
            mantissa_patterns[n] = (bits[n] & 0xFFFFFFFFFFFFF) | 0x3FF0000000000000
        # ln(2^e m) = e ln 2 + 2 artanh((m - 1) / (m + 1)), by the series of artanh.
        for n in range(len(part)):
            high = mantissas[n] > 1.4142135623730951
            mantissa = mantissas[n] * 0.5 if high else mantissas[n]
            exponent = np.float64(((bits[n] >> 52) & 0x7FF) - 1023 + (1 if high else 0))
            s = (mantissa - 1.0) / (mantissa + 1.0)
            z = s * s
            row = 2.0 / 21.0
            row = row * z + 2.0 / 19.0
            row = row * z + 2.0 / 17.0
            row = row * z + 2.0 / 15.0
            row = row * z + 2.0 / 13.0
            row = row * z + 2.0 / 11.0
            row = row * z + 2.0 / 9.0
            row = row * z + 2.0 / 7.0
            row = row * z + 2.0 / 5.0
            row = row * z + 2.0 / 3.0
            past = (exponent * LN_2 + (2.0 * s + s * z * row)) * DB_OF_LOG - threshold_db + knee_db / 2.0
            past = past if past > 0.0 else 0.0
            inside = past if past < knee_db else knee_db
            bent = inside * inside / (2.0 * knee_db) if knee_db > 0.0 else 0.0
            wanted[n] = slope * (bent + past - inside) if abs(part[n]) > knee_start else 0.0
        for n in range(len(part)):
            now = wanted[n]
            falling = release * held + (1.0 - release) * now
            held = now if now > falling else falling
            late = attack * late + (1.0 - attack) * held
            reduced[n] = late
        if len(out) == 0:
            continue
        # e^x = 2^k e^r with k the nearest whole number to x / ln 2, by the series of the exponential.
        made = out[at : at + room.shape[1]]
        for n in range(len(part)):
            x = (makeup_db - reduced[n]) * (1.0 / DB_OF_LOG)
            x = x if x > -700.0 else -700.0
            whole = np.rint(x * (1.0 / LN_2))
            power_patterns[n] = (np.int64(whole) + 1023) << 52
            wanted[n] = (x - whole * LN_2_HIGH) - whole * LN_2_LOW
        for n in range(len(part)):
            r = wanted[n]
            row = 1.0 / 6227020800.0
            row = row * r + 1.0 / 479001600.0
            row = row * r + 1.0 / 39916800.0
            row = row * r + 1.0 / 3628800.0
            row = row * r + 1.0 / 362880.0
            row = row * r + 1.0 / 40320.0
            row = row * r + 1.0 / 5040.0
            row = row * r + 1.0 / 720.0
            row = row * r + 1.0 / 120.0
            row = row * r + 1.0 / 24.0
            row = row * r + 1.0 / 6.0
            row = row * r + 0.5
            row = row * r + 1.0
            row = row * r + 1.0
            made[n] = row * powers[n] * part[n]
    state[0], state[1] = held, late


@kernel("f8[] i8[] f8 f4[] f4[] f4[]")
def summarize_reduction(reduction_db: FloatArray, starts: Any, audible_db: float, largest: Any, mean: Any,
                     busy: Any) -> None:
    """Largest, mean, and share of frames above `audible_db`, of the steps that begin at `starts` and fill the block.

    Four partial sums, because one sum would wait for itself.
    """
    for step in range(len(starts)):
        stop = starts[step + 1] if step + 1 < len(starts) else len(reduction_db)
        part = reduction_db[starts[step] : stop]
        frames = len(part)
        m0, m1, m2, m3 = 0.0, 0.0, 0.0, 0.0
        t0, t1, t2, t3 = 0.0, 0.0, 0.0, 0.0
        count = 0
        for n in range(frames // 4):
            v0, v1, v2, v3 = part[4 * n], part[4 * n + 1], part[4 * n + 2], part[4 * n + 3]
            m0, m1, m2, m3 = max(m0, v0), max(m1, v1), max(m2, v2), max(m3, v3)
            t0, t1, t2, t3 = t0 + v0, t1 + v1, t2 + v2, t3 + v3
        for n in range(frames // 4 * 4, frames):
            m0, t0 = max(m0, part[n]), t0 + part[n]
        for n in range(frames):
            count += part[n] > audible_db
        largest[step], busy[step] = max(m0, m1, m2, m3), count / frames
        mean[step] = ((t0 + t1) + (t2 + t3)) / frames

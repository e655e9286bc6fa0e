"""The loops in which every frame needs the one before: machine code by `dsp.kernels`, which says what a loop may do.

All of them live in this module and take their constants as arguments, because the digest their code is kept under does
not notice what changes elsewhere. To add one: a function of arrays and numbers under `@kernel`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from layerpipe.dsp.kernels import kernel
from layerpipe.sound import FloatArray

DB_OF_LOG = 20.0 / math.log(10.0)
LN_2 = math.log(2.0)
# ln 2 in two pieces, the first short enough to be multiplied by a whole number without an error.
LN_2_HIGH = float.fromhex("0x1.62e42fefa0000p-1")
LN_2_LOW = float.fromhex("0x1.cf79abc9e3b3ap-40")


@kernel
def run_one_section(b0: float, b1: float, b2: float, a1: float, a2: float,
                    samples: FloatArray, state: FloatArray, out: FloatArray) -> None:
    """One biquad, transposed direct form II, in scipy.signal.sosfilt's order of operations; state is (2,)."""
    z0, z1 = state[0], state[1]
    for n in range(len(samples)):
        x = samples[n]
        y = b0 * x + z0
        z0 = b1 * x - a1 * y + z1
        z1 = b2 * x - a2 * y
        out[n] = y
    state[0], state[1] = z0, z1


@kernel
def run_two_sections(first: FloatArray, second: FloatArray, samples: FloatArray, state: FloatArray,
                     out: FloatArray) -> None:
    """Two biquads in a row: the second runs while the processor waits for the first; state is (2, 2)."""
    b0, b1, b2, a1, a2 = first[0], first[1], first[2], first[4], first[5]
    c0, c1, c2, d1, d2 = second[0], second[1], second[2], second[4], second[5]
    z0, z1, w0, w1 = state[0, 0], state[0, 1], state[1, 0], state[1, 1]
    for n in range(len(samples)):
        x = samples[n]
        y = b0 * x + z0
        z0 = b1 * x - a1 * y + z1
        z1 = b2 * x - a2 * y
        v = c0 * y + w0
        w0 = c1 * y - d1 * v + w1
        w1 = c2 * y - d2 * v
        out[n] = v
    state[0, 0], state[0, 1], state[1, 0], state[1, 1] = z0, z1, w0, w1


@kernel
def compress(samples: FloatArray, patterns: Any, knee_start: float, threshold_db: float, slope: float, knee_db: float,
             attack: float, release: float, makeup_db: float, state: FloatArray, room: FloatArray, room_patterns: Any,
             smooth: FloatArray, out: FloatArray) -> None:
    """Static curve (Giannoulis et al. 2012, eq. 4), smooth decoupled peak detector (eq. 17), gain.

    smooth, the reduction in dB, and out: (frames,), out may have none; state: (y1, yL); room: (3, frames worked on at
    once). `..._patterns` are the same memory as int64. Logarithm and exponential are worked out here from the bits,
    many frames at a time: the mathematics library takes one at a time, and differs in its last digit from system to
    system.
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


@kernel
def sum_up_reduction(reduction_db: FloatArray, starts: Any, audible_db: float, largest: Any, mean: Any,
                     busy: Any) -> None:
    """Largest, mean, and share of frames above `audible_db`, of the steps that begin at `starts` and fill the block.

    Sums run in four lanes, because one lane waits for itself.
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


@kernel
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


@kernel
def add_panned(block: Any, left: float, right: float, out: FloatArray) -> None:
    """Add a mono sound to both sides of a stereo one, out: (frames, 2)."""
    for n in range(len(block)):
        out[n, 0] += block[n] * left
        out[n, 1] += block[n] * right


@kernel
def set_level(out: FloatArray, gains: FloatArray) -> None:
    """Multiply both sides of every frame by the frame's gain, out: (frames, 2)."""
    for n in range(len(gains)):
        out[n, 0] *= gains[n]
        out[n, 1] *= gains[n]


@kernel
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


@kernel
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


@kernel
def unpack_24(packed: Any, scale: float, out: FloatArray) -> None:
    """Little-endian samples of three bytes (uint8) as numbers; scale is the value of one step."""
    for n in range(len(out)):
        low = np.int32(packed[3 * n]) | (np.int32(packed[3 * n + 1]) << np.int32(8))
        out[n] = (low | (np.int32(np.int8(packed[3 * n + 2])) << np.int32(16))) * scale


@kernel
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


@kernel
def weight_four(first: FloatArray, second: FloatArray, samples: FloatArray, state: FloatArray,
                out: FloatArray) -> None:
    """Two biquads in a row for four sounds side by side, in the order of operations of `run_two_sections`.

    Four recursions at once cost what one does: each waits for itself. samples, out: (4, frames); state: (4, 4).
    """
    b0, b1, b2, a1, a2 = first[0], first[1], first[2], first[4], first[5]
    c0, c1, c2, d1, d2 = second[0], second[1], second[2], second[4], second[5]
    p0, q0, r0, s0 = state[0, 0], state[0, 1], state[0, 2], state[0, 3]
    p1, q1, r1, s1 = state[1, 0], state[1, 1], state[1, 2], state[1, 3]
    p2, q2, r2, s2 = state[2, 0], state[2, 1], state[2, 2], state[2, 3]
    p3, q3, r3, s3 = state[3, 0], state[3, 1], state[3, 2], state[3, 3]
    for n in range(samples.shape[1]):
        x0, x1, x2, x3 = samples[0, n], samples[1, n], samples[2, n], samples[3, n]
        y0, y1, y2, y3 = b0 * x0 + p0, b0 * x1 + p1, b0 * x2 + p2, b0 * x3 + p3
        p0, p1 = b1 * x0 - a1 * y0 + q0, b1 * x1 - a1 * y1 + q1
        p2, p3 = b1 * x2 - a1 * y2 + q2, b1 * x3 - a1 * y3 + q3
        q0, q1, q2, q3 = b2 * x0 - a2 * y0, b2 * x1 - a2 * y1, b2 * x2 - a2 * y2, b2 * x3 - a2 * y3
        v0, v1, v2, v3 = c0 * y0 + r0, c0 * y1 + r1, c0 * y2 + r2, c0 * y3 + r3
        r0, r1 = c1 * y0 - d1 * v0 + s0, c1 * y1 - d1 * v1 + s1
        r2, r3 = c1 * y2 - d1 * v2 + s2, c1 * y3 - d1 * v3 + s3
        s0, s1, s2, s3 = c2 * y0 - d2 * v0, c2 * y1 - d2 * v1, c2 * y2 - d2 * v2, c2 * y3 - d2 * v3
        out[0, n], out[1, n], out[2, n], out[3, n] = v0, v1, v2, v3
    state[0, 0], state[0, 1], state[0, 2], state[0, 3] = p0, q0, r0, s0
    state[1, 0], state[1, 1], state[1, 2], state[1, 3] = p1, q1, r1, s1
    state[2, 0], state[2, 1], state[2, 2], state[2, 3] = p2, q2, r2, s2
    state[3, 0], state[3, 1], state[3, 2], state[3, 3] = p3, q3, r3, s3


@kernel
def seek_peak(samples: Any, channel: int, channels: int, step: float, taps: FloatArray, bounds: FloatArray, cell: int,
              past: FloatArray, room: FloatArray, patterns: Any, state: FloatArray) -> int:
    """First frame interval of a channel whose interpolated points exceed the peak the most, -1 if none does.

    The bounds and their proof: dsp.truepeak. samples: interleaved, `step` to one; taps: (reach, phases); bounds: the
    two of a frame's size, then one for each bend; past: the reach - 1 frames before, afterwards the last of these;
    state: peak, highest frame or point counted yet, relative and absolute slack of a comparison. Intervals count from
    the one that begins at past[reach // 2 - 1]. room: (3, frames worked on at once and two cells); patterns is the same
    memory as int64: without their signs the bits of numbers are ordered as the numbers are, and whole numbers are
    compared many at a time.
    """
    reach, phases = taps.shape
    middle = reach // 2 - 1
    bends = reach - 2
    unsigned = 0x7FFFFFFFFFFFFFFF
    sum_bound, near_bound, curve_bounds = bounds[0], bounds[1], bounds[2:]
    curve_bound = 0.0
    for k in range(bends):
        curve_bound += curve_bounds[k]
    peak, floor, slack, rounding = state[0], state[1], state[2], state[3]
    points, bend, bend_patterns = room[2, :phases], room[2, phases:], patterns[2, phases:]
    frames = len(samples) // channels
    most_at_once = room.shape[1] - 2 * cell
    found = -1
    for at in range(0, frames, most_at_once):
        intervals = min(most_at_once, frames - at)
        cells = (intervals + cell - 1) // cell
        sound, sound_patterns = room[0, : (cells + 1) * cell], patterns[0, : (cells + 1) * cell]
        highest, highest_patterns = room[1, : cells + 1], patterns[1, : cells + 1]
        for k in range(len(past)):
            sound[k] = past[k]
        fresh = sound[reach - 1 : reach - 1 + intervals]
        if channels == 1:
            new = samples[at : at + intervals]
            for n in range(len(fresh)):
                fresh[n] = new[n] * step
        else:
            mine = samples[at * channels + channel :: channels]
            for n in range(len(fresh)):
                fresh[n] = mine[n] * step
        # What fills the last cell only has to be harmless: a straight line on from the last frame is.
        sound[reach - 1 + intervals :] = fresh[intervals - 1]
        for c in range(cells + 1):
            part = sound_patterns[c * cell : (c + 1) * cell]
            most = np.int64(0)
            for n in range(len(part)):
                most = max(most, part[n] & unsigned)
            highest_patterns[c] = most
            # Frames before the first or after the last interval of this piece are counted with others.
            if c > 0 and (c + 1) * cell <= middle + intervals:
                floor = max(floor, highest[c])
        wanted = floor * slack
        for c in range(cells):
            reached = max(highest[c], highest[c + 1])
            if reached == 0.0 or reached * (sum_bound + rounding) < wanted:
                continue
            begin = c * cell
            end = min(begin + cell, intervals)
            one, two, three = sound[begin:], sound[begin + 1 :], sound[begin + 2 :]
            for n in range(cell + bends):
                bend[n] = (one[n] + three[n]) - 2.0 * two[n]
            most = np.int64(0)
            for n in range(cell + bends):
                most = max(most, bend_patterns[n] & unsigned)
            bend_patterns[cell + bends] = most
            bent = curve_bound * bend[cell + bends] + rounding * reached
            if reached * near_bound + bent < wanted:
                continue
            for n in range(begin, end):
                near = max(abs(sound[n + middle]), abs(sound[n + middle + 1])) * near_bound
                if near + bent < wanted:
                    continue
                s0, s1 = rounding * reached, 0.0
                for k in range(0, bends, 2):
                    s0 += curve_bounds[k] * abs((sound[n + k] + sound[n + k + 2]) - 2.0 * sound[n + k + 1])
                    s1 += curve_bounds[k + 1] * abs((sound[n + k + 1] + sound[n + k + 3]) - 2.0 * sound[n + k + 2])
                if near + s0 + s1 < wanted:
                    continue
                points[:] = 0.0
                for k in range(reach):
                    x = sound[n + k]
                    for p in range(phases):
                        points[p] += x * taps[k, p]
                best = 0.0
                for p in range(phases):
                    v = abs(points[p])
                    best = v if v > best else best
                if best > peak:
                    peak, found = best, at + n
                    floor = max(floor, peak)
                    wanted = floor * slack
        for k in range(len(past)):
            past[k] = sound[intervals + k]
    state[0], state[1] = peak, floor
    return found


@kernel
def solve_predictors(correlations: FloatArray, ridge: float, predictors: FloatArray, room: FloatArray) -> None:
    """Linear predictors of many frames by Levinson's recursion (Levinson, J. Math. Phys. 25, 1946).

    correlations: (frames, order + 1), lag 0 first, ridge is added to each frame's lag 0; predictors, the result:
    (frames, order + 1), the first is 1, the rest turn a sound into what could not be foretold. room: (order + 1,).
    Sums run in four lanes, because one lane waits for itself.
    """
    frames, order = correlations.shape[0], correlations.shape[1] - 1
    for f in range(frames):
        r = correlations[f]
        a = predictors[f]
        a[:] = 0.0
        a[0] = 1.0
        error = r[0] + ridge
        for m in range(1, order + 1):
            s0, s1, s2, s3 = 0.0, 0.0, 0.0, 0.0
            j = 0
            while j + 4 <= m:
                s0 += a[j] * r[m - j]
                s1 += a[j + 1] * r[m - j - 1]
                s2 += a[j + 2] * r[m - j - 2]
                s3 += a[j + 3] * r[m - j - 3]
                j += 4
            while j < m:
                s0 += a[j] * r[m - j]
                j += 1
            k = -((s0 + s1) + (s2 + s3)) / error
            for i in range(m):
                room[i] = a[i]
            for i in range(1, m):
                a[i] = room[i] + k * room[m - i]
            a[m] = k
            error *= 1.0 - k * k
            if error <= 0.0:
                break


@kernel
def burg_predictor(forward: FloatArray, backward: FloatArray, predictor: FloatArray, room: FloatArray) -> None:
    """Linear predictor of one piece by Burg's method, which needs no window (Burg, 37th SEG meeting, 1967).

    forward, backward: the piece twice, both are used up; predictor, the result: (order + 1,), the first is 1; room:
    (order + 1,). Sums run in four lanes.
    """
    order = len(predictor) - 1
    length = len(forward)
    predictor[:] = 0.0
    predictor[0] = 1.0
    for m in range(1, order + 1):
        n0, n1, n2, n3 = 0.0, 0.0, 0.0, 0.0
        d0, d1, d2, d3 = 0.0, 0.0, 0.0, 0.0
        n = m
        while n + 4 <= length:
            n0 += forward[n] * backward[n - 1]
            n1 += forward[n + 1] * backward[n]
            n2 += forward[n + 2] * backward[n + 1]
            n3 += forward[n + 3] * backward[n + 2]
            d0 += forward[n] * forward[n] + backward[n - 1] * backward[n - 1]
            d1 += forward[n + 1] * forward[n + 1] + backward[n] * backward[n]
            d2 += forward[n + 2] * forward[n + 2] + backward[n + 1] * backward[n + 1]
            d3 += forward[n + 3] * forward[n + 3] + backward[n + 2] * backward[n + 2]
            n += 4
        while n < length:
            n0 += forward[n] * backward[n - 1]
            d0 += forward[n] * forward[n] + backward[n - 1] * backward[n - 1]
            n += 1
        power = (d0 + d1) + (d2 + d3)
        if power <= 0.0:
            break
        k = -2.0 * ((n0 + n1) + (n2 + n3)) / power
        for i in range(m):
            room[i] = predictor[i]
        for i in range(1, m):
            predictor[i] = room[i] + k * room[m - i]
        predictor[m] = k
        # Stored shifted by one, so that both sides stay where they are read.
        for i in range(length - 1, m - 1, -1):
            ahead = forward[i]
            behind = backward[i - 1]
            forward[i] = ahead + k * behind
            backward[i] = behind + k * ahead

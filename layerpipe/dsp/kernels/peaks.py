"""The search for the true peak; `dsp.peaks.true_peak` proves what may be skipped."""

from __future__ import annotations

from typing import Any

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels.jit import kernel


@kernel("f8[] i8 i8 f8 f8[][] f8[] i8 f8[] f8[][] i8[][] f8[]")
def find_true_peak(samples: FloatArray, channel: int, channels: int, step: float, taps: FloatArray, bounds: FloatArray,
                   cell: int, past: FloatArray, room: FloatArray, patterns: Any, state: FloatArray) -> int:
    """First frame interval of a channel whose interpolated points exceed the peak the most, -1 if none does.

    The bounds and their proof: `dsp.peaks.true_peak`. samples: interleaved, `step` to one; taps: (reach, phases);
    bounds: the two of a frame's size, then one for each bend; past: the reach - 1 frames before, afterwards the last of
    these; state: peak, highest frame or point counted yet, relative and absolute slack of a comparison. Intervals count
    from the one that begins at past[reach // 2 - 1]. room: (3, frames worked on at once and two cells); patterns is the
    same memory as int64: without their signs the bits of numbers are ordered as the numbers are, and whole numbers are
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
        # The rest of the last cell repeats the last frame: a straight line adds no peak.
        sound[reach - 1 + intervals :] = fresh[intervals - 1]
        for c in range(cells + 1):
            part = sound_patterns[c * cell : (c + 1) * cell]
            most = np.int64(0)
            for n in range(len(part)):
                most = max(most, part[n] & unsigned)
            highest_patterns[c] = most
            # Frames outside this piece's intervals are counted with other pieces.
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

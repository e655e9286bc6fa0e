"""Loops of searches: fingerprints, reduced rates, matched filters, powers, running medians, combs of lines."""

from __future__ import annotations

from typing import Any

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels.jit import kernel


@kernel("u8[] u8[] u8[] i8[]")
def choose_fingerprints(bits: Any, factors: Any, prints: Any, places: Any) -> int:
    """Fingerprints of as many samples as there are factors; how many are chosen.

    Every eighth is; the fingerprint itself decides, so that of equal stretches both are. Where the first sample equals
    the last, none is. bits: samples as uint64; prints, places, the results: as many as there may be.
    """
    last = len(factors) - 1
    count = len(bits) - last
    chosen = 0
    for begin in range(0, count, 2048):
        part = prints[begin : min(begin + 2048, count)]
        part[:] = np.uint64(0)
        for lag in range(len(factors)):
            factor, sound = factors[lag], bits[begin + lag :]
            for n in range(len(part)):
                part[n] += (sound[n] >> np.uint64(20)) * factor
        for n in range(len(part)):
            value = part[n]
            if (value >> np.uint64(40)) & np.uint64(7) == np.uint64(0) and bits[begin + n] != bits[begin + n + last]:
                prints[chosen], places[chosen] = value, begin + n
                chosen += 1
    return chosen


@kernel("u8[] u8[] i8[] i8[][]")
def find_equal(values: Any, table: Any, latest: Any, pairs: Any) -> int:
    """Values that came before: rows of where they did last and where they do; how many.

    table, latest: room for a hash table, as long as a power of two above the number of values.
    """
    mask = len(table) - 1
    latest[:] = -1
    found = 0
    for n in range(len(values)):
        value = values[n]
        at = np.int64(value >> np.uint64(43)) & mask
        while latest[at] >= 0 and table[at] != value:
            at = (at + 1) & mask
        if latest[at] >= 0:
            pairs[found, 0], pairs[found, 1] = latest[at], n
            found += 1
        table[at], latest[at] = value, n
    return found


@kernel("f8[][] f8[] f8[]")
def decimate(phases: FloatArray, taps: FloatArray, out: FloatArray) -> None:
    """Filtered samples at a reduced rate. phases: (factor, frames), frame n of row k is sample n * factor + k."""
    factor = phases.shape[0]
    for begin in range(0, len(out), 1024):
        part = out[begin : begin + 1024]
        part[:] = 0.0
        for k in range(len(taps)):
            tap, sound = taps[k], phases[k % factor, begin + k // factor :]
            for n in range(len(part)):
                part[n] += tap * sound[n]


@kernel("f8[] f8[] f8[] f8[]")
def find_crests(sound: FloatArray, pattern: FloatArray, room: FloatArray, crests: FloatArray) -> None:
    """Highest square of each slice after a matched filter. room: some slices; sound: all of them and the pattern."""
    step = (len(sound) - len(pattern)) // max(len(crests), 1)
    at_once = len(room) // step
    for begin in range(0, len(crests), at_once):
        here = crests[begin : begin + at_once]
        part = room[: len(here) * step]
        part[:] = 0.0
        for k in range(len(pattern)):
            tap, piece = pattern[k], sound[begin * step + k :]
            for n in range(len(part)):
                part[n] += tap * piece[n]
        for s in range(len(here)):
            highest = 0.0
            for n in range(s * step, (s + 1) * step):
                square = part[n] * part[n]
                highest = square if square > highest else highest
            here[s] = highest


@kernel("f8[] f8[] f8[]")
def measure_slices(sound: FloatArray, powers: FloatArray, crests: FloatArray) -> None:
    """Mean and highest square of each slice of a sound, which they fill; crests may have none."""
    step = len(sound) // max(len(powers), 1)
    for s in range(len(powers)):
        total, highest = 0.0, 0.0
        for n in range(s * step, (s + 1) * step):
            square = sound[n] * sound[n]
            total += square
            highest = square if square > highest else highest
        powers[s] = total / step
        if len(crests):
            crests[s] = highest


@kernel("f8[] i8[] i8[] f8[] i8[] i8[]")
def find_prominent(powers: FloatArray, places: Any, widths: Any, usual: FloatArray, starts: Any, found: Any) -> None:
    """What stands out most of what holds each place: first item and width of the highest mean over its usual value.

    Of several widths, the last the greatest, each with its usual value; places are that far from both ends.
    """
    reach = widths[-1]
    for i in range(len(places)):
        best = 0.0
        starts[i], found[i] = places[i], 1
        sound = powers[places[i] - reach + 1 : places[i] + reach]
        for k in range(len(widths)):
            width = widths[k]
            until, since = 0.0, 0.0
            for n in range(reach):
                since += sound[n]
                if n < reach - width:
                    until += sound[n]
            for n in range(reach - width, reach):
                mean = (since - until) / (width * usual[k])
                if mean > best:
                    best = mean
                    starts[i], found[i] = places[i] - reach + 1 + n, width
                until += sound[n]
                since += sound[min(n + width, len(sound) - 1)]


@kernel("f8[] i8[] i8[] i8[] f8[]")
def find_loudest(powers: FloatArray, starts: Any, stops: Any, widths: Any, means: FloatArray) -> None:
    """Highest mean of so many items in a row, from each start to its stop; 0 where there are fewer."""
    for i in range(len(starts)):
        width = widths[i]
        until, since, highest = 0.0, 0.0, 0.0
        for n in range(starts[i], stops[i]):
            since += powers[n]
            if n >= starts[i] + width:
                until += powers[n - width]
            if n >= starts[i] + width - 1 and since - until > highest:
                highest = since - until
        means[i] = highest / width


@kernel("f8[] i8 f8[] f8[]")
def running_medians(values: FloatArray, hop: int, ordered: FloatArray, medians: FloatArray) -> None:
    """Median of as many values as `ordered`, which is room for an even number, has, at every hop."""
    size = len(ordered)
    for n in range(size):
        at = n
        while at > 0 and ordered[at - 1] > values[n]:
            ordered[at] = ordered[at - 1]
            at -= 1
        ordered[at] = values[n]
    for k in range(len(medians)):
        for n in range((k - 1) * hop if k else 0, k * hop):
            old, new = values[n], values[n + size]
            low, high = 0, size - 1
            while low < high:
                middle = (low + high) // 2
                if ordered[middle] < old:
                    low = middle + 1
                else:
                    high = middle
            while low < size - 1 and ordered[low + 1] < new:
                ordered[low] = ordered[low + 1]
                low += 1
            while low > 0 and ordered[low - 1] > new:
                ordered[low] = ordered[low - 1]
                low -= 1
            ordered[low] = new
        medians[k] = (ordered[size // 2 - 1] + ordered[size // 2]) / 2.0


@kernel("f8[] f8[] i8 i8 f8[]")
def average_lines(spectrum: FloatArray, apart: FloatArray, first: int, stop: int, means: FloatArray) -> None:
    """Mean of a spectrum at the lines from number `first` to `stop` of combs whose lines are so many bins apart."""
    for k in range(len(apart)):
        total = 0.0
        for line in range(first, stop):
            total += spectrum[np.int64(np.rint(line * apart[k]))]
        means[k] = total / (stop - first)

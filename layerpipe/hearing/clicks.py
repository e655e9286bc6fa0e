"""Clicks: what is over within 3 ms and is no note. Buttons, nails, picks, keys, digital ticks.

Powers are means of squares in slices of 1/6000 s; "mid" is above 150 Hz, "high" above 3 kHz. Three things make a click:
its energy above 3 kHz is one that noise of the level around it does not reach by chance (a slice of Gaussian noise is
chi-square distributed with about 8 degrees of freedom: 7 times its mean once in 4e8 slices, or 18 hours); it stands
alone, at least 3 dB over every other slice within 50 ms, which the teeth of a bright string, strums and squeaks never
do; and nothing new sounds after it: a note leaves the level above it higher for longer than a room rings.
That outliers over the local noise are clicks: Godsill, Rayner, "Digital Audio Restoration", Springer 1998.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.sound import FloatArray

SLICES_PER_S = 6000
WIDTHS = (1, 2, 6, 18)
"""Slices that are tried as the length of a click: 0.17, 0.33, 1 and 3 ms."""
OVER_MEAN = (7.0, 4.6, 2.9, 2.2)
"""How far over the mean the mean of so many slices must lie: equally improbable in Gaussian noise."""
ALONE = 2.0
NOTE_RISE = 1.6
MOST_NEIGHBOURS = 3
NEIGHBOURHOOD_S = 0.15
MOST_CLICKS = 5000
_BACK, _AHEAD = round(0.15 * SLICES_PER_S), round(0.18 * SLICES_PER_S)


@dataclass(frozen=True)
class Candidate:
    """A click: where, how far over the local rms above 3 kHz it peaks, and the level there (linear rms) around it."""

    at_s: float
    over_db: float
    high_rms: float
    mid_rms: float
    width_s: float


class ClickSearch:
    """Finds clicks in a stream of squared samples."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._step = max(1, round(rate_hz / SLICES_PER_S))
        self._mid_rest = np.zeros(0)
        self._high_rest = np.zeros(0)
        self._mid = np.zeros(0)
        self._high = np.zeros(0)
        self._peak = np.zeros(0)
        self._first = 0
        self._done = 0
        self._found: list[Candidate] = []

    @property
    def _slice_s(self) -> float:
        return self._step / self._rate_hz

    def add(self, mid_squared: FloatArray, high_squared: FloatArray) -> None:
        """Look at the next block; a click is judged once 0.18 s after it are known."""
        step = self._step
        mid = np.concatenate([self._mid_rest, mid_squared])
        high = np.concatenate([self._high_rest, high_squared])
        whole = len(mid) // step
        self._mid_rest, self._high_rest = mid[whole * step :], high[whole * step :]
        rows = high[: whole * step].reshape(whole, step)
        self._mid = np.concatenate([self._mid, mid[: whole * step].reshape(whole, step).mean(axis=1)])
        self._high = np.concatenate([self._high, rows.mean(axis=1)])
        self._peak = np.concatenate([self._peak, rows.max(axis=1) if whole else np.zeros(0)])
        self._judge(self._first + len(self._high) - _AHEAD)
        keep = max(self._done - self._first - _BACK, 0)
        self._mid, self._high, self._peak = self._mid[keep:], self._high[keep:], self._peak[keep:]
        self._first += keep

    def end(self) -> list[Candidate]:
        """All clicks, those in crowds left out."""
        # What would follow the take is taken for more of its end.
        if len(self._high):
            last = slice(-min(len(self._high), _BACK), None)
            self._mid = np.concatenate([self._mid, np.full(_AHEAD, np.median(self._mid[last]))])
            self._high = np.concatenate([self._high, np.full(_AHEAD, np.median(self._high[last]))])
            self._peak = np.concatenate([self._peak, np.zeros(_AHEAD)])
            self._judge(self._first + len(self._high) - _AHEAD)
        at_s = np.array([click.at_s for click in self._found])
        around = [np.count_nonzero(np.abs(at_s - click.at_s) < NEIGHBOURHOOD_S) for click in self._found]
        return [click for click, near in zip(self._found, around, strict=True) if near <= MOST_NEIGHBOURS]

    def _judge(self, stop: int) -> None:
        """Judge the slices up to `stop` that are not judged yet."""
        start = self._done
        if stop <= start:
            return
        high, off = self._high, self._first
        reach = round(0.03 * SLICES_PER_S)
        running = np.concatenate([[0.0], np.cumsum(high)])
        here = np.arange(start - off, stop - off)
        before = running[here] - running[np.maximum(here - reach, 0)]
        ahead = np.minimum(here + 20 + reach, len(high))
        after = running[ahead] - running[np.minimum(here + 20, len(high))]
        # The quieter side decides who is looked at closely; both sides decide who stays.
        base = np.minimum(before, after) / reach + 1e-30
        suspects = np.zeros(len(here), dtype=bool)
        for width, over in zip(WIDTHS, OVER_MEAN, strict=True):
            end = np.minimum(here + width, len(high))
            suspects |= (running[end] - running[here]) / width > over * base
        for index in _tops(here[suspects], high):
            click = self._look(int(index))
            if click is not None and len(self._found) < MOST_CLICKS:
                self._found.append(click)
        self._done = stop

    def _look(self, at: int) -> Candidate | None:
        """Judge one suspect, the loudest slice of its surroundings."""
        high, mid = self._high, self._mid
        near = slice(max(at - 20, 0), at + 30)
        if high[near].max() > high[at] * 1.0001:
            return None
        start, stop, width = _span(high, at)
        ms = SLICES_PER_S / 1000
        before = high[max(start - round(40 * ms), 0) : max(start - round(2 * ms), 0)]
        after = high[stop + round(5 * ms) : stop + round(45 * ms)]
        if len(before) < 5 * ms or not len(after):
            return None
        base = max(float(before.mean()), float(after.mean()))
        floor = min(base, float(np.median(np.concatenate([before, after]))) * 1.5) + 1e-30
        energy = float(high[start:stop].mean())
        over = OVER_MEAN[WIDTHS.index(width)]
        if energy < over * max(base, floor):
            return None
        around = np.concatenate([high[max(start - round(50 * ms), 0) : max(start - round(2 * ms), 0)],
                                 high[stop + round(4 * ms) : stop + round(50 * ms)]])
        if width > 1:
            around = np.convolve(around, np.ones(width) / width, mode="valid")
        if energy < ALONE * around.max(initial=0.0):
            return None
        if _leaves_more(high, start, stop) or _leaves_more(mid, start, stop):
            return None
        peak = float(np.sqrt(self._peak[start:stop].max()))
        rms = float(np.sqrt(base))
        return Candidate((self._first + at + 0.5) * self._slice_s, float(20 * np.log10(peak / (rms + 1e-15))), rms,
                         float(np.sqrt(mid[max(at - round(30 * ms), 0) : max(at - round(2 * ms), 1)].mean())),
                         (stop - start) * self._slice_s)


def _tops(suspects: FloatArray, high: FloatArray) -> list[int]:
    """The loudest slice of each cluster of suspects that lie within 4 ms."""
    if not len(suspects):
        return []
    groups = np.split(suspects, np.flatnonzero(np.diff(suspects) > 24) + 1)
    return sorted({int(low + np.argmax(high[low : top + 19])) for low, top in ((int(g[0]), int(g[-1])) for g in groups)})


def _span(high: FloatArray, at: int) -> tuple[int, int, int]:
    """Where the click begins and ends: the width that stands out most, counted in what chance allows."""
    best, found = 0.0, (at, at + 1, 1)
    for width, over in zip(WIDTHS, OVER_MEAN, strict=True):
        low = max(at - width + 1, 0)
        sums = np.convolve(high[low : at + width], np.ones(width) / width, mode="valid")
        if len(sums) and sums.max() / over > best:
            start = low + int(np.argmax(sums))
            best, found = float(sums.max() / over), (start, start + width, width)
    return found


def _leaves_more(power: FloatArray, start: int, stop: int) -> bool:
    """Whether the level rises with the click and stays up: a note. A room's answer is gone after 60 ms."""
    ms = SLICES_PER_S / 1000
    before = float(power[max(start - round(25 * ms), 0) : max(start - round(2 * ms), 1)].mean()) + 1e-30
    soon = float(power[stop + round(4 * ms) : stop + round(18 * ms)].mean())
    later = power[stop + round(45 * ms) : stop + round(100 * ms)]
    return soon > NOTE_RISE * before and float(np.median(later)) > NOTE_RISE * before

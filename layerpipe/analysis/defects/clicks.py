"""Clicks: what is over within 3 ms and is no note. Buttons, nails, picks, keys, digital ticks.

Powers are means of squares in slices of 1/6000 s; "mid" is above 150 Hz, "upper" above 1 kHz, "high" above 3 kHz,
"sharp" the second difference of that: strings have little at the top, where a tick has as much as anywhere.
A suspect is a slice, or a few, louder above 3 kHz than the level around, or a frame that peaks there or is sharp. What
rings is then predicted away (see `ringing`), and three things make it a click: its residual is one that noise does not
reach by chance (a slice of Gaussian noise is chi-square distributed with about 8 degrees of freedom: 7 times its mean
once in 4e8 slices, or 18 hours; a frame passes 6 times its rms once in 5e8); it stands alone within 50 ms, which the
teeth of a bright string, strums and squeaks never do; and no new sound follows: a note leaves more behind it than a
room makes of a click. The fainter a click, the more alone it must stand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.click_limits import is_alone
from layerpipe.analysis.defects.click_residual import WIDTHS, lone_of, loudest, span_of
from layerpipe.core.sound import FloatArray

SLICES_PER_S = 6000
SUSPECT, SUSPECT_SAMPLE, TICK_SLICES = (4.5, 3.5, 2.5, 2.0), 4.6, 3
"""How far over the level around a mean of so many slices (`WIDTHS`), or a frame over its rms, is looked at; what a tick
becomes above 3 kHz in its first slices is gathered in its frame."""
SUSPECT_SHARP = 6.0
"""And a sharp frame over the rms of what is sharp around; noise does not come to that by chance."""
LEAST_CREST, NEARLY_ALONE = 3.2, 0.4
"""A frame over the rms on both sides, and the power over the loudest other: below that no model is asked."""
HAND_ALONE, HAND_SAMPLE_ALONE = 5.5, 1.65
"""What stands so far alone is a click even while a hand comes down."""
RISES = (1.8, 1.45, 1.4)
"""How much more there must be after than before, in mid, upper and high, for something new to sound."""
SOON_MS, SOON_RISES = (12, 30), (1.6, 1.35)
"""And how much more above 3 kHz in the first moments after it than in those before it: noise-like strings, a sample's
loop, begin so. After 99 of 100 clicks of 15 dB it is less than 1.4 and 1.2."""
COMING = 3.0
"""A level that rises by so much in the 20 ms before is a strum on its way through the strings."""
LEFT_BEHIND = 0.2
"""Share of a click's energy that a small room gives back within 40 ms; a note gives more."""
SPREAD = 0.5
"""Share of its energy that a click may have in the 8 ms on both sides; a hand on the strings has more."""
HAND_LEAVES = 0.3
"""Share of the power above 150 Hz that a hand leaves after 20 to 50 ms; what rings by itself keeps more."""
MOST_NEIGHBOURS = 3
NEIGHBOURHOOD_S = 0.15
MOST_CLICKS = 5000
EDGE_S = 0.01
MID, UPPER, HIGH, SHARP = range(4)
_MS = SLICES_PER_S // 1000
_BACK, _AHEAD = 90 * _MS, 110 * _MS


@dataclass(frozen=True)
class Candidate:
    """A click: where, how far it peaks over the rms above 3 kHz around it, its peak there, and how long it is."""

    at_s: float
    over_db: float
    peak: float
    width_s: float
    alone: float
    """How many times the loudest power within 50 ms it has, once what rings is taken away."""


class ClickSearch:
    """Finds clicks in a stream of band-passed samples; `tick` is what a single frame becomes above 3 kHz."""

    def __init__(self, rate_hz: int, tick: FloatArray) -> None:
        self._rate_hz, self._tick = rate_hz, tick
        self._step = max(1, round(rate_hz / SLICES_PER_S))
        short = tick[: TICK_SLICES * self._step]
        self._short_tick = short / np.linalg.norm(short)
        self._rest = np.zeros((4, 0))
        self._before = np.zeros(2)
        self._power = np.zeros((4, 0))
        # The highest square of each slice of what is sharp.
        self._sharp_crest = np.zeros(0)
        self._sums = np.zeros((4, 1))
        self._sound = np.zeros(0)
        self._first = 0
        self._done = 0
        self._found: list[Candidate] = []

    @property
    def _slice_s(self) -> float:
        return self._step / self._rate_hz

    def add(self, mid: FloatArray, upper: FloatArray, high: FloatArray) -> None:
        """Look at the next block; a click is judged once 0.11 s after it are known."""
        step = self._step
        reaching = np.concatenate([self._before, high])
        self._before = reaching[-2:]
        bands = np.concatenate([self._rest, np.stack([mid, upper, high, np.diff(reaching, 2)])], axis=1)
        whole = bands.shape[1] // step
        rows = bands[:, : whole * step]
        self._rest = bands[:, whole * step :]
        squares = (rows * rows).reshape(4, whole, step)
        self._power = np.concatenate([self._power, squares @ np.full(step, 1 / step)], axis=1)
        self._sharp_crest = np.concatenate([self._sharp_crest, _highest(squares[SHARP])])
        self._sound = np.concatenate([self._sound, rows[HIGH]])
        self._judge(self._first + self._power.shape[1] - _AHEAD)
        keep = max(self._done - self._first - _BACK, 0)
        self._power, self._sharp_crest = self._power[:, keep:], self._sharp_crest[keep:]
        self._sound = self._sound[keep * step :]
        self._first += keep

    def end(self) -> list[Candidate]:
        """All clicks, those in crowds left out."""
        count = self._power.shape[1]
        if count:
            # What would follow the take is taken for what came last, mirrored.
            back = min(count, _AHEAD)
            self._power = np.concatenate([self._power, self._power[:, ::-1][:, :back]], axis=1)
            self._sharp_crest = np.concatenate([self._sharp_crest, self._sharp_crest[::-1][:back]])
            self._sound = np.concatenate([self._sound, self._sound[::-1][: back * self._step]])
            self._judge(self._first + count)
        # The first and the last moment of a file are cuts of whoever exported it.
        end_s = (self._first + count) * self._slice_s
        self._found = [click for click in self._found if EDGE_S < click.at_s < end_s - EDGE_S]
        at_s = np.array([click.at_s for click in self._found])
        around = [np.count_nonzero(np.abs(at_s - click.at_s) < NEIGHBOURHOOD_S) for click in self._found]
        return [click for click, near in zip(self._found, around, strict=True) if near <= MOST_NEIGHBOURS]

    def _judge(self, stop: int) -> None:
        """Judge the slices up to `stop` that are not judged yet."""
        start = self._done
        if stop <= start:
            return
        self._sums = np.concatenate([np.zeros((4, 1)), np.cumsum(self._power, axis=1)], axis=1)
        high, running, count = self._power[HIGH], self._sums[HIGH], self._power.shape[1]
        here = np.arange(start - self._first, stop - self._first)
        # The quieter side decides who is looked at closely; both sides decide who stays.
        base, level = self._levels(HIGH, here)
        sharp_base, sharp_level = self._levels(SHARP, here)
        first, crest = int(here[0]), self._crest(here)
        suspects = (crest > SUSPECT_SAMPLE**2 * base) | (self._sharp_crest[here] > SUSPECT_SHARP**2 * sharp_base)
        for width, over in zip(WIDTHS, SUSPECT, strict=True):
            end = np.minimum(here + width, count)
            suspects |= (running[end] - running[here]) / width > over * base
        # What stands out here: a second may hold a gap and a strum.
        stands = self._sharp_crest[here] / sharp_level + high[here] / level
        for n in _tops(np.flatnonzero(suspects), stands):
            index = first + n
            if (crest[max(n - 2, 0) : n + 3].max() < LEAST_CREST**2 * level[n]
                    and self._sharp_crest[max(index - 2, 0) : index + 3].max() < SUSPECT_SHARP**2 * sharp_level[n]):
                continue
            click = self._look(index)
            if click is not None and len(self._found) < MOST_CLICKS:
                self._found.append(click)
        self._done = stop

    def _crest(self, here: npt.NDArray[np.int64]) -> FloatArray:
        """The highest square of each slice, all that a single frame becomes gathered in it: a matched filter."""
        start, stop = int(here[0]) * self._step, (int(here[-1]) + 1) * self._step
        reach = len(self._short_tick) - 1
        sound = self._sound[start : stop + reach]
        padded = np.pad(sound, (0, stop + reach - start - len(sound)))
        return _highest((np.correlate(padded, self._short_tick, "valid") ** 2).reshape(len(here), self._step))

    def _levels(self, band: int, here: npt.NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
        """Mean power on the quieter and on the louder side of each slice."""
        running, count = self._sums[band], self._power.shape[1]
        reach, gap = 30 * _MS, 4 * _MS
        low = np.maximum(here - reach, 0)
        before = (running[here] - running[low]) / np.maximum(here - low, 1)
        begin, ahead = np.minimum(here + gap, count), np.minimum(here + gap + reach, count)
        after = (running[ahead] - running[begin]) / np.maximum(ahead - begin, 1)
        return np.minimum(before, after) + 1e-30, np.maximum(before, after) + 1e-30

    def _mean(self, band: int, start: int, stop: int) -> float:
        """Mean power of a band over slices; 0 where there are none."""
        start, stop = max(start, 0), min(stop, self._power.shape[1])
        return float(self._sums[band, stop] - self._sums[band, start]) / (stop - start) if stop > start else 0.0

    def _look(self, at: int) -> Candidate | None:
        """Judge one suspect, the loudest slice of its surroundings."""
        high, count = self._power[HIGH], self._power.shape[1]
        start, stop, _ = span_of(high, at)
        if start < 7 * _MS or stop > count - 9 * _MS:
            return None
        if self._something_new(start, stop):
            return None
        if max(self._alone(HIGH, start, stop), self._alone(SHARP, start, stop)) < NEARLY_ALONE:
            return None
        step, first = self._step, max(at - 60 * _MS, 0)
        lone = lone_of(self._sound[first * step : (at + 60 * _MS) * step], at - first, step, _MS, self._tick)
        if lone is None:
            return None
        start, stop = lone.start + first, lone.stop + first
        peak = float(np.abs(self._sound[start * step : stop * step]).max())
        beside = np.concatenate([high[max(start - 25 * _MS, 0) : max(start - 2 * _MS, 1)],
                                 high[stop + 4 * _MS : stop + 25 * _MS]])
        over_db = float(20 * np.log10(peak / np.sqrt(beside.mean() + 1e-30) + 1e-30))
        if not is_alone(lone, over_db, self._alone(MID, start, stop)) or self._spreads(start, stop):
            return None
        if self._hand_comes_down(start, stop) and not (
                lone.alone > HAND_ALONE and lone.sample_alone > HAND_SAMPLE_ALONE):
            return None
        return Candidate((self._first + at + 0.5) * self._slice_s, over_db, peak, (stop - start) * self._slice_s,
                         lone.alone)

    def _alone(self, band: int, start: int, stop: int) -> float:
        """Mean power of a band over the loudest as many slices around."""
        power, width = self._power[band], stop - start
        others = max(loudest(power[max(start - 45 * _MS, 0) : max(start - 2 * _MS, 0)], width),
                     loudest(power[stop + 4 * _MS : stop + 45 * _MS], width))
        return self._mean(band, start, stop) / (others + 1e-30)

    def _spreads(self, start: int, stop: int) -> bool:
        """Whether much of the energy lies beside the 3.3 ms that hold most of it: a hand, a squeak."""
        # A hand of 15 ms must not count as the level around itself.
        base = max(self._mean(HIGH, start - 45 * _MS, start - 12 * _MS),
                   self._mean(HIGH, stop + 12 * _MS, stop + 45 * _MS), 1e-22)
        widest = WIDTHS[-1] + 2
        first, last = max(stop - widest, 0), min(start + widest, self._power.shape[1])
        running = self._sums[HIGH, first : last + 1]
        first += int(np.argmax(running[widest:] - running[:-widest]))
        stop = first + widest
        excess = (self._mean(HIGH, first, stop) - base) * widest
        before, after = max(first - 8 * _MS, 0), min(stop + 8 * _MS, self._power.shape[1])
        length = first - before + after - stop
        beside = self._mean(HIGH, before, first) * (first - before) + self._mean(HIGH, stop, after) * (after - stop)
        chance = 2 * base * math.sqrt(length / 4)
        return beside - base * length > SPREAD * excess + chance

    def _hand_comes_down(self, start: int, stop: int) -> bool:
        """Whether what rang before is stopped: a click stops no string."""
        before = self._mean(MID, start - 40 * _MS, start - 5 * _MS)
        return self._mean(MID, stop + 20 * _MS, stop + 50 * _MS) < HAND_LEAVES * before

    def _something_new(self, start: int, stop: int) -> bool:
        """Whether more sounds after than before, more than a room would make of the click: a note."""
        for band, rise in enumerate(RISES):
            early = self._mean(band, start - 45 * _MS, start - 24 * _MS)
            late = self._mean(band, start - 24 * _MS, start - 3 * _MS)
            if early > 0.0 and late > COMING * early:
                return True
            before = self._mean(band, start - 45 * _MS, start - 3 * _MS)
            after = self._mean(band, stop + 4 * _MS, stop + 45 * _MS)
            click = (self._mean(band, start, stop) - before) * (stop - start)
            if after > rise * before and (after - before) * 41 * _MS > LEFT_BEHIND * max(click, 0.0):
                return True
        for length_ms, rise in zip(SOON_MS, SOON_RISES, strict=True):
            length = length_ms * _MS
            before = self._mean(HIGH, start - _MS - length, start - _MS)
            after = self._mean(HIGH, stop + _MS, stop + _MS + length)
            click = (self._mean(HIGH, start, stop) - before) * (stop - start)
            if after > rise * before and (after - before) * length > LEFT_BEHIND * max(click, 0.0):
                return True
        return False


def _highest(squares: FloatArray) -> FloatArray:
    """The highest of each slice, of squares of shape (slices, frames)."""
    # Frame by frame: a reduction along so short an axis takes four times as long.
    highest = squares[:, 0].copy()
    for n in range(1, squares.shape[1]):
        np.maximum(highest, squares[:, n], out=highest)
    return highest


def _tops(suspects: npt.NDArray[np.int64], stands: FloatArray) -> list[int]:
    """The slice that stands out most of each cluster of suspects that lie within 4 ms of each other."""
    if not len(suspects):
        return []
    found = set()
    for group in np.split(suspects, np.flatnonzero(np.diff(suspects) > 4 * _MS) + 1):
        low, stop = int(group[0]), min(int(group[-1]) + 19, len(stands))
        # Where strings are bright everything is suspect: every 10 ms then has a loudest slice of its own.
        for at in range(low, stop, 10 * _MS):
            found.add(at + int(np.argmax(stands[at : min(at + 10 * _MS, stop)])))
    return sorted(found)

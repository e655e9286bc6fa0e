"""Clicks: what is over within 3 ms and is no note. Buttons, nails, picks, keys, digital ticks.

Powers are means of squares in slices of 1/6000 s; "mid" is above 150 Hz, "upper" above 1 kHz, "high" above 3 kHz.
A suspect is a slice, or a few, louder above 3 kHz than the level around. What rings is then predicted away: a long
autoregressive model of the 60 ms before and after, whose residual is noise where strings ring on. Three things make
it a click: its residual is one that noise does not reach by chance (a slice of Gaussian noise is chi-square
distributed with about 8 degrees of freedom: 7 times its mean once in 4e8 slices, or 18 hours); it stands alone, at
least 3 dB over every other slice within 50 ms, which the teeth of a bright string, strums and squeaks never do; and
no new sound follows: a note leaves more behind it than a room makes of a click.
Clicks as outliers of an AR residual: Godsill, Rayner, "Digital Audio Restoration", Springer 1998. The long model:
trials on plucked strings; shorter ones leave the teeth of bright strings standing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.sound import FloatArray

SLICES_PER_S = 6000
WIDTHS = (1, 2, 6, 18)
"""Slices that are tried as the length of a click: 0.17, 0.33, 1 and 3 ms."""
OVER_MEAN = (7.0, 4.8, 3.2, 2.8)
"""How far over the mean the mean of so many slices must lie: equally improbable in Gaussian noise."""
SUSPECT = (4.5, 3.5, 2.5, 2.0)
ALONE, NEARLY_ALONE = 2.0, 0.7
RISES = (1.8, 1.45, 1.4)
"""How much more there must be after than before, in mid, upper and high, for something new to sound."""
COMING = 3.0
"""A level that rises by so much in the 20 ms before is a strum on its way through the strings."""
LEFT_BEHIND = 0.2
"""Share of a click's energy that a small room gives back within 40 ms; a note gives more."""
FAINTEST_OVER_DB = 12.5
"""Peak over the rms around: what is less is a whim of noise or of a string, and hardly heard."""
SPREAD = 0.5
"""Share of its energy that a click may have in the 8 ms on both sides; a hand on the strings has more."""
HAND_LEAVES = 0.3
"""Share of the power above 150 Hz that a hand leaves after 20 to 50 ms; what rings by itself keeps more."""
ORDER = 256
RIDGE = 1e-4
"""As if noise 40 dB down were there: an empty band, above a band limit, would make the model ring."""
MOST_NEIGHBOURS = 3
NEIGHBOURHOOD_S = 0.15
MOST_CLICKS = 5000
EDGE_S = 0.01
_MS = SLICES_PER_S // 1000
_BACK, _AHEAD = 90 * _MS, 110 * _MS


@dataclass(frozen=True)
class Candidate:
    """A click: where, how far it peaks over the rms above 3 kHz around it, its peak, and the rms above 150 Hz."""

    at_s: float
    over_db: float
    peak: float
    mid_rms: float
    width_s: float


class ClickSearch:
    """Finds clicks in a stream of band-passed samples."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._step = max(1, round(rate_hz / SLICES_PER_S))
        self._rest = np.zeros((3, 0))
        self._power = np.zeros((3, 0))
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
        bands = np.concatenate([self._rest, np.stack([mid, upper, high])], axis=1)
        whole = bands.shape[1] // step
        rows = bands[:, : whole * step]
        self._rest = bands[:, whole * step :]
        self._power = np.concatenate([self._power, (rows * rows).reshape(3, whole, step).mean(axis=2)], axis=1)
        self._sound = np.concatenate([self._sound, rows[2]])
        self._judge(self._first + self._power.shape[1] - _AHEAD)
        keep = max(self._done - self._first - _BACK, 0)
        self._power, self._sound = self._power[:, keep:], self._sound[keep * step :]
        self._first += keep

    def end(self) -> list[Candidate]:
        """All clicks, those in crowds left out."""
        count = self._power.shape[1]
        if count:
            # What would follow the take is taken for what came last, mirrored.
            back = min(count, _AHEAD)
            self._power = np.concatenate([self._power, self._power[:, ::-1][:, :back]], axis=1)
            self._sound = np.concatenate([self._sound, self._sound[::-1][: back * self._step]])
            self._judge(self._first + count)
        # The first and the last moment of a file are cuts of whoever exported it.
        end_s = count * self._slice_s + self._first * self._slice_s
        self._found = [click for click in self._found if EDGE_S < click.at_s < end_s - EDGE_S]
        at_s = np.array([click.at_s for click in self._found])
        around = [np.count_nonzero(np.abs(at_s - click.at_s) < NEIGHBOURHOOD_S) for click in self._found]
        return [click for click, near in zip(self._found, around, strict=True) if near <= MOST_NEIGHBOURS]

    def _judge(self, stop: int) -> None:
        """Judge the slices up to `stop` that are not judged yet."""
        start = self._done
        if stop <= start:
            return
        high, off = self._power[2], self._first
        reach, gap = 30 * _MS, 4 * _MS
        running = np.concatenate([[0.0], np.cumsum(high)])
        here = np.arange(start - off, stop - off)
        low = np.maximum(here - reach, 0)
        before = (running[here] - running[low]) / np.maximum(here - low, 1)
        begin, ahead = np.minimum(here + gap, len(high)), np.minimum(here + gap + reach, len(high))
        after = (running[ahead] - running[begin]) / np.maximum(ahead - begin, 1)
        # The quieter side decides who is looked at closely; both sides decide who stays.
        base = np.minimum(before, after) + 1e-30
        suspects = np.zeros(len(here), dtype=bool)
        for width, over in zip(WIDTHS, SUSPECT, strict=True):
            end = np.minimum(here + width, len(high))
            suspects |= (running[end] - running[here]) / width > over * base
        for index in _tops(here[suspects], high):
            click = self._look(index)
            if click is not None and len(self._found) < MOST_CLICKS:
                self._found.append(click)
        self._done = stop

    def _look(self, at: int) -> Candidate | None:
        """Judge one suspect, the loudest slice of its surroundings."""
        high = self._power[2]
        start, stop, width = _span(high, at)
        before, after = high[max(start - 45 * _MS, 0) : max(start - 2 * _MS, 0)], high[stop + 4 * _MS : stop + 45 * _MS]
        if len(before) < 5 * _MS or len(after) < 5 * _MS:
            return None
        base = max(float(before.mean()), float(after.mean()), 1e-22)
        energy = float(high[start:stop].mean())
        if energy < 2.0 * base or self._something_new(start, stop) or self._hand_comes_down(start, stop):
            return None
        # Before the long model is asked: the loudest within 50 ms, or nearly so.
        others = np.concatenate([before, after])
        running = np.concatenate([[0.0], np.cumsum(others)])
        if energy < NEARLY_ALONE * (running[width:] - running[:-width]).max() / width:
            return None
        found = self._stands_out(at)
        if found is None:
            return None
        start, stop = found
        step = self._step
        if self._spreads(start, stop, base):
            return None
        peak = float(np.abs(self._sound[start * step : stop * step]).max())
        mid = self._power[0, max(at - 30 * _MS, 0) : max(at - 2 * _MS, 1)].mean()
        beside = np.concatenate([high[max(start - 25 * _MS, 0) : max(start - 2 * _MS, 1)],
                                 high[stop + 4 * _MS : stop + 25 * _MS]])
        over_db = float(20 * np.log10(peak / np.sqrt(beside.mean() + 1e-30)))
        if over_db < FAINTEST_OVER_DB:
            return None
        return Candidate((self._first + at + 0.5) * step / self._rate_hz, over_db, peak,
                         float(np.sqrt(mid)), (stop - start) * step / self._rate_hz)

    def _spreads(self, start: int, stop: int, base: float) -> bool:
        """Whether much of the energy lies beside the 3.3 ms that hold most of it: a hand, a squeak."""
        high = self._power[2]
        widest = WIDTHS[-1] + 2
        first = max(stop - widest, 0)
        running = np.concatenate([[0.0], np.cumsum(high[first : start + widest])])
        first += int(np.argmax(running[widest:] - running[:-widest]))
        excess = float(high[first : first + widest].sum()) - base * widest
        stop = first + widest
        beside = np.concatenate([high[max(first - 8 * _MS, 0) : first], high[stop : stop + 8 * _MS]])
        chance = 2 * base * math.sqrt(len(beside) / 4)
        return bool(float(beside.sum()) - base * len(beside) > SPREAD * excess + chance)

    def _hand_comes_down(self, start: int, stop: int) -> bool:
        """Whether what rang before is stopped: a click stops no string."""
        mid = self._power[0]
        before = float(mid[max(start - 40 * _MS, 0) : max(start - 5 * _MS, 1)].mean())
        after = float(mid[stop + 20 * _MS : stop + 50 * _MS].mean())
        return after < HAND_LEAVES * before

    def _something_new(self, start: int, stop: int) -> bool:
        """Whether more sounds after than before, more than a room would make of the click: a note."""
        for power, rise in zip(self._power, RISES, strict=True):
            early, late = np.array_split(power[max(start - 45 * _MS, 0) : max(start - 3 * _MS, 2)], 2)
            if late.mean() > COMING * early.mean():
                return True
            before = float(early.mean() + late.mean()) / 2
            soon = power[stop + 4 * _MS : stop + 45 * _MS]
            after = float(soon.mean())
            click = float(power[start:stop].sum()) - before * (stop - start)
            if after > rise * before and (after - before) * len(soon) > LEFT_BEHIND * max(click, 0.0):
                return True
        return False

    def _stands_out(self, at: int) -> tuple[int, int] | None:
        """First slice and end of the click, if the residual of what rings shows it alone."""
        step = self._step
        first, last = max(at - 60 * _MS, 0), min(at + 60 * _MS, self._power.shape[1])
        sound = self._sound[first * step : last * step]
        place = at - first
        hole = slice(max(place - 2 * _MS, 0) * step, (place + 4 * _MS) * step)
        residual = _residual(sound, hole)
        if residual is None:
            return None
        power = (residual * residual)[: len(residual) // step * step].reshape(-1, step).mean(axis=1)
        near = slice(max(place - _MS, 0), place + _MS)
        place = near.start + int(np.argmax(power[near]))
        start, stop, width = _span(power, place)
        others = np.concatenate([power[ORDER // step + 1 : max(start - 2 * _MS, 0)], power[stop + 4 * _MS :]])
        if len(others) < 30 * _MS:
            return None
        sides = [side.mean() for side in (power[ORDER // step + 1 : max(start - 2 * _MS, 0)][-45 * _MS :],
                                          power[stop + 4 * _MS :][: 45 * _MS]) if len(side) > 5 * _MS]
        energy = float(power[start:stop].mean())
        if energy < OVER_MEAN[WIDTHS.index(width)] * max(sides):
            return None
        if width > 1:
            others = np.convolve(others, np.ones(width) / width, mode="valid")
        if energy < ALONE * others.max(initial=0.0):
            return None
        return start + first, stop + first


def mend(sound: FloatArray, start: int, stop: int) -> FloatArray:
    """A copy of a sound in which frames start to stop are foretold from both sides, and faded from one to the other.

    What a click covered comes back; what a note began does not go away, for it still rings after `stop`.
    """
    mended = sound.copy()
    before, after = sound[max(start - 8 * ORDER, 0) : start], sound[stop : stop + 8 * ORDER]
    if len(before) < 4 * ORDER or len(after) < 4 * ORDER:
        return mended
    rise = np.linspace(0.0, 1.0, stop - start)
    mended[start:stop] = ((1 - rise) * _go_on(before, stop - start) + rise * _go_on(after[::-1], stop - start)[::-1])
    return mended


def _go_on(sound: FloatArray, frames: int) -> FloatArray:
    """How a sound goes on if nothing new happens."""
    from scipy.linalg import solve_toeplitz
    from scipy.signal import lfilter, lfiltic

    windowed = sound * np.hanning(len(sound))
    size = 1 << (2 * len(sound)).bit_length()
    correlation = np.fft.irfft(np.abs(np.fft.rfft(windowed, size)) ** 2, size)[: ORDER + 1]
    if correlation[0] <= 1e-18:
        return np.zeros(frames)
    correlation[0] *= 1 + 1e-9
    model = np.concatenate([[1.0], -solve_toeplitz(correlation[:-1], correlation[1:], check_finite=False)])
    state = lfiltic([1.0], model, sound[::-1][:ORDER])
    further: FloatArray = lfilter([1.0], model, np.zeros(frames), zi=state)[0]
    return further


def _residual(sound: FloatArray, hole: slice) -> FloatArray | None:
    """What an autoregressive model of a sound, learnt outside the hole, does not predict; None of digital silence."""
    from scipy.linalg import solve_toeplitz
    around = sound.copy()
    around[hole] = 0.0
    # Long enough for the lags and for the filter, so that nothing wraps around.
    size = 1 << (len(sound) + ORDER).bit_length()
    spectrum = np.fft.rfft(around, size)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2, size)[: ORDER + 1]
    if correlation[0] <= 1e-18:
        return None
    correlation[0] *= 1 + RIDGE
    model = solve_toeplitz(correlation[:-1], correlation[1:], check_finite=False)
    whitener = np.fft.rfft(np.concatenate([[1.0], -model]), size)
    residual: FloatArray = np.fft.irfft(np.fft.rfft(sound, size) * whitener, size)[: len(sound)]
    return residual


def _tops(suspects: npt.NDArray[np.int64], high: FloatArray) -> list[int]:
    """The loudest slice of each cluster of suspects that lie within 4 ms of each other."""
    if not len(suspects):
        return []
    found = set()
    for group in np.split(suspects, np.flatnonzero(np.diff(suspects) > 4 * _MS) + 1):
        low, stop = int(group[0]), int(group[-1]) + 19
        # Where strings are bright everything is suspect: every 10 ms then has a loudest slice of its own.
        for at in range(low, stop, 10 * _MS):
            found.add(at + int(np.argmax(high[at : min(at + 10 * _MS, stop)])))
    return sorted(found)


def _span(power: FloatArray, at: int) -> tuple[int, int, int]:
    """Where the click begins and ends: the width that stands out most, counted in what chance allows."""
    best, found = 0.0, (at, at + 1, 1)
    running = np.concatenate([[0.0], np.cumsum(power[max(at - 17, 0) : at + 18])])
    first = max(at - 17, 0)
    for width, over in zip(WIDTHS, OVER_MEAN, strict=True):
        low, top = max(at - width + 1, 0) - first, min(at + width, len(power)) - first
        sums = (running[low + width : top + 1] - running[low : top + 1 - width]) / (width * over)
        if len(sums) and sums.max() > best:
            start = first + low + int(np.argmax(sums))
            best, found = float(sums.max()), (start, start + width, width)
    return found

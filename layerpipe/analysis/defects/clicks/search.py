"""The search for clicks: sounds of at most 3 ms that are no note. Buttons, nails, picks, keys, digital ticks.

Powers are means of squares in slices of 1/6000 s; "mid" is above 150 Hz, "upper" above 1 kHz, "high" above 3 kHz,
"sharp" the second difference of that: strings have little energy at the top, where a tick has as much as anywhere.
A suspect is a slice, or a few, louder above 3 kHz than the level around, or a sample that peaks there or is sharp.
`click_verdict.judge` then asks: does a new sound follow, does the suspect stand out once everything that rings is
predicted away (`click_residual`), is it a hand on the strings? Cheap questions come first. A slice of Gaussian noise is
chi-square distributed with about 8 degrees of freedom: it passes 7 times its mean once in 4e8 slices, or 18 hours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.clicks.residual import (
    MS,
    SETTINGS,
    SLICES_PER_S,
    Indices,
    Place,
    loudest,
    most_prominent,
    residuals_of,
)
from layerpipe.analysis.defects.clicks.verdict import ClickEvidence, ClickLimits, judge, level_ratio
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels import find_crests, measure_slices

BANDS = ("mid", "upper", "high", "sharp")
MID, UPPER, HIGH, SHARP = range(4)
_BACK, _AHEAD = 90 * MS, 110 * MS
"""Slices kept before a suspect and needed after it."""


@dataclass(frozen=True)
class SuspectLimits:
    """Which places are measured more closely."""

    over_level: tuple[float, ...] = (4.5, 3.5, 2.5, 2.0)
    """Mean of so many slices (`ResidualSettings.widths`) over the level of the quieter side."""
    amplitude: float = 4.6
    """Sample over the rms of the quieter side."""
    louder_side_amplitude: float = 3.2
    """And over that of the louder side: saves time beside strums."""
    sharp_amplitude: float = 6.0
    """Sharp sample over the rms of what is sharp around; noise does not reach that by chance."""
    tick_slices: int = 3
    """Slices in which the response of the high-pass to one sample has nearly all its energy."""
    neighbours: int = 3
    neighbourhood_s: float = 0.15
    """More suspects than that so near to each other are a noise or bright strings, not clicks."""
    most: int = 5000
    edge_s: float = 0.01
    """The first and last moment of a file are cuts made by whoever exported it."""


class ClickSearch:
    """Finds clicks in a stream of band-passed samples; `tick` is the response of the 3 kHz high-pass to one sample."""

    def __init__(self, rate_hz: int, tick: FloatArray, limits: ClickLimits | None = None) -> None:
        self._rate_hz, self._tick = rate_hz, tick
        self._limits, self._suspect = limits or ClickLimits(), SuspectLimits()
        self._step = max(1, round(rate_hz / SLICES_PER_S))
        short = tick[: self._suspect.tick_slices * self._step]
        self._short_tick = short / np.linalg.norm(short)
        self._rest = np.zeros((4, 0))
        self._before = np.zeros(2)
        self._power = np.zeros((4, 0))
        self._sharp_crest = np.zeros(0)
        """The highest square of each slice of what is sharp."""
        self._sums = np.zeros((4, 1))
        self._sound = np.zeros(0)
        self._first = 0
        self._done = 0
        self._found: list[ClickEvidence] = []

    @property
    def _slice_s(self) -> float:
        return self._step / self._rate_hz

    def add(self, mid: FloatArray, upper: FloatArray, high: FloatArray) -> None:
        """Search the next block; a suspect is judged once the 0.11 s after it are known."""
        step = self._step
        with_before = np.concatenate([self._before, high])
        self._before = with_before[-2:]
        bands = [mid, upper, high, np.diff(with_before, 2)]
        if self._rest.shape[1]:
            bands = [np.concatenate(both) for both in zip(self._rest, bands, strict=True)]
        whole = len(bands[HIGH]) // step
        rows = [band[: whole * step] for band in bands]
        self._rest = np.stack([band[whole * step :] for band in bands])
        power, crest = np.empty((4, whole)), np.empty(whole)
        for band, row in enumerate(rows):
            measure_slices(row, power[band], crest if band == SHARP else crest[:0])
        self._power = np.concatenate([self._power, power], axis=1)
        self._sharp_crest = np.concatenate([self._sharp_crest, crest])
        self._sound = np.concatenate([self._sound, rows[HIGH]])
        self._search(self._first + self._power.shape[1] - _AHEAD)
        keep = max(self._done - self._first - _BACK, 0)
        self._power, self._sharp_crest = self._power[:, keep:], self._sharp_crest[keep:]
        self._sound = self._sound[keep * step :]
        self._first += keep

    def end(self) -> list[ClickEvidence]:
        """All clicks and suspects that may be soft strums, without those in crowds."""
        count = self._power.shape[1]
        if count:
            # The end is mirrored, as if the sound went on.
            back = min(count, _AHEAD)
            self._power = np.concatenate([self._power, self._power[:, ::-1][:, :back]], axis=1)
            self._sharp_crest = np.concatenate([self._sharp_crest, self._sharp_crest[::-1][:back]])
            self._sound = np.concatenate([self._sound, self._sound[::-1][: back * self._step]])
            self._search(self._first + count)
        edge_s, end_s = self._suspect.edge_s, (self._first + count) * self._slice_s
        found = [click for click in self._found if edge_s < click.at_s < end_s - edge_s]
        at_s = np.array([click.at_s for click in found])
        return [click for click in found
                if np.count_nonzero(np.abs(at_s - click.at_s) < self._suspect.neighbourhood_s)
                <= self._suspect.neighbours]

    def _search(self, stop: int) -> None:
        """Search the slices up to `stop`."""
        start, limits = self._done, self._suspect
        if stop <= start:
            return
        self._sums = np.concatenate([np.zeros((4, 1)), np.cumsum(self._power, axis=1)], axis=1)
        high, running, count = self._power[HIGH], self._sums[HIGH], self._power.shape[1]
        here = np.arange(start - self._first, stop - self._first)
        quieter, louder = self._levels(HIGH, here)
        sharp_quieter, sharp_louder = self._levels(SHARP, here)
        first, crest = int(here[0]), self._crest(here)
        suspects = ((crest > limits.amplitude**2 * quieter)
                    | (self._sharp_crest[here] > limits.sharp_amplitude**2 * sharp_quieter))
        for width, over in zip(SETTINGS.widths, limits.over_level, strict=True):
            end = np.minimum(here + width, count)
            suspects |= (running[end] - running[here]) / width > over * quieter
        prominence = self._sharp_crest[here] / sharp_louder + high[here] / louder
        tops = _tops(np.flatnonzero(suspects), prominence)
        near = tops[:, np.newaxis] + np.arange(-2, 3)
        crests = crest[np.clip(near, 0, len(here) - 1)].max(axis=1)
        sharp_crests = self._sharp_crest[np.clip(first + near, 0, count - 1)].max(axis=1)
        is_louder = ((crests >= limits.louder_side_amplitude**2 * louder[tops])
                     | (sharp_crests >= limits.sharp_amplitude**2 * sharp_louder[tops]))
        self._found += self._evidence(first + tops[is_louder])[: limits.most - len(self._found)]
        self._done = stop

    def _crest(self, here: npt.NDArray[np.int64]) -> FloatArray:
        """The highest square of each slice after a matched filter that gathers a tick in one sample."""
        start, stop = int(here[0]) * self._step, (int(here[-1]) + 1) * self._step
        padded = np.zeros(stop - start + len(self._short_tick))
        sound = self._sound[start : start + len(padded)]
        padded[: len(sound)] = sound
        crests = np.empty(len(here))
        find_crests(padded, self._short_tick, np.empty(256 * self._step), crests)
        return crests

    def _levels(self, band: int, here: npt.NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
        """Mean power of 30 ms on the quieter and on the louder side of each slice."""
        running, count = self._sums[band], self._power.shape[1]
        reach, gap = 30 * MS, 4 * MS
        low = np.maximum(here - reach, 0)
        before = (running[here] - running[low]) / np.maximum(here - low, 1)
        begin, ahead = np.minimum(here + gap, count), np.minimum(here + gap + reach, count)
        after = (running[ahead] - running[begin]) / np.maximum(ahead - begin, 1)
        return np.minimum(before, after) + 1e-30, np.maximum(before, after) + 1e-30

    def _mean(self, band: int, start: Indices | int, stop: Indices | int) -> FloatArray:
        """Mean power of a band over slices; 0 where there are none."""
        start, stop = np.maximum(start, 0), np.minimum(stop, self._power.shape[1])
        sums = self._sums[band, stop] - self._sums[band, start]
        mean: FloatArray = np.where(stop > start, sums / np.maximum(stop - start, 1), 0.0)
        return mean

    def _evidence(self, places: Indices) -> list[ClickEvidence]:
        """Measure suspects, step by step, without those of which the verdict is that they are no clicks."""
        count = self._power.shape[1]
        places = places[(places >= 7 * MS) & (places < count - 9 * MS)]
        if not len(places):
            return []
        starts, stops = most_prominent(self._power[HIGH], places)
        inside = (starts >= 7 * MS) & (stops <= count - 9 * MS)
        places, starts, stops = places[inside], starts[inside], stops[inside]
        at_s, width_s = (self._first + places + 0.5) * self._slice_s, (stops - starts) * self._slice_s
        earlier = [self._mean(band, starts - 45 * MS, starts - 24 * MS) for band in (MID, UPPER, HIGH)]
        level_rise = np.max([level_ratio(self._mean(band, starts - 24 * MS, starts - 3 * MS),
                                         np.where(before > 0.0, before, math.inf))
                             for band, before in zip((MID, UPPER, HIGH), earlier, strict=True)], axis=0)
        new_sound = self._new_sound(starts, stops)
        over_loudest = np.maximum(self._over_loudest(HIGH, starts, stops), self._over_loudest(SHARP, starts, stops))
        undecided: dict[tuple[int, int], list[tuple[int, ClickEvidence]]] = {}
        for n in range(len(places)):
            evidence = ClickEvidence(
                at_s=float(at_s[n]), width_s=float(width_s[n]), level_rise=float(level_rise[n]),
                new_sound=tuple((float(rise[n]), float(left[n])) for rise, left in new_sound),
                over_loudest=float(over_loudest[n]))
            if judge(evidence, self._limits).is_defect is not False:
                # Pieces of one length are worked on together; only those at an end are shorter.
                at, stop = int(places[n]), min(int(places[n]) + 60 * MS, len(self._sound) // self._step)
                undecided.setdefault((min(at, 60 * MS), stop - at), []).append((at, evidence))
        found = []
        for (back, ahead), suspects in undecided.items():
            pieces = np.stack([self._sound[(at - back) * self._step : (at + ahead) * self._step] for at, _ in suspects])
            residuals = residuals_of(pieces, back, self._step, self._tick)
            found += [(at, self._with_residual(evidence, place, at - back))
                      for (at, evidence), place in zip(suspects, residuals, strict=True) if place is not None]
        return [evidence for _, evidence in sorted(found, key=lambda one: one[0])
                if judge(evidence, self._limits).is_defect is not False]

    def _with_residual(self, evidence: ClickEvidence, place: Place, first: int) -> ClickEvidence:
        """The evidence with what stands out of the residual of a piece that begins at slice `first`."""
        high = self._power[HIGH]
        start, stop = place.start + first, place.stop + first
        peak = float(np.abs(self._sound[start * self._step : stop * self._step]).max())
        beside = np.concatenate([high[max(start - 25 * MS, 0) : max(start - 2 * MS, 1)],
                                 high[stop + 4 * MS : stop + 25 * MS]])
        return replace(
            evidence, residual=place.residual, width_s=(stop - start) * self._slice_s, peak=peak,
            over_db=float(20 * np.log10(peak / np.sqrt(beside.mean() + 1e-30) + 1e-30)),
            mid_over_loudest=float(self._over_loudest(MID, np.array([start]), np.array([stop]))[0]),
            spread=self._spread(start, stop),
            ringing_left=float(level_ratio(self._mean(MID, stop + 20 * MS, stop + 50 * MS),
                                           self._mean(MID, start - 40 * MS, start - 5 * MS))))

    def _over_loudest(self, band: int, starts: Indices, stops: Indices) -> FloatArray:
        """Mean power of a band over that of the loudest place of the same length around."""
        power, widths = self._power[band], stops - starts
        others = np.maximum(loudest(power, np.maximum(starts - 45 * MS, 0), starts - 2 * MS, widths),
                            loudest(power, stops + 4 * MS, np.minimum(stops + 45 * MS, len(power)), widths))
        return self._mean(band, starts, stops) / (others + 1e-30)

    def _new_sound(self, starts: Indices, stops: Indices) -> list[tuple[FloatArray, FloatArray]]:
        """For each kind of new sound: level after over level before, and energy left behind over the click's."""
        found = []
        for new in self._limits.new_sound:
            band, length = BANDS.index(new.band), new.milliseconds * MS
            # The short ones begin at once; the long ones leave out what a filter or a small room smears.
            early, late = (3 * MS, 4 * MS) if length > 40 * MS else (MS, MS)
            before = self._mean(band, starts - early - length, starts - early)
            after = self._mean(band, stops + late, stops + late + length)
            click = (self._mean(band, starts, stops) - before) * (stops - starts)
            found.append((level_ratio(after, before), level_ratio((after - before) * length, np.maximum(click, 0.0))))
        return found

    def _spread(self, start: int, stop: int) -> float:
        """Energy beside the 3.3 ms that hold most of it, over the energy in them."""
        # A hand takes 15 ms; it must not count as the level around itself.
        base = max(float(self._mean(HIGH, start - 45 * MS, start - 12 * MS)),
                   float(self._mean(HIGH, stop + 12 * MS, stop + 45 * MS)), 1e-22)
        widest = SETTINGS.widths[-1] + 2
        first, last = max(stop - widest, 0), min(start + widest, self._power.shape[1])
        running = self._sums[HIGH, first : last + 1]
        first += int(np.argmax(running[widest:] - running[:-widest]))
        stop = first + widest
        inside = (self._mean(HIGH, first, stop) - base) * widest
        before, after = max(first - 8 * MS, 0), min(stop + 8 * MS, self._power.shape[1])
        length = first - before + after - stop
        beside = self._mean(HIGH, before, first) * (first - before) + self._mean(HIGH, stop, after) * (after - stop)
        # Twice the standard deviation of noise of this length, 8 degrees of freedom a slice.
        chance = 2 * base * math.sqrt(length / 4)
        return float(level_ratio(np.maximum(beside - base * length - chance, 0.0), np.maximum(inside, 0.0)))


def _tops(suspects: Indices, prominence: FloatArray) -> Indices:
    """The most prominent slice of each cluster of suspects that are within 4 ms of each other."""
    if not len(suspects):
        return suspects
    is_first = np.diff(suspects, prepend=-5 * MS) > 4 * MS
    last = suspects[np.append(np.flatnonzero(is_first)[1:] - 1, len(suspects) - 1)]
    found = set()
    for low, high in zip(suspects[is_first].tolist(), last.tolist(), strict=True):
        stop = min(high + 19, len(prominence))
        # Where strings are bright everything is suspect; then every 10 ms has a most prominent slice.
        for at in range(low, stop, 10 * MS):
            found.add(at + int(prominence[at : min(at + 10 * MS, stop)].argmax()))
    return np.array(sorted(found))

"""The lower end of a take, heard in long windows: partials for the tuning, rumble, and a copy at a low rate to read.

The low copy keeps what lies below 1.5 kHz at 4 kHz or a little more. Windows are 1.4 s of Blackman-Harris every 0.35 s:
their skirts lie 92 dB down, so a partial is itself and nothing else. Powers are linear, full scale 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray, Sound

LOW_RATE_HZ = 4000
WINDOW_S, HOP_S = 1.4, 0.35
SIZE = 8192
HIGHEST_HZ = 1450.0
LOWEST_PARTIAL_HZ = 55.0
RUMBLE_HZ, BESIDE_HZ = (4.0, 38.0), (44.0, 70.0)
PARTIALS_KEPT = 40
WINDOWS_A_RUN, MOST_RUNS = 8, 500
"""Partials are kept in runs of windows; past 23 minutes of them every second run goes, and goes on being left out."""
DEEPEST_DB = -60.0
"""Partials further under the loudest of their window are not kept."""


@dataclass(frozen=True)
class LowFrames:
    """What the long windows held. Partials are rows of (window, hz, amplitude, sharpness); shape (partials, 4)."""

    partials: npt.NDArray[np.float32]
    listed: npt.NDArray[np.bool_]
    """Windows whose partials are kept; shape (windows,)."""
    rumble: npt.NDArray[np.float32]
    """Power below 38 Hz in each window."""
    beside_rumble: npt.NDArray[np.float32]
    """What that power would be, were it as dense as from 44 to 70 Hz."""
    power: npt.NDArray[np.float32]
    """Power of each window below 1.5 kHz."""
    spectrum_hz: FloatArray
    spectrum: FloatArray
    """Mean power density (1/Hz)."""


class Decimator:
    """Keeps what lies below 1.5 kHz, at about 4 kHz; a stream, or a stretch from anywhere."""

    def __init__(self, rate_hz: int) -> None:
        self.factor = max(1, rate_hz // LOW_RATE_HZ)
        self.rate_hz = rate_hz / self.factor
        # Kaiser, 90 dB: from 1.5 kHz to where what folds back would land on it.
        width = 2 * math.pi * max(self.rate_hz - 2 * HIGHEST_HZ, 200.0) / rate_hz
        taps = (math.ceil((90 - 7.95) / (2.285 * width)) // 2) * 2 + 1 if self.factor > 1 else 1
        n = np.arange(taps) - taps // 2
        cutoff = self.rate_hz / 2 / rate_hz
        self.taps: FloatArray = (np.kaiser(taps, 8.96) * 2 * cutoff * np.sinc(2 * cutoff * n)
                                 if self.factor > 1 else np.ones(1))
        self.taps /= self.taps.sum()
        self._rest = np.zeros(taps // 2)

    def add(self, block: FloatArray) -> FloatArray:
        """The low copy as far as it is known."""
        sound = np.concatenate([self._rest, block])
        taps, factor = len(self.taps), self.factor
        count = max((len(sound) - taps) // factor + 1, 0)
        self._rest = sound[count * factor :]
        return self._filtered(sound, count)

    def end(self) -> FloatArray:
        """What is still held back."""
        return self.add(np.zeros(len(self.taps) // 2))

    def stretch(self, sound: Sound, start: int, stop: int) -> FloatArray:
        """The low copy of frames start to stop of any sound, silence outside of it."""
        half = len(self.taps) // 2
        first, last = max(start - half, 0), min(stop + half, sound.frames)
        padded = np.pad(sound.read(first, last), (first - (start - half), stop + half - last))
        return self._filtered(padded, max((len(padded) - len(self.taps)) // self.factor + 1, 0))

    def _filtered(self, sound: FloatArray, count: int) -> FloatArray:
        """Every `factor`-th sample of the filtered sound."""
        if self.factor == 1 or not count:
            return sound[:count]
        rows = np.lib.stride_tricks.sliding_window_view(sound, len(self.taps))[:: self.factor][:count]
        filtered: FloatArray = rows @ self.taps
        return filtered


class LowListener:
    """Hears a stream through long windows."""

    def __init__(self, rate_hz: int) -> None:
        self._decimator = Decimator(rate_hz)
        rate = self._decimator.rate_hz
        self._length = min(round(WINDOW_S * rate), SIZE)
        self._hop = round(HOP_S * rate)
        t = 2 * np.pi * (np.arange(self._length) + 0.5) / self._length
        self._window = 0.35875 - 0.48829 * np.cos(t) + 0.14128 * np.cos(2 * t) - 0.01168 * np.cos(3 * t)
        self._hz: FloatArray = np.fft.rfftfreq(SIZE, 1 / rate).astype(np.float64)
        self._density = 2.0 / (rate * float(np.sum(self._window**2)))
        self._inside = self._hz <= HIGHEST_HZ
        # How sharply a steady tone peaks; what dies within the window, a body or a drum, peaks less.
        tone = np.abs(np.fft.rfft(self._window * np.cos(np.pi / 2 * np.arange(self._length)), SIZE))
        top = int(np.argmax(tone))
        self._pure_bend = float(np.log(tone[top - 1]) - 2 * np.log(tone[top]) + np.log(tone[top + 1]))
        self._low = np.zeros(0)
        self._count = 0
        self._runs: dict[int, list[npt.NDArray[np.float32]]] = {}
        self._every = 1
        self._rumble: list[float] = []
        self._beside: list[float] = []
        self._power: list[float] = []
        self._total = np.zeros(int(self._inside.sum()))

    def add(self, block: FloatArray) -> None:
        """Hear the next block."""
        self._hear(self._decimator.add(block))

    def end(self) -> LowFrames:
        """What was heard. A take shorter than a window is heard once, followed by silence."""
        self._hear(self._decimator.end())
        if not self._count and len(self._low):
            self._hear(np.zeros(self._length - len(self._low)))
        kept = [rows for run in self._runs.values() for rows in run]
        partials = np.concatenate(kept) if kept else np.zeros((0, 4), np.float32)
        listed = np.arange(self._count) // WINDOWS_A_RUN % self._every == 0
        return LowFrames(partials, listed, np.array(self._rumble, np.float32), np.array(self._beside, np.float32),
                         np.array(self._power, np.float32),
                         self._hz[self._inside], self._total / max(1, self._count))

    def _hear(self, low: FloatArray) -> None:
        """Windows that are complete."""
        self._low = np.concatenate([self._low, low])
        at = 0
        while at + self._length <= len(self._low):
            self._window_at(self._low[at : at + self._length])
            at += self._hop
        self._low = self._low[at:]

    def _window_at(self, sound: FloatArray) -> None:
        """Powers and partials of one window."""
        # The mean would leak into the lowest bins.
        spectrum = np.abs(np.fft.rfft((sound - sound.mean()) * self._window, SIZE))[self._inside]
        density = spectrum**2 * self._density
        width = float(self._hz[1])
        rumble = (self._hz[self._inside] >= RUMBLE_HZ[0]) & (self._hz[self._inside] < RUMBLE_HZ[1])
        self._rumble.append(float(density[rumble].sum() * width))
        beside = (self._hz[self._inside] >= BESIDE_HZ[0]) & (self._hz[self._inside] < BESIDE_HZ[1])
        self._beside.append(float(density[beside].mean() * rumble.sum() * width))
        self._power.append(float(density.sum() * width))
        self._total += density
        run = self._count // WINDOWS_A_RUN
        if run % self._every == 0:
            self._runs.setdefault(run, []).append(
                _partials(spectrum, self._hz, self._count, 2.0 / float(self._window.sum()), self._pure_bend))
        if len(self._runs) > MOST_RUNS:
            self._every *= 2
            self._runs = {run: rows for run, rows in self._runs.items() if run % self._every == 0}
        self._count += 1


def _partials(spectrum: FloatArray, hz: FloatArray, window: int, scale: float,
              pure_bend: float) -> npt.NDArray[np.float32]:
    """Peaks of a spectrum, refined by a parabola through three logarithms."""
    first = int(np.searchsorted(hz, LOWEST_PARTIAL_HZ))
    middle = spectrum[first:-1]
    deepest = spectrum[first:].max(initial=0.0) * 10 ** (DEEPEST_DB / 20)
    if deepest <= 1e-9:
        return np.zeros((0, 4), np.float32)
    tops = np.flatnonzero((middle > spectrum[first - 1 : -2]) & (middle >= spectrum[first + 1 :])
                          & (middle > deepest)) + first
    tops = np.sort(tops[np.argsort(-spectrum[tops], kind="stable")[:PARTIALS_KEPT]])
    left, top, right = (np.log(spectrum[tops + k] + 1e-30) for k in (-1, 0, 1))
    bend = left - 2 * top + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.minimum(bend, -1e-9), 0.0)
    rows = np.empty((len(tops), 4), np.float32)
    rows[:, 0] = window
    rows[:, 1] = (tops + shift) * hz[1]
    rows[:, 2] = np.exp(top - 0.25 * (left - right) * shift) * scale
    rows[:, 3] = bend / pure_bend
    return rows

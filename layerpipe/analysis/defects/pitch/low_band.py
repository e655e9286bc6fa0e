"""The lower end of a take in long windows: partials for the tuning, and rumble.

The take is reduced to below 1.5 kHz at 4 kHz or a little more. Windows are 1.4 s of Blackman-Harris every 0.35 s: side
lobes are 92 dB down, so neighbouring partials do not leak into each other. Powers are linear, full scale 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.kernels import decimate


@dataclass(frozen=True)
class LowBandSettings:
    """How the low band is read."""

    rate_hz: int = 4000
    """At least; enough for partials up to 1.45 kHz and the filter's transition."""
    window_s: float = 1.4
    """Tells partials 3 Hz apart."""
    hop_s: float = 0.35
    size: int = 8192
    """Samples of the transform: bins 0.5 Hz apart, for the parabola through three of them."""
    highest_hz: float = 1450.0
    """Higher partials are too unsteady and too stretched to tune by (trials on plucked strings)."""
    lowest_partial_hz: float = 55.0
    """Below are rumble and the mains."""
    rumble_hz: tuple[float, float] = (4.0, 38.0)
    """Below E1, the lowest string of a bass, at 41 Hz."""
    beside_hz: tuple[float, float] = (44.0, 70.0)
    """Compared with the rumble: what reaches both bands is hiss or a thump."""
    partials_kept: int = 40
    """Per window; six strings have about as many below 1.45 kHz."""
    deepest_db: float = -60.0
    """Partials further under the loudest of their window are not kept."""
    windows_per_run: int = 8
    most_runs: int = 500
    """Partials are kept in runs of windows; past 23 minutes every second run is dropped, so memory stays bounded."""


SETTINGS = LowBandSettings()


@dataclass(frozen=True)
class LowBand:
    """Measured in the long windows. Partials are rows of (window, hz, amplitude, sharpness); shape (partials, 4)."""

    partials: npt.NDArray[np.float32]
    listed: npt.NDArray[np.bool_]
    """Windows whose partials are kept; shape (windows,)."""
    rumble: npt.NDArray[np.float32]
    """Power below 38 Hz in each window."""
    beside_rumble: npt.NDArray[np.float32]
    """The power below 38 Hz if it were as dense as from 44 to 70 Hz."""
    power: npt.NDArray[np.float32]
    """Power of each window below 1.5 kHz."""
    spectrum_hz: FloatArray
    spectrum: FloatArray
    """Mean power density (1/Hz)."""


class Decimator:
    """Reduces sound to below `highest_hz` at about `low_rate_hz`; a stream, or a stretch from anywhere."""

    def __init__(self, rate_hz: int, low_rate_hz: int = SETTINGS.rate_hz,
                 highest_hz: float = SETTINGS.highest_hz) -> None:
        self.factor = max(1, rate_hz // low_rate_hz)
        self.rate_hz = rate_hz / self.factor
        # Kaiser window, 90 dB; the transition band ends where aliases would fold back below the highest frequency.
        width = 2 * math.pi * max(self.rate_hz - 2 * highest_hz, 200.0) / rate_hz
        taps = (math.ceil((90 - 7.95) / (2.285 * width)) // 2) * 2 + 1 if self.factor > 1 else 1
        n = np.arange(taps) - taps // 2
        cutoff = self.rate_hz / 2 / rate_hz
        self.taps: FloatArray = (np.kaiser(taps, 8.96) * 2 * cutoff * np.sinc(2 * cutoff * n)
                                 if self.factor > 1 else np.ones(1))
        self.taps /= self.taps.sum()
        self._rest = np.zeros(taps // 2)

    def add(self, block: FloatArray) -> FloatArray:
        """The reduced sound as far as it is known."""
        sound = np.concatenate([self._rest, block])
        taps, factor = len(self.taps), self.factor
        count = max((len(sound) - taps) // factor + 1, 0)
        self._rest = sound[count * factor :]
        return self._filtered(sound, count)

    def end(self) -> FloatArray:
        """The rest."""
        return self.add(np.zeros(len(self.taps) // 2))

    def stretch(self, sound: Sound, start: int, stop: int) -> FloatArray:
        """Samples start to stop of any sound, reduced; outside the sound there is silence."""
        half = len(self.taps) // 2
        first = min(max(start - half, 0), sound.frames)
        last = max(min(stop + half, sound.frames), first)
        padded = np.zeros(stop - start + 2 * half)
        if first < last:
            padded[first - start + half : last - start + half] = sound.read(first, last)
        return self._filtered(padded, max((len(padded) - len(self.taps)) // self.factor + 1, 0))

    def _filtered(self, sound: FloatArray, count: int) -> FloatArray:
        """Every `factor`-th sample of the filtered sound."""
        if self.factor == 1 or not count:
            return sound[:count]
        columns = count + len(self.taps) // self.factor + 1
        padded = np.zeros(columns * self.factor)
        padded[: len(sound)] = sound[: len(padded)]
        filtered = np.empty(count)
        decimate(np.ascontiguousarray(padded.reshape(columns, self.factor).T), self.taps, filtered)
        return filtered


class LowBandMeter:
    """Measures a stream in long windows."""

    def __init__(self, rate_hz: int) -> None:
        self._decimator = Decimator(rate_hz)
        rate = self._decimator.rate_hz
        self._length = min(round(SETTINGS.window_s * rate), SETTINGS.size)
        self._hop = round(SETTINGS.hop_s * rate)
        t = 2 * np.pi * (np.arange(self._length) + 0.5) / self._length
        self._window = 0.35875 - 0.48829 * np.cos(t) + 0.14128 * np.cos(2 * t) - 0.01168 * np.cos(3 * t)
        self._hz: FloatArray = np.fft.rfftfreq(SETTINGS.size, 1 / rate).astype(np.float64)
        self._density = 2.0 / (rate * float(np.sum(self._window**2)))
        self._hz = self._hz[self._hz <= SETTINGS.highest_hz]
        self._rumbling, self._besides = (slice(*np.searchsorted(self._hz, band).tolist())
                                         for band in (SETTINGS.rumble_hz, SETTINGS.beside_hz))
        # How sharply a steady tone peaks; sound that dies within the window, a body or a drum, peaks less.
        tone = np.abs(np.fft.rfft(self._window * np.cos(np.pi / 2 * np.arange(self._length)), SETTINGS.size))
        top = int(np.argmax(tone))
        self._pure_bend = float(np.log(tone[top - 1]) - 2 * np.log(tone[top]) + np.log(tone[top + 1]))
        self._low = np.zeros(0)
        self._count = 0
        self._runs: dict[int, list[npt.NDArray[np.float32]]] = {}
        self._every = 1
        self._rumble: list[float] = []
        self._beside: list[float] = []
        self._power: list[float] = []
        self._total = np.zeros(len(self._hz))

    def add(self, block: FloatArray) -> None:
        """Measure the next block."""
        self._measure(self._decimator.add(block))

    def end(self) -> LowBand:
        """The measurements. A take shorter than a window is followed by silence."""
        self._measure(self._decimator.end())
        if not self._count and len(self._low):
            self._measure(np.zeros(self._length - len(self._low)))
        kept = [rows for run in self._runs.values() for rows in run]
        partials = np.concatenate(kept) if kept else np.zeros((0, 4), np.float32)
        listed = np.arange(self._count) // SETTINGS.windows_per_run % self._every == 0
        return LowBand(partials, listed, np.array(self._rumble, np.float32), np.array(self._beside, np.float32),
                         np.array(self._power, np.float32),
                         self._hz, self._total / max(1, self._count))

    def _measure(self, low: FloatArray) -> None:
        """Measure the windows that are complete."""
        self._low = np.concatenate([self._low, low])
        at = 0
        while at + self._length <= len(self._low):
            self._window_at(self._low[at : at + self._length])
            at += self._hop
        self._low = self._low[at:]

    def _window_at(self, sound: FloatArray) -> None:
        """Measure powers and partials of one window."""
        # The mean would leak into the lowest bins.
        spectrum = np.abs(np.fft.rfft((sound - sound.mean()) * self._window, SETTINGS.size)[: len(self._hz)])
        density = spectrum**2 * self._density
        width = float(self._hz[1])
        rumble, beside = density[self._rumbling], density[self._besides]
        self._rumble.append(float(rumble.sum() * width))
        self._beside.append(float(beside.mean() * len(rumble) * width))
        self._power.append(float(density.sum() * width))
        self._total += density
        run = self._count // SETTINGS.windows_per_run
        if run % self._every == 0:
            self._runs.setdefault(run, []).append(
                _partials(spectrum, self._hz, self._count, 2.0 / float(self._window.sum()), self._pure_bend))
        if len(self._runs) > SETTINGS.most_runs:
            self._every *= 2
            self._runs = {run: rows for run, rows in self._runs.items() if run % self._every == 0}
        self._count += 1


def _partials(spectrum: FloatArray, hz: FloatArray, window: int, scale: float,
              pure_bend: float) -> npt.NDArray[np.float32]:
    """Peaks of a spectrum, refined by a parabola through three logarithms."""
    first = int(np.searchsorted(hz, SETTINGS.lowest_partial_hz))
    middle = spectrum[first:-1]
    deepest = spectrum[first:].max(initial=0.0) * 10 ** (SETTINGS.deepest_db / 20)
    if deepest <= 1e-9:
        return np.zeros((0, 4), np.float32)
    tops = np.flatnonzero((middle > spectrum[first - 1 : -2]) & (middle >= spectrum[first + 1 :])
                          & (middle > deepest)) + first
    tops = np.sort(tops[np.argsort(-spectrum[tops], kind="stable")[:SETTINGS.partials_kept]])
    left, top, right = (np.log(spectrum[tops + k] + 1e-30) for k in (-1, 0, 1))
    bend = left - 2 * top + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.minimum(bend, -1e-9), 0.0)
    rows = np.empty((len(tops), 4), np.float32)
    rows[:, 0] = window
    rows[:, 1] = (tops + shift) * hz[1]
    rows[:, 2] = np.exp(top - 0.25 * (left - right) * shift) * scale
    rows[:, 3] = bend / pure_bend
    return rows

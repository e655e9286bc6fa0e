"""What the delivery sheet draws of a stem: its envelope and its long-term spectrum, gathered while it is written.

Envelopes are the lowest and highest sample of each of `ENVELOPE_PIECES` equal pieces, full scale 1.0. Spectra are mean
powers of short Hann-windowed frames taken every two seconds (less often in long songs), summed over both channels and
collected in sixths of an octave: a sine of full scale on one channel reads 0 dB in its band.
Band centres: the base-two series of IEC 61260-1:2014 around 1 kHz, six to the octave.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray
from layerpipe.core.units import db_of_power

ENVELOPE_PIECES = 900
"""About one a pixel of the picture."""
FFT_FRAMES = 8192
_EVERY_S, _MOST_FRAMES = 2.0, 150
"""How often a spectrum is taken, and how many at most: enough for a mean, few enough to cost no time."""
_BANDS_PER_OCTAVE, _LOWEST_HZ, _HIGHEST_HZ = 6, 40.0, 20_000.0


@dataclass(frozen=True)
class Spectrum:
    """Band centres in Hz and levels in dB; -inf for silence."""

    centres_hz: FloatArray
    levels_db: FloatArray


class Overview:
    """Envelope and spectrum of one stem, whose blocks come in order."""

    def __init__(self, frames: int, rate_hz: int, *, spectrum: bool) -> None:
        self._rate_hz, self._frames = rate_hz, frames
        self.edges = np.linspace(0, frames, min(ENVELOPE_PIECES, max(frames, 1)) + 1).astype(np.int64)
        """First frame of each piece, and the end."""
        self.low = np.zeros(len(self.edges) - 1, np.float32)
        self.high = np.zeros(len(self.edges) - 1, np.float32)
        self._hop = max(round(_EVERY_S * rate_hz), -(-frames // _MOST_FRAMES)) if spectrum else 0
        self._next = 0
        self._power, self._spectra = np.zeros(FFT_FRAMES // 2 + 1), 0

    def pieces_from(self, start: int, stop: int) -> npt.NDArray[np.int64]:
        """Where the pieces between two frames begin, counted from `start`; the first is 0."""
        first, last = np.searchsorted(self.edges, [start, stop - 1], side="right") - 1
        starts: npt.NDArray[np.int64] = np.maximum(self.edges[first : last + 1] - start, 0)
        return starts

    def add_extremes(self, start: int, lows: FloatArray, highs: FloatArray) -> None:
        """Extremes of consecutive pieces, the first being the one around frame `start`; pieces may come in parts."""
        first = int(np.searchsorted(self.edges, start, side="right")) - 1
        pieces = slice(first, first + len(lows))
        self.low[pieces] = np.minimum(self.low[pieces], lows)
        self.high[pieces] = np.maximum(self.high[pieces], highs)

    def add(self, sound: npt.NDArray[Any], at: int, *, step: float = 1.0) -> None:
        """A block that begins at frame `at`, shape (frames, channels): add spectra where one is due."""
        if not self._hop or at + len(sound) <= self._next:
            return
        for start in range(max(self._next - at, 0), len(sound), self._hop):
            frame = sound[start : start + FFT_FRAMES]
            if len(frame) < FFT_FRAMES and (start or at or at + len(sound) < self._frames):
                break
            windowed = np.zeros((sound.shape[1], FFT_FRAMES), np.float32)
            windowed[:, : len(frame)] = frame.T * np.float32(step)
            windowed *= _window()
            found = np.fft.rfft(windowed)
            self._power += (found.real**2 + found.imag**2).sum(axis=0)
            self._spectra += 1
            self._next = at + start + self._hop

    def spectrum(self) -> Spectrum:
        """The long-term spectrum so far."""
        bins_hz = np.arange(FFT_FRAMES // 2 + 1) * self._rate_hz / FFT_FRAMES
        highest = min(_HIGHEST_HZ, self._rate_hz / 2 / 2 ** (0.5 / _BANDS_PER_OCTAVE))
        steps = np.arange(round(_BANDS_PER_OCTAVE * np.log2(_LOWEST_HZ / 1000)),
                          int(_BANDS_PER_OCTAVE * np.log2(highest / 1000)) + 1)
        centres = 1000 * 2 ** (steps / _BANDS_PER_OCTAVE)
        half = 2 ** (0.5 / _BANDS_PER_OCTAVE)
        # A sine's energy in all bins of a Hann window: (amplitude / 2)^2 times length times the window's energy.
        scale = 4.0 / (FFT_FRAMES * float(np.sum(_window().astype(np.float64) ** 2)) * max(self._spectra, 1))
        density = np.concatenate([[0.0], np.cumsum(self._power * scale)])
        # Bands narrower than a bin take their share of it.
        borders = np.append(bins_hz, bins_hz[-1] + bins_hz[1]) - bins_hz[1] / 2
        edges = np.interp([centres / half, centres * half], borders, density)
        return Spectrum(centres, np.array([db_of_power(float(power)) for power in np.maximum(edges[1] - edges[0], 0)]))


@functools.cache
def _window() -> npt.NDArray[np.float32]:
    """Periodic Hann."""
    turn = 2 * np.pi * np.arange(FFT_FRAMES) / FFT_FRAMES
    shape: npt.NDArray[np.float32] = (0.5 - 0.5 * np.cos(turn)).astype(np.float32)
    shape.setflags(write=False)
    return shape

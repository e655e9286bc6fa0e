"""A metronome in a take, its ticks, and the take without them. Seconds are those of the take."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from layerpipe.core.sound import FloatArray, Sound


@dataclass(frozen=True)
class RestLimits:
    """What is left of ticks that were taken out."""

    near_s: float = 0.006
    share: tuple[float, float] = (0.5, 0.2)
    confidence: float = 0.9
    """An onset this near to a tick that adds less than this share of its power is its rest; less than the second
    share if it is more certain than this."""
    length_s: float = 0.06
    """What the level of an onset is measured over."""


REST = RestLimits()
LEAD_S = 0.006
"""The sound of a tick is known from so long before it begins."""


@dataclass(frozen=True)
class Metronome:
    """A metronome in a take; seconds from the start of the take."""

    first_s: float
    apart_s: float
    ticks: int
    level_db: float
    """Peak of a tick, dBFS."""
    worst_s: float
    """The tick that stands out most from what is played."""
    sound: FloatArray
    """Of one tick, from `LEAD_S` before it."""
    gains: FloatArray
    """Of each tick."""

    @property
    def at_s(self) -> FloatArray:
        """When each tick is heard."""
        return np.asarray(self.first_s + self.apart_s * np.arange(self.ticks), np.float64)

    def later(self, seconds: float) -> Metronome:
        """The same, with every time later."""
        return replace(self, first_s=self.first_s + seconds, worst_s=self.worst_s + seconds)

    def is_tick(self, at_s: float, near_s: float = REST.near_s) -> bool:
        """Whether a moment is that of a tick."""
        number = round((at_s - self.first_s) / self.apart_s)
        return 0 <= number < self.ticks and abs(at_s - self.first_s - number * self.apart_s) < near_s

    def is_rest(self, at_s: float, confidence: float, added: float, rate_hz: float) -> bool:
        """Whether an onset that adds some power (of 60 ms) is what was left of a tick when that was taken out."""
        tick = self.sound[: round((LEAD_S + REST.length_s) * rate_hz)]
        share = REST.share[confidence >= REST.confidence]
        return self.is_tick(at_s) and added < share * float(tick @ tick) / (REST.length_s * rate_hz)


class WithoutTicks:
    """A sound from which the ticks of a metronome are taken."""

    def __init__(self, sound: Sound, metronome: Metronome) -> None:
        self._sound, self._metronome = sound, metronome
        self.frames, self.rate_hz = sound.frames, sound.rate_hz
        self._starts = np.rint((metronome.at_s - LEAD_S) * sound.rate_hz).astype(int)

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop."""
        samples = np.array(self._sound.read(start, stop), dtype=np.float64)
        tick = self._metronome.sound
        first, end = np.searchsorted(self._starts, [start - len(tick), stop])
        for at, gain in zip(self._starts[first:end], self._metronome.gains[first:end], strict=True):
            low, high = max(at, start), min(at + len(tick), stop)
            if low < high:
                samples[low - start : high - start] -= gain * tick[low - at : high - at]
        return samples

"""Notes of four voices for strummed takes.

`steel`, `nylon`, `electric` are plucked loops (Karplus, Strong, Computer Music Journal 7(2), 1983); `modal` is a sum of
decaying partials and a burst of noise, used to judge what was tuned on the others. A note begins at its first frame.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from layerpipe.dsp.kernels.jit import kernel
from tests.support.sounds.waves import Wave, sum_waves

Array = npt.NDArray[np.float64]
Voice = Callable[[float, float, bool, int, int], Array]
"""(hz, velocity, muted, variant, rate_hz) -> one note."""


@kernel()
def _loop(burst: Array, fraction: float, damping: float, keep: float, line: Array, out: Array) -> None:
    """A plucked loop: delay (a line as long as the burst), fractional allpass, one-pole loss."""
    x1, y1, low = 0.0, 0.0, 0.0
    at = 0
    for n in range(len(out)):
        x = line[at]
        y = fraction * (x - y1) + x1
        x1, y1 = x, y
        low = (1 - damping) * y + damping * low
        out[n] = low
        line[at] = keep * low + (burst[n] if n < len(burst) else 0.0)
        at = at + 1 if at + 1 < len(line) else 0


def _plucked(hz: float, velocity: float, muted: bool, variant: int, rate_hz: int, *, edge_ms: float, damping: float,
             ring_s: float, scrape: float, place: float) -> Array:
    """A note of a plucked loop; what leaves the loop first is put at frame 0."""
    rng = np.random.default_rng([variant, round(hz * 100)])
    period = rate_hz / hz - 0.5 - damping / (1 - damping)
    delay = max(int(period), 8)
    part = min(max(period - delay, 0.05), 0.95)
    edge = max(2, round(edge_ms / 1000 * rate_hz * (1.5 - velocity)))
    burst = np.zeros(delay)
    at = max(2, round(place * delay * rng.uniform(0.8, 1.2)))
    pulse = np.hanning(edge + 2)[1:-1]
    pulse /= pulse.sum()
    burst[: min(edge, delay)] += pulse[:delay]
    stop = min(at + edge, delay)
    burst[at:stop] -= pulse[: stop - at]
    rough = rng.standard_normal(delay)
    burst += scrape * 0.05 * rough * np.exp(-np.arange(delay) / (0.002 * rate_hz))
    seconds = 0.09 if muted else ring_s * min(1.0, 220 / hz + 0.35)
    keep = 10 ** (-3.0 / (hz * seconds))
    frames = round(min(seconds * 1.1, 3.5) * rate_hz)
    note = np.zeros(frames + delay)
    _loop(burst, (1 - part) / (1 + part), damping, keep, np.zeros(delay), note)
    note = note[delay:]
    return velocity * note / (np.abs(note[: rate_hz // 20]).max() + 1e-12)


def steel(hz: float, velocity: float, muted: bool, variant: int, rate_hz: int) -> Array:
    """Bright, long."""
    return _plucked(hz, velocity, muted, variant, rate_hz, edge_ms=0.15, damping=0.18, ring_s=3.5, scrape=1.0,
                    place=0.15)


def nylon(hz: float, velocity: float, muted: bool, variant: int, rate_hz: int) -> Array:
    """Played by the flesh of a finger: dull, no scrape."""
    return _plucked(hz, velocity, muted, variant, rate_hz, edge_ms=1.1, damping=0.4, ring_s=1.8, scrape=0.15,
                    place=0.3)


def electric(hz: float, velocity: float, muted: bool, variant: int, rate_hz: int) -> Array:
    """Long, through a pickup that hears two places of the string and is a little overdriven."""
    note = _plucked(hz, 1.0, muted, variant, rate_hz, edge_ms=0.3, damping=0.3, ring_s=5.0, scrape=0.4, place=0.2)
    back = max(1, round(0.23 * rate_hz / hz))
    heard = note.copy()
    heard[back:] -= 0.9 * note[:-back]
    return velocity * np.tanh(1.5 * heard) / 1.5


def modal(hz: float, velocity: float, muted: bool, variant: int, rate_hz: int) -> Array:
    """Partials that rise within a millisecond or two and decay each at its own pace, and a burst of noise."""
    rng = np.random.default_rng([77, variant, round(hz * 100)])
    seconds = 0.12 if muted else 1.6
    frames, waves, rises = round(seconds * rate_hz), [], []
    for n in range(1, 1 + min(20, int(9000 / hz))):
        pitch = hz * n * math.sqrt(1 + 8e-5 * n * n)
        pace = (40.0 if muted else 1.2) + 0.25 * n + 1.2 * (pitch / 2500) ** 2 * rng.uniform(0.6, 1.4)
        level = rng.uniform(0.4, 1.0) * n ** -(1.7 - 0.5 * velocity)
        rises.append((1 + 0.3 * n) / 0.0015)
        waves.append(Wave(level, pitch, rng.uniform(0, 6.3), pace, frames))
    note = sum_waves(waves, frames, rate_hz, rises=np.array(rises))
    burst = rng.standard_normal(round(0.012 * rate_hz)) * np.exp(-np.arange(round(0.012 * rate_hz)) / (0.003 * rate_hz))
    note[: len(burst)] += 0.35 * velocity * np.convolve(burst, [0.25, 0.5, 0.25], mode="same")
    return velocity * note / (np.abs(note).max() + 1e-12)


VOICES: dict[str, Voice] = {"steel": steel, "nylon": nylon, "electric": electric, "modal": modal}

"""Whether two files hold one performance: the phase of their cross-spectrum is that of one delay.

Two performances of one part agree in notes, not in phase. An excerpt is the spectrum of the same seconds of each file,
so that files of any two rates are compared bin by bin. Phase transform: Knapp and Carter, IEEE Trans. ASSP 24(4), 1976.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import Float32Array, FloatArray

EXCERPT_S = 8.0
BESIDE_S = 0.04
"""What is this near to the peak belongs to it: early reflections of a room."""
LOW_HZ, HIGH_HZ = 200.0, 5_000.0
"""Below, rooms and hum decide; above, two microphones differ too much in their distance to each string."""
Excerpt = npt.NDArray[np.complex64]


@dataclass(frozen=True)
class Likeness:
    """How much of one sound is in another."""

    share: float
    """How far the correlation's peak is above its height at all other delays, every frequency counting alike: near 1
    for the same sound, near 0 without relation. Steady notes agree at many delays, one performance at one."""
    height: float
    """The peak itself: 1 is the same sound."""
    later_s: float
    """How much later it is in the second."""


def excerpt_of(read: Callable[[int, int], FloatArray | Float32Array], frames: int, rate_hz: int,
               channel: int | None = None) -> Excerpt:
    """The spectrum of the 8 s in the middle of a file; a shorter file is padded with silence.

    Returns
    -------
    np.ndarray [shape=(bins,), complex64]
        From 200 to 5000 Hz in steps of 1/8 Hz, each bin of magnitude 1 or 0; empty where the rate is too low.
    """
    import scipy.fft

    size = round(EXCERPT_S * rate_hz)
    start = max(0, (frames - size) // 2)
    sound = read(start, min(start + size, frames))
    mono = (sound.mean(axis=1) if channel is None else sound[:, channel]).astype(np.float32)
    # Without the window, the skirts of loud notes would decide in every bin.
    mono *= np.hanning(len(mono)).astype(np.float32)
    spectrum = scipy.fft.rfft(mono, size)[round(LOW_HZ * EXCERPT_S) : round(HIGH_HZ * EXCERPT_S)]
    magnitude = np.abs(spectrum)
    # Bins far under the rest hold noise whose phase says nothing.
    floor = 1e-3 * magnitude.max(initial=0.0) + 1e-12
    kept: Excerpt = np.where(magnitude > floor, spectrum / np.maximum(magnitude, floor), 0).astype(np.complex64)
    return kept


def likeness(first: Excerpt, second: Excerpt) -> Likeness:
    """Compare two excerpts; the polarity does not matter."""
    import scipy.fft

    count = min(len(first), len(second))
    cross = second[:count] * np.conj(first[:count])
    used = int(np.count_nonzero(cross))
    if not used:
        return Likeness(0.0, 0.0, 0.0)
    size = scipy.fft.next_fast_len(2 * count)
    # The excerpt begins at LOW_HZ: the correlation is the magnitude of the analytic one.
    heights = np.abs(scipy.fft.ifft(cross, size)) * size / used
    at = int(np.argmax(heights))
    later = (at if at < size // 2 else at - size) / size * EXCERPT_S
    height, beside = float(heights[at]), round(BESIDE_S / EXCERPT_S * size)
    heights[np.arange(at - beside, at + beside + 1) % size] = 0.0
    return Likeness(height - float(heights.max()), height, later)

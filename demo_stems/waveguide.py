"""One string as a digital waveguide: the design of its loop, the shape of a pluck, and the compiled run of all strings.

Frequencies are Hz, times at the door seconds, lengths frames. Per string and polarisation: delay, fractional-delay
allpass, dispersion allpasses, one-pole loss; what arrives at the bridge is shared among all strings, so that what is
not plucked rings along.
Jaffe, Smith, "Extensions of the Karplus-Strong plucked-string algorithm", Computer Music Journal 7(2), 1983;
Smith, "Physical modeling using digital waveguides", Computer Music Journal 16(4), 1992.
"""

from __future__ import annotations

import functools
import math

import numba
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

LOSS_POINT_HZ = 4000.0
DISPERSION_STAGES = 4
CROSSWISE_SHARE = 0.4
"""How much of the crosswise vibration is heard."""
LEAST_SOUND = 1e-18
"""Keeps the loops of silent strings out of subnormal numbers."""


@functools.lru_cache(maxsize=4096)
def design_loop(
    pitch_hz: float, rate_hz: int, *, ring_low_s: float, ring_high_s: float, stiffness: float
) -> tuple[float, float, float, float, float]:
    """Delay frames, fractional allpass, loss gain, loss pole and dispersion allpass of one string loop.

    The first partial comes out at `pitch_hz` exactly; partial n near n * sqrt((1 + B n^2) / (1 + B)) times that
    (Fletcher, "Normal vibration frequencies of a stiff piano string", JASA 36, 1964).

    Parameters
    ----------
    pitch_hz : float
        First partial.
    rate_hz : int
        Frames per second.
    ring_low_s, ring_high_s : float
        Seconds to -60 dB at the first partial and at 4 kHz.
    stiffness : float
        Fletcher's B.

    Returns
    -------
    tuple of float
        (delay, fractional coefficient, loss gain, loss pole, dispersion coefficient)
    """
    low = 2 * math.pi * pitch_hz / rate_hz
    high = 2 * math.pi * max(LOSS_POINT_HZ, 2 * pitch_hz) / rate_hz
    keeps_low = 10.0 ** (-3.0 / (pitch_hz * ring_low_s))
    ratio = 10.0 ** (-6.0 / (pitch_hz * ring_high_s)) / keeps_low**2
    middle = (math.cos(low) - ratio * math.cos(high)) / (1.0 - ratio)
    pole = middle - math.sqrt(middle * middle - 1.0)
    gain = keeps_low * math.sqrt(1.0 + pole * pole - 2.0 * pole * math.cos(low))

    def loss_delay(w: float) -> float:
        return math.atan2(pole * math.sin(w), 1.0 - pole * math.cos(w)) / w

    def stage_delay(c: float, w: float) -> float:
        return (w - 2.0 * math.atan2(c * math.sin(w), 1.0 + c * math.cos(w))) / w

    partial = max(3, min(12, int(3500.0 / pitch_hz)))
    stretched = partial * low * math.sqrt((1 + stiffness * partial**2) / (1 + stiffness))
    wanted = 2 * math.pi / low - 2 * math.pi * partial / stretched - (loss_delay(low) - loss_delay(stretched))
    c_low, c_high = -0.97, 0.0
    for _ in range(60):
        c = (c_low + c_high) / 2
        if DISPERSION_STAGES * (stage_delay(c, low) - stage_delay(c, stretched)) > wanted:
            c_low = c
        else:
            c_high = c
    c = (c_low + c_high) / 2
    rest = 2 * math.pi / low - DISPERSION_STAGES * stage_delay(c, low) - loss_delay(low)
    delay = math.floor(rest - 0.5)
    part = rest - delay
    fraction = math.sin((low - low * part) / 2) / math.sin((low + low * part) / 2)
    return float(delay), fraction, gain, pole, c


def pluck_shape(period: float, place: float, edge: float, late: float) -> Array:
    """One period of the bridge force of a string let go at `place`: a flat pulse with edges rounded by the pick.

    Parameters
    ----------
    period, edge : float
        Frames.
    place : float
        Share of the string, 0 to 0.5.
    late : float
        Part of a frame by which the pluck lies after the first frame, 0 to 1.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
        Sums to 0 (within rounding), so that the loop holds no standing offset.
    """
    t = np.arange(math.ceil(period + edge) + 2) - late

    def step(at: float) -> Array:
        u = np.clip((t - at) / edge, 0.0, 1.0)
        return u - np.sin(2 * np.pi * u) / (2 * np.pi)

    return (1 - place) * step(0.0) - step(place * period) + place * step(period)


@numba.njit(nogil=True)
def run_strings(push, keeps, angles, when, whose, loops, taps, share, crosswise, out):  # type: ignore[no-untyped-def]
    """Run all strings frame by frame; events (sorted by frame) change a string's loop.

    push, keeps: (strings, frames), what is added and what share of each passage is kept; loops: (events, 2, 5) from
    `design_loop`; taps: delay to the second passage by the pickup, 0 for the bridge; share of each arriving wave goes
    to every string with its sign turned: below 2 / strings nothing can grow. The sound is written into `out`.
    """
    strings, frames = push.shape
    size = 4096
    line = np.zeros((strings, 2, size))
    loop = np.zeros((strings, 2, 5))
    tap = np.zeros(strings, dtype=np.int64)
    fraction_x = np.zeros((strings, 2))
    fraction_y = np.zeros((strings, 2))
    stage = np.zeros((strings, 2, DISPERSION_STAGES))
    stage_x = np.zeros((strings, 2, DISPERSION_STAGES))
    lost = np.zeros((strings, 2))
    event = 0
    for n in range(frames):
        while event < len(when) and when[event] <= n:
            s = whose[event]
            loop[s] = loops[event]
            tap[s] = taps[event]
            event += 1
        here = n % size
        arrived = 0.0
        for s in range(strings):
            for p in range(2):
                back = int(loop[s, p, 0])
                x = line[s, p, (n - back) % size]
                a = loop[s, p, 1]
                y = a * x + fraction_x[s, p] - a * fraction_y[s, p]
                fraction_x[s, p] = x
                fraction_y[s, p] = y
                c = loop[s, p, 4]
                for k in range(DISPERSION_STAGES):
                    z = c * y + stage_x[s, p, k] - c * stage[s, p, k]
                    stage_x[s, p, k] = y
                    stage[s, p, k] = z
                    y = z
                lost[s, p] = loop[s, p, 2] * y + loop[s, p, 3] * lost[s, p]
            arrived += lost[s, 0] * keeps[s, n]
        heard = 0.0
        for s in range(strings):
            e = push[s, n]
            upright = lost[s, 0] * keeps[s, n] - share * arrived + e * math.cos(angles[s]) + LEAST_SOUND
            across = lost[s, 1] * keeps[s, n] - 0.2 * share * arrived + e * math.sin(angles[s]) + LEAST_SOUND
            line[s, 0, here] = upright
            line[s, 1, here] = across
            heard += upright + crosswise * across
            if tap[s] > 0:
                before = (n - tap[s]) % size
                heard -= line[s, 0, before] + crosswise * line[s, 1, before]
        out[n] = heard

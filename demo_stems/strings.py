"""Plucked strings as digital waveguides: six coupled strings, two polarisations each, played by events.

Frequencies are Hz, times seconds at the door and frames inside, tuning cents against equal temperament (A4 = 440 Hz).
One loop per string and polarisation: delay, fractional-delay allpass, dispersion allpasses, one-pole loss; what arrives
at the bridge is shared among all strings, so that what is not plucked rings along.
Jaffe, Smith, "Extensions of the Karplus-Strong plucked-string algorithm", Computer Music Journal 7(2), 1983;
Smith, "Physical modeling using digital waveguides", Computer Music Journal 16(4), 1992. String constants: by ear and eye.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

LOSS_POINT_HZ = 4000.0
DISPERSION_STAGES = 4
CROSSWISE_DETUNING_CENTS = 0.35
"""The two polarisations of a string never agree wholly: slow beating."""
LEAST_SOUND = 1e-18
"""Keeps the loops of silent strings out of subnormal numbers."""


@dataclass(frozen=True)
class StringKind:
    """One string of one instrument: its open note, how long it rings low and at 4 kHz, its stiffness, its strength."""

    open_hz: float
    ring_low_s: float
    ring_high_s: float
    stiffness: float
    strength: float = 1.0


@dataclass(frozen=True)
class Fretting:
    """From `at_s` on the string is stopped at this fret; a muted one hardly rings."""

    string: int
    at_s: float
    fret: int
    muted: bool = False


@dataclass(frozen=True)
class Pluck:
    """The string is let go at `at_s`: strength 0 to 1, place along the string, edge of the pick in ms."""

    string: int
    at_s: float
    fret: int
    strength: float
    place: float
    edge_ms: float
    scrape: float


@dataclass(frozen=True)
class Touch:
    """A hand or a pick rests on a string from `start_s` to `stop_s`; each passage of the wave keeps `keeps` of it."""

    string: int
    start_s: float
    stop_s: float
    keeps: float


def fretted_hz(kind: StringKind, fret: int, cents: float = 0.0) -> float:
    """Pitch of a string at a fret, `cents` off equal temperament."""
    return kind.open_hz * 2.0 ** ((fret + cents / 100.0) / 12.0)


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
def _ring(push, keeps, angles, when, whose, loops, taps, share, crosswise, out):  # type: ignore[no-untyped-def]
    """Run all strings frame by frame; events (sorted by frame) change a string's loop."""
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


def ring(
    kinds: list[StringKind],
    events: list[Fretting | Pluck | Touch],
    *,
    rate_hz: int,
    frames: int,
    tuning_cents: list[float],
    share: float,
    pickup: float | None,
    rng: np.random.Generator,
) -> Array:
    """What arrives at the bridge (or at a pickup) of an instrument whose strings are played by `events`.

    Parameters
    ----------
    kinds : list of StringKind
        Low string first.
    events : list
        Frettings, plucks and touches in any order.
    share : float
        Part of each arriving wave that the bridge hands to every string; below 2 / strings nothing can grow.
    pickup : float or None
        Place of a magnetic pickup along the string (share of its length), or None for the bridge.
    rng : np.random.Generator
        For the scrape of the pick; drawn in the order of the events.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
    """
    push = np.zeros((len(kinds), frames))
    keeps = np.ones((len(kinds), frames))
    angles = np.linspace(0.45, 0.75, len(kinds))
    changes: list[tuple[int, int, list[list[float]], int]] = []
    for event in events:
        kind = kinds[event.string]
        if isinstance(event, Touch):
            _touch(keeps[event.string], event, rate_hz)
            continue
        pitch_hz = fretted_hz(kind, event.fret, tuning_cents[event.string])
        if isinstance(event, Fretting):
            stopped = 1.0 if event.fret == 0 else 0.72
            low_s = 0.09 if event.muted else kind.ring_low_s * stopped
            high_s = 0.03 if event.muted else kind.ring_high_s * stopped
            loops = []
            for slower, cents in ((1.0, 0.0), (1.5, CROSSWISE_DETUNING_CENTS)):
                hz = pitch_hz * 2.0 ** (cents / 1200.0)
                loops.append(
                    list(design_loop(hz, rate_hz, ring_low_s=low_s * slower, ring_high_s=high_s * slower,
                                     stiffness=kind.stiffness))
                )
            tap = 0 if pickup is None else max(1, round(pickup * rate_hz / pitch_hz))
            changes.append((max(0, round(event.at_s * rate_hz)), event.string, loops, tap))
            continue
        _pluck(push[event.string], event, kind, rate_hz / pitch_hz, rate_hz, rng)
    changes.sort(key=lambda change: change[:2])
    out = np.zeros(frames)
    _ring(
        push, keeps, angles,
        np.array([c[0] for c in changes]), np.array([c[1] for c in changes]), np.array([c[2] for c in changes]),
        np.array([c[3] for c in changes]), share, 0.4, out,
    )
    return out


def _touch(keeps: Array, touch: Touch, rate_hz: int) -> None:
    """Lower what the loop keeps between two places, with 2 ms edges."""
    start, stop = round(touch.start_s * rate_hz), round(touch.stop_s * rate_hz)
    edge = max(1, min(round(0.002 * rate_hz), (stop - start) // 2))
    shape = np.full(max(stop - start, 2 * edge), touch.keeps)
    rise = 0.5 + 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    shape[:edge] = touch.keeps + (1 - touch.keeps) * rise
    shape[-edge:] = shape[:edge][::-1]
    start_in, stop_in = max(start, 0), min(start + len(shape), len(keeps))
    if stop_in > start_in:
        part = keeps[start_in:stop_in]
        np.minimum(part, shape[start_in - start : stop_in - start], out=part)


def _pluck(push: Array, pluck: Pluck, kind: StringKind, period: float, rate_hz: int, rng: np.random.Generator) -> None:
    """Add the pulse of one pluck and the scrape of the pick before it."""
    level = pluck.strength * kind.strength
    at = pluck.at_s * rate_hz
    first = math.floor(at)
    shape = level * pluck_shape(period, pluck.place, pluck.edge_ms / 1000 * rate_hz, at - first)
    scrape_frames = round(0.0045 * rate_hz)
    scrape = rng.standard_normal(scrape_frames) * np.hanning(scrape_frames) ** 2
    scrape = np.diff(scrape, prepend=0.0) * level * pluck.scrape
    _add(push, shape, first)
    _add(push, scrape, first - scrape_frames // 3)


def _add(target: Array, what: Array, at: int) -> None:
    """Add a piece at a place, leaving out what lies outside."""
    start, stop = max(at, 0), min(at + len(what), len(target))
    if stop > start:
        target[start:stop] += what[start - at : stop - at]

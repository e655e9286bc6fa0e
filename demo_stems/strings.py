"""Plucked strings played by events: strings of an instrument, and what fingers, pick and hand do to them.

Times are seconds at the door, frames inside; tuning is cents against equal temperament (A4 = 440 Hz).
How long strings ring, how stiff and strong they are: by eye on spectra and decays, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from waveguide import CROSSWISE_SHARE, Array, design_loop, pluck_shape, run_strings

CROSSWISE_DETUNING_CENTS = 0.35
"""The two polarisations of a string never agree wholly: slow beating."""
SCRAPE_S = 0.005
"""How long the pick rubs over the string before and after it lets go."""


@dataclass(frozen=True)
class StringKind:
    """One string of one instrument: its open note, how long it rings low and at 4 kHz, its stiffness, its strength.

    Up and down, where the bridge takes more, it rings 0.75 times as long, crosswise 1.6 times: a quick first decay
    and a long second one (Weinreich, "Coupled piano strings", JASA 62, 1977).
    """

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
    """The string is let go at `at_s`: strength -1 (upwards) to 1, place along the string, edge of the pick in ms."""

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
            for slower, cents in ((0.75, 0.0), (1.6, CROSSWISE_DETUNING_CENTS)):
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
    run_strings(
        push, keeps, angles,
        np.array([c[0] for c in changes]), np.array([c[1] for c in changes]), np.array([c[2] for c in changes]),
        np.array([c[3] for c in changes]), share, CROSSWISE_SHARE, out,
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
    scrape_frames = round(SCRAPE_S * rate_hz)
    rough = rng.standard_normal(scrape_frames)
    # A short smoothing and a difference leave a hump between about 2 and 7 kHz.
    dull = np.convolve(rough, np.hanning(round(0.00014 * rate_hz) + 2)[1:-1], mode="same")
    scrape = np.diff(dull, prepend=0.0)
    scrape *= level * pluck.scrape * np.hanning(scrape_frames)
    add(push, shape, first)
    add(push, scrape, first - scrape_frames // 3)


def add(target: Array, what: Array, at: int) -> None:
    """Add a piece at a place, leaving out what lies outside."""
    start, stop = max(at, 0), min(at + len(what), len(target))
    if stop > start:
        target[start:stop] += what[start - at : stop - at]

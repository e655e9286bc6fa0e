"""Players: strums with human timing become plucks, frettings and touches of single strings.

Places are (bar, eighth), bars from 1, eighths from 0 (fractions allowed); times seconds; velocities 0 to 1.
The time of a strum is the moment its first string sounds. Scatter, spreads and velocities: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from strings import Array, Fretting, Pluck, StringKind, Touch, add

Frets = tuple[int | None, ...]
ALL = (0, 1, 2, 3, 4, 5)
LOWS = (0, 1, 2, 3)
HIGHS = (2, 3, 4, 5)
TOP = (3, 4, 5)
KNOCK = 1.4
RINGING_AFTER_RAKE = 3
"""A rake runs over stopped strings into a chord of this many."""


@dataclass(frozen=True)
class Strum:
    """One stroke over some strings of a chord."""

    at_s: float
    frets: Frets
    down: bool
    velocity: float
    strings: tuple[int, ...] = ALL
    muted: bool = False
    spread_s: float | None = None
    rake: bool = False


@dataclass(frozen=True)
class Stop:
    """The hand silences all strings."""

    at_s: float


@dataclass(frozen=True)
class Player:
    """How one take is played: feel, scatter, hand."""

    seed: int
    average_offset_ms: float = 0.0
    scatter_ms: float = 5.0
    pick_place: float = 0.15
    hardness: float = 1.0
    tuning_cents: float = 0.4
    plans: dict[tuple[int, float], float] = field(default_factory=dict)
    """Places played this many ms off, exactly, whatever the scatter."""


def with_human_time(
    strums: Sequence[tuple[tuple[int, float], Strum]], stops: Sequence[Stop], player: Player, rng: np.random.Generator
) -> tuple[list[Strum], list[Stop]]:
    """Move strums off the grid by feel and scatter, vary how hard they are."""
    played = []
    for place, strum in strums:
        scatter_ms = float(np.clip(rng.normal(0.0, player.scatter_ms), -2 * player.scatter_ms, 2 * player.scatter_ms))
        velocity = float(np.clip(strum.velocity * (1 + rng.normal(0.0, 0.07)), 0.08, 1.0))
        off_ms = player.plans.get(place, player.average_offset_ms + scatter_ms)
        played.append(
            Strum(strum.at_s + off_ms / 1000, strum.frets, strum.down, velocity, strum.strings, strum.muted,
                  strum.spread_s, strum.rake)
        )
    return played, [Stop(stop.at_s + float(rng.normal(0.0, 0.006))) for stop in stops]


def events_of(
    strums: Sequence[Strum],
    stops: Sequence[Stop],
    kinds: Sequence[StringKind],
    player: Player,
    rng: np.random.Generator,
) -> list[Fretting | Pluck | Touch]:
    """Turn strums into what happens to each string."""
    events: list[Fretting | Pluck | Touch] = [Fretting(s, 0.0, 0) for s in range(len(kinds))]
    standing: list[tuple[int | None, bool]] = [(0, False)] * len(kinds)
    last_s = [-1.0] * len(kinds)
    for strum in strums:
        struck = [s for s in strum.strings if strum.frets[s] is not None]
        order = struck if strum.down else struck[::-1]
        spread_s = strum.spread_s if strum.spread_s is not None else float(
            (0.0225 - 0.013 * strum.velocity) * rng.uniform(0.85, 1.25) * (1.0 if strum.down else 0.85)
        )
        steps = rng.uniform(0.6, 1.4, max(1, len(order) - 1))
        times = np.concatenate([[0.0], np.cumsum(steps)[: len(order) - 1] / max(steps[: len(order) - 1].sum(), 1e-9)])
        place = float(np.clip(player.pick_place + rng.normal(0.0, 0.012), 0.07, 0.3))
        for rank, string in enumerate(order):
            at_s = strum.at_s + spread_s * float(times[rank])
            muted = strum.muted or (strum.rake and rank < len(order) - RINGING_AFTER_RAKE)
            fret = strum.frets[string] or 0
            events += _stopping(string, at_s, last_s[string], standing[string], (fret, muted), kinds[string], fret)
            standing[string] = (fret, muted)
            last_s[string] = at_s
            strength = strum.velocity * (1.0 - 0.3 * rank / 6) * float(rng.uniform(0.8, 1.1))
            if muted:
                strength *= 0.7
            if not strum.down:
                strength = -strength
            events.append(
                Pluck(
                    string, at_s, fret, strength,
                    place=place * float(rng.uniform(0.92, 1.08)),
                    edge_ms=float((0.32 - 0.21 * strum.velocity) / player.hardness * rng.uniform(0.85, 1.2)),
                    scrape=(0.02 + 0.05 * strum.velocity) * player.hardness * (1.5 if string < 4 else 1.0),
                )
            )
        for string, fret in enumerate(strum.frets):
            # A new chord lifts the fingers from strings that are not struck, too.
            if string not in struck and standing[string][0] != fret and not strum.rake:
                events.append(Touch(string, strum.at_s - 0.03, strum.at_s + 0.25, 0.35))
                events.append(Fretting(string, strum.at_s + 0.12, fret or 0))
                standing[string] = (fret, False)
    for stop in stops:
        events += [Touch(s, stop.at_s + 0.004 * s / 6, stop.at_s + 0.6, 0.45) for s in range(len(kinds))]
    return events


def knocks(strums: Sequence[Strum], *, rate_hz: int, frames: int, rng: np.random.Generator) -> Array:
    """The push of the hand on strings and bridge at each strum: short thuds for the body to answer.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
        To be added to what arrives at the bridge.
    """
    out = np.zeros(frames)
    for strum in strums:
        length = round(float(rng.uniform(0.0035, 0.006)) * rate_hz)
        push = strum.velocity**1.3 * len(strum.strings) / 6 * np.hanning(length + 2)[1:-1]
        push *= KNOCK * float(rng.uniform(0.8, 1.2)) * (1.0 if strum.down else -0.6)
        add(out, push, round((strum.at_s + 0.001) * rate_hz))
    return out


def _stopping(
    string: int, at_s: float, last_s: float, before: tuple[int | None, bool], after: tuple[int, bool],
    kind: StringKind, fret: int,
) -> list[Fretting | Touch]:
    """The pick, and a finger that changes its fret, stop what rings before the string sounds anew."""
    period_s = 1.0 / (kind.open_hz * 2 ** (fret / 12))
    changes = before != after
    rest_s = min(0.045 if changes else 1.15 * period_s + 0.002, max(at_s - last_s - 0.002, 0.002))
    found: list[Fretting | Touch] = [Touch(string, at_s - rest_s, at_s, 0.25 if changes else 0.3)]
    if changes:
        found.append(Fretting(string, at_s - 0.0005, after[0], after[1]))
    return found

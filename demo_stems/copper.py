"""Song 2, "Copper Weather" (Ines Halloran): 4/4 at 116, a clean electric guitar at 44.1 kHz.

Rakes over muted strumming. Verse bars 1-4, chorus 5-8. The layer of rakes has one take at 48 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import rooms
from players import ALL, HIGHS, TOP, Frets, Player, Stop, Strum, events_of, with_human_time
from strings import Array, StringKind, ring

BAR_ONE_S = 0.4
EIGHTH_S = 60.0 / 116.0 / 2.0
SECONDS = 18.5
NOISE_DBFS = -76.0

STRINGS = [
    StringKind(82.4069, 7.0, 0.80, 5.0e-5, 1.00),
    StringKind(110.0, 6.5, 0.85, 4.5e-5, 0.97),
    StringKind(146.8324, 6.0, 0.90, 4.0e-5, 0.93),
    StringKind(195.9977, 5.5, 1.10, 3.0e-5, 0.88),
    StringKind(246.9417, 5.5, 1.20, 2.0e-5, 0.88),
    StringKind(329.6276, 5.0, 1.20, 1.2e-5, 0.85),
]

F_SHARP_MINOR: Frets = (2, 4, 4, 2, 2, 2)
D_MAJOR_7: Frets = (None, 5, 7, 6, 7, 5)
A_HIGH: Frets = (5, 7, 7, 6, 5, 5)
E_HIGH: Frets = (None, 7, 9, 9, 9, 7)
B_MINOR: Frets = (None, 2, 4, 4, 3, 2)
CHORDS: dict[int, Frets] = {
    1: F_SHARP_MINOR, 2: D_MAJOR_7, 3: F_SHARP_MINOR, 4: D_MAJOR_7, 5: B_MINOR, 6: D_MAJOR_7, 7: A_HIGH, 8: E_HIGH,
}
RAKED: dict[int, Frets] = {
    1: (9, 9, 7, 6, 7, 9), 2: (5, 5, 7, 6, 7, 9), 3: (9, 9, 7, 6, 7, 9), 4: (5, 5, 7, 6, 7, 5),
    5: (7, 9, 9, 7, 7, 7), 6: (5, 5, 7, 7, 7, 10), 7: (5, 7, 7, 9, 10, 9), 8: (7, 7, 9, 9, 9, 12),
}


@dataclass(frozen=True)
class TakePlan:
    """One file: whose hands, which layer, which rate."""

    file: str
    player: Player
    rakes: bool
    rate_hz: int
    gain: float
    pickup: float
    room_seed: int


TAKES = (
    TakePlan("copper-rhythm-left.flac", Player(301, average_offset_ms=2.0, scatter_ms=4.5, pick_place=0.2),
             False, 44_100, 0.144, 0.14, 41),
    TakePlan("copper-rhythm-right.flac", Player(302, average_offset_ms=0.0, scatter_ms=5.0, pick_place=0.19),
             False, 44_100, 0.144, 0.14, 42),
    TakePlan("copper-rakes-left.flac", Player(303, average_offset_ms=1.0, scatter_ms=5.5, pick_place=0.13,
                                              hardness=1.15),
             True, 44_100, 0.252, 0.07, 43),
    TakePlan("copper-rakes-right.flac", Player(304, average_offset_ms=3.0, scatter_ms=6.0, pick_place=0.14,
                                               hardness=1.15),
             True, 48_000, 0.264, 0.07, 44),
)


def at_s(bar: int, eighth: float) -> float:
    """Seconds of a place in the file."""
    return BAR_ONE_S + ((bar - 1) * 8 + eighth) * EIGHTH_S


def score(plan: TakePlan) -> tuple[list[Strum], list[Stop]]:
    """Every stroke of a take with its human time, in order."""
    written = []
    for bar in CHORDS:
        for eighth, strum in _raked_bar(bar) if plan.rakes else _rhythm_bar(bar):
            written.append(((bar, eighth), strum))
    if not plan.rakes:
        written.append(((9, 0.0), Strum(at_s(9, 0), F_SHARP_MINOR, True, 0.7, ALL)))
    stops = [Stop(at_s(9, 0) + (1.25 if not plan.rakes else 0.9))]
    return with_human_time(written, stops, plan.player, np.random.default_rng(plan.player.seed))


def _rhythm_bar(bar: int) -> list[tuple[float, Strum]]:
    """Chords on one and the off-beat of two, muted strokes between."""
    frets, strokes = CHORDS[bar], []
    loud = 0.85 if bar >= 5 else 0.6
    for eighth, down, velocity, strings, muted in (
        (0, True, loud, ALL, False), (1, False, 0.3, TOP, True), (2, True, 0.45, HIGHS, True),
        (3, False, 0.75 * loud, HIGHS, False), (4, True, 0.35, HIGHS, True), (5, False, 0.3, TOP, True),
        (6, True, 0.5, ALL, True), (7, False, 0.6 * loud, HIGHS, False),
    ):
        strokes.append((float(eighth), Strum(at_s(bar, eighth), frets, down, velocity, strings, muted)))
    return strokes


def _raked_bar(bar: int) -> list[tuple[float, Strum]]:
    """Rakes over stopped strings into a chord whose last note is on the beat; in the chorus chords between."""
    frets, strokes = RAKED[bar], []
    wanted = [(0, 0.75, 0.125), (4, 0.55, 0.11)] if bar < 5 else [(0, 0.9, 0.12), (3, 0.6, 0.1), (6, 0.65, 0.1)]
    for eighth, velocity, spread_s in wanted:
        start_s = at_s(bar, eighth) - spread_s
        strokes.append((float(eighth), Strum(start_s, frets, True, velocity, ALL, False, spread_s, True)))
        if bar >= 5 and eighth != 6:
            strokes.append((eighth + 1.0, Strum(at_s(bar, eighth + 1), frets, True, 0.55, TOP)))
    return strokes


def take(plan: TakePlan, seconds: float) -> Array:
    """Render one take from its beginning."""
    frames = round(seconds * plan.rate_hz)
    seed = plan.player.seed
    strums, stops = score(plan)
    events = events_of(strums, stops, STRINGS, plan.player, np.random.default_rng(seed + 1000))
    tuning = np.random.default_rng(seed + 2000).uniform(-1, 1, 6) * plan.player.tuning_cents
    picked_up = ring(STRINGS, events, rate_hz=plan.rate_hz, frames=frames, tuning_cents=list(tuning), share=0.0004,
                     pickup=plan.pickup, rng=np.random.default_rng(seed + 3000))
    sound = plan.gain * rooms.electric(picked_up, plan.rate_hz, room_seed=plan.room_seed, drive=0.25)
    return sound + rooms.noise_floor(frames, seed + 4000, level_dbfs=NOISE_DBFS, rate_hz=plan.rate_hz)

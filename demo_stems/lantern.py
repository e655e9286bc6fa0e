"""Song 1, "Lantern on the Pier" (Marisol Venn): 6/8, 58 dotted quarters a minute, two guitars of two takes each, a bed.

Verse bars 1-4 and 9-12, chorus 5-8 and 13-16. Planted: regular-right plays the first downbeat 34 ms early;
regular-left has rumble; octave-left has a faint click in the break of bar 8; the choruses are hit hard.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import rooms
from players import ALL, HIGHS, LOWS, TOP, Frets, Player, Stop, Strum, events_of, knocks, with_human_time
from scipy import signal
from strings import Array, Fretting, Pluck, StringKind, Touch, ring

RATE_HZ = 48_000
BAR_ONE_S = 0.5
EIGHTH_S = 60.0 / 58.0 / 3.0
SECONDS = 36.0
EARLY_DOWNBEAT_MS = -34.0
CLICK_PLACE, CLICK_DBFS = (8, 5.1), -58.0
RUMBLE_DBFS = -46.0
NOISE_DBFS = -75.0

REGULAR = [
    StringKind(82.4069, 5.0, 0.85, 6.0e-5, 1.00),
    StringKind(110.0, 4.8, 0.90, 5.5e-5, 0.98),
    StringKind(146.8324, 4.5, 0.95, 5.0e-5, 0.94),
    StringKind(195.9977, 4.0, 1.00, 5.0e-5, 0.88),
    StringKind(246.9417, 3.8, 1.25, 3.5e-5, 0.92),
    StringKind(329.6276, 3.4, 1.25, 2.0e-5, 0.86),
]
HIGH_STRUNG = [
    StringKind(164.8138, 3.6, 1.00, 3.5e-5, 0.80),
    StringKind(220.0, 3.5, 1.05, 3.0e-5, 0.80),
    StringKind(293.6648, 3.2, 1.20, 2.2e-5, 0.80),
    StringKind(391.9954, 2.9, 1.25, 1.6e-5, 0.78),
    StringKind(246.9417, 3.8, 1.25, 3.5e-5, 0.88),
    StringKind(329.6276, 3.4, 1.25, 2.0e-5, 0.84),
]

G: Frets = (3, 2, 0, 0, 3, 3)
E_MINOR_7: Frets = (0, 2, 2, 0, 3, 3)
C_ADD_9: Frets = (None, 3, 2, 0, 3, 3)
D: Frets = (None, 0, 0, 2, 3, 2)
D_SUS: Frets = (None, 0, 0, 2, 3, 3)
C: Frets = (None, 3, 2, 0, 1, 0)
E_MINOR: Frets = (0, 2, 2, 0, 0, 0)
A_MINOR_7: Frets = (None, 0, 2, 0, 1, 0)

CHORDS: dict[int, tuple[Frets, Frets]] = {
    1: (G, G), 2: (E_MINOR_7, E_MINOR_7), 3: (C_ADD_9, C_ADD_9), 4: (D_SUS, D),
    5: (C, G), 6: (D, E_MINOR_7), 7: (C_ADD_9, G), 8: (D_SUS, D),
    9: (G, G), 10: (E_MINOR_7, E_MINOR_7), 11: (A_MINOR_7, C_ADD_9), 12: (D_SUS, D),
    13: (C, G), 14: (D, E_MINOR), 15: (C_ADD_9, D), 16: (G, G),
}
CHORUSES = (5, 6, 7, 8, 13, 14, 15)

Stroke = tuple[float, bool, float, tuple[int, ...]]
VERSE: tuple[Stroke, ...] = (
    (0, True, 0.56, ALL), (1, True, 0.30, HIGHS), (2, False, 0.33, TOP),
    (3, True, 0.48, (*LOWS, 4)), (4, True, 0.31, HIGHS), (5, False, 0.36, TOP),
)
VERSE_TURN: tuple[Stroke, ...] = (
    *VERSE[:4], (4, True, 0.33, HIGHS), (4.5, False, 0.3, TOP), (5, True, 0.42, HIGHS), (5.5, False, 0.38, HIGHS),
)
CHORUS: tuple[Stroke, ...] = (
    (0, True, 0.76, ALL), (1, True, 0.48, HIGHS), (1.5, False, 0.4, TOP), (2, True, 0.58, ALL),
    (2.5, False, 0.46, HIGHS), (3, True, 0.72, ALL), (4, True, 0.5, HIGHS), (4.5, False, 0.42, TOP),
    (5, True, 0.6, ALL), (5.5, False, 0.48, HIGHS),
)
OCTAVE_VERSE: tuple[Stroke, ...] = (
    (0, True, 0.5, ALL), (1, True, 0.29, HIGHS), (2, False, 0.31, TOP), (3, True, 0.46, ALL), (5, False, 0.36, HIGHS),
)
OCTAVE_CHORUS: tuple[Stroke, ...] = (
    (0, True, 0.74, ALL), (1, True, 0.46, HIGHS), (2, True, 0.55, ALL), (2.5, False, 0.44, HIGHS),
    (3, True, 0.7, ALL), (4, True, 0.46, HIGHS), (4.5, False, 0.4, TOP), (5, True, 0.56, ALL),
    (5.5, False, 0.45, HIGHS),
)
HITS = {(5, 0.0): 0.9, (6, 3.0): 0.86, (7, 0.0): 0.93, (8, 0.0): 0.9, (13, 0.0): 0.97, (14, 3.0): 0.92,
        (15, 0.0): 0.95, (15, 3.0): 0.9}
"""Where the hand digs in."""


@dataclass(frozen=True)
class TakePlan:
    """One file: whose hands, which guitar, how far from the microphone."""

    file: str
    player: Player
    kinds: list[StringKind]
    octave: bool
    gain: float
    body_seed: int
    size: float
    room_seed: int


TAKES = (
    TakePlan("regular-left.flac", Player(101, average_offset_ms=2.0, scatter_ms=5.0, pick_place=0.185,
                                         plans={(1, 0): 1.0}),
             REGULAR, False, 0.078, 11, 1.0, 21),
    TakePlan("regular-right.flac", Player(102, average_offset_ms=-1.0, scatter_ms=6.0, pick_place=0.195,
                                          plans={(1, 0): EARLY_DOWNBEAT_MS}), REGULAR, False, 0.088, 11, 1.0, 22),
    TakePlan("octave-left.flac", Player(103, average_offset_ms=3.0, scatter_ms=5.5, pick_place=0.17, hardness=1.15),
             HIGH_STRUNG, True, 0.136, 12, 0.9, 23),
    TakePlan("octave-right.flac", Player(104, average_offset_ms=0.5, scatter_ms=6.5, pick_place=0.18, hardness=1.1),
             HIGH_STRUNG, True, 0.127, 12, 0.9, 24),
)


def at_s(bar: int, eighth: float) -> float:
    """Seconds of a place in the file."""
    return BAR_ONE_S + ((bar - 1) * 6 + eighth) * EIGHTH_S


def strokes_of(bar: int, octave: bool) -> tuple[Stroke, ...]:
    """What the hand does in a bar."""
    if bar == 16:
        return ((0, True, 0.78, ALL),)
    if bar in CHORUSES:
        played = OCTAVE_CHORUS if octave else CHORUS
        # The octave guitar leaves the second half of bar 8 open: the break before the second verse.
        return played[:4] if octave and bar == 8 else played
    if octave:
        return OCTAVE_VERSE
    if bar == 1:
        # The song opens with one chord left to ring for a beat.
        return (VERSE[0], *VERSE[3:])
    return VERSE_TURN if bar in (4, 12) else VERSE


def score(plan: TakePlan) -> tuple[list[Strum], list[Stop]]:
    """Every stroke of a take with its human time, in order: the truth about its onsets."""
    written = []
    for bar, (first, second) in CHORDS.items():
        for eighth, down, velocity, strings in strokes_of(bar, plan.octave):
            frets = first if eighth < 3 else second
            hard = HITS.get((bar, eighth), velocity)
            written.append(((bar, eighth), Strum(at_s(bar, eighth), frets, down, hard, strings)))
    stops = [Stop(at_s(16, 0) + 4.2)]
    if plan.octave:
        stops.append(Stop(at_s(8, 3) - 0.02))
    return with_human_time(written, stops, plan.player, np.random.default_rng(plan.player.seed))


def take(plan: TakePlan, seconds: float) -> Array:
    """Render one take from its beginning."""
    frames = round(seconds * RATE_HZ)
    seed = plan.player.seed
    strums, stops = score(plan)
    events = events_of(strums, stops, plan.kinds, plan.player, np.random.default_rng(seed + 1000))
    tuning = np.random.default_rng(seed + 2000).uniform(-1, 1, 6) * plan.player.tuning_cents
    bridge = ring(plan.kinds, events, rate_hz=RATE_HZ, frames=frames, tuning_cents=list(tuning), share=0.0015,
                  pickup=None, rng=np.random.default_rng(seed + 3000))
    bridge += knocks(strums, rate_hz=RATE_HZ, frames=frames, rng=np.random.default_rng(seed + 3500))
    sound = plan.gain * rooms.acoustic(bridge, RATE_HZ, body_seed=plan.body_seed, size=plan.size,
                                       room_seed=plan.room_seed)
    sound = sound + rooms.noise_floor(frames, seed + 4000, level_dbfs=NOISE_DBFS, rate_hz=RATE_HZ)
    if plan.file == "regular-left.flac":
        sound += rooms.rumble(frames, seed + 5000, level_dbfs=RUMBLE_DBFS, rate_hz=RATE_HZ)
    if plan.file == "octave-left.flac":
        rooms.add_click(sound, at_s(*CLICK_PLACE), CLICK_DBFS, RATE_HZ)
    return sound


BASS_STRING = [StringKind(41.2034, 4.0, 0.3, 8.0e-5)]
ROOTS = {G: 3, E_MINOR_7: 0, E_MINOR: 0, C_ADD_9: 8, C: 8, D: 10, D_SUS: 10, A_MINOR_7: 5}


def bed(seconds: float) -> Array:
    """Soft bass and brushes, stereo: array of shape (frames, 2)."""
    frames = round(seconds * RATE_HZ)
    rng = np.random.default_rng(900)
    bass = _bass(frames, rng)
    swish, side = _brushes(frames, rng)
    middle = 0.095 * bass + swish
    room = rooms.room_response(RATE_HZ, 901, ring_s=0.3, level=0.2)
    middle = rooms.without_offset(rooms.through(middle, room), RATE_HZ)
    return np.stack([2.0 * (middle + side), 2.0 * (middle - side)], axis=1)


def _bass(frames: int, rng: np.random.Generator) -> Array:
    """One note a beat, two in the choruses' last bars; fingers, not pick."""
    events: list[Fretting | Pluck | Touch] = [Fretting(0, 0.0, 3)]
    for bar, chords in CHORDS.items():
        for half, chord in enumerate(chords if bar < 16 else chords[:1]):
            notes = [(3.0 * half, 0.8)] if bar not in CHORUSES else [(3.0 * half, 0.9), (3.0 * half + 2, 0.55)]
            for eighth, strength in notes:
                now_s = at_s(bar, eighth) + float(rng.normal(0.004, 0.004))
                events.append(Touch(0, now_s - 0.05, now_s, 0.3))
                events.append(Fretting(0, now_s - 0.001, ROOTS[chord]))
                events.append(Pluck(0, now_s, ROOTS[chord], strength, 0.22, 2.4, 0.0))
    events.append(Touch(0, at_s(16, 0) + 4.0, at_s(16, 0) + 5.0, 0.5))
    bridge = ring(BASS_STRING, events, rate_hz=RATE_HZ, frames=frames, tuning_cents=[0.0], share=0.0, pickup=None,
                  rng=rng)
    tone = np.concatenate([signal.butter(2, 1000, "lowpass", fs=RATE_HZ, output="sos"),
                           signal.butter(2, 30, "highpass", fs=RATE_HZ, output="sos")])
    return signal.sosfilt(tone, bridge)


def _brushes(frames: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Circles on the skin, a tap on every second beat: the middle and the difference of the sides."""
    total = round(SECONDS * RATE_HZ)
    t = np.arange(total) / RATE_HZ
    circle = np.zeros(total)
    tap = np.zeros(total)
    for bar in range(1, 17):
        loud = 1.25 if bar in CHORUSES else 1.0
        for eighth in range(6):
            since = t - at_s(bar, eighth) - float(rng.normal(0.0, 0.004))
            bow = np.clip(since / (0.95 * EIGHTH_S), 0, 1)
            circle += loud * (0.55 if eighth % 3 else 1.0) * np.sin(np.pi * bow) ** 2 * rng.uniform(0.8, 1.1)
            if eighth == 3 or (eighth == 5 and bar in CHORUSES):
                rise = np.clip(since / 0.0025, 0, 1)
                tap += loud * (1.0 if eighth == 3 else 0.4) * rise * np.exp(-np.clip(since, 0, None) / 0.045)
    band = np.concatenate([signal.butter(2, 700, "highpass", fs=RATE_HZ, output="sos"),
                           signal.butter(4, 5600, "lowpass", fs=RATE_HZ, output="sos")])
    noise = [signal.sosfilt(band, rng.standard_normal(total)) for _ in range(2)]
    drum = sum(np.exp(-np.pi * hz / 9 * t[:12000]) * np.sin(2 * np.pi * hz * t[:12000]) for hz in (185.0, 318.0))
    skin = signal.oaconvolve(np.diff(tap, prepend=0.0).clip(0, None), drum)[:total]
    level = 0.008 * circle + 0.052 * tap
    return (level * noise[0] + 0.04 * skin)[:frames], (0.45 * level * noise[1])[:frames]

"""What a player plays: notes with the scatter of human timing. No sound is made here.

Timing to a click is a timekeeper and a hand, each with its own spread (Wing and Kristofferson, Perception &
Psychophysics 14(1), 1973, 5-12), and a share of the last asynchrony corrected at each beat (Vorberg and Wing, Handbook
of Perception and Action 2, 1996, 181-262). The share is 0.25, the optimum for four players and
about what two string quartets showed (Wing, Endo, Bradbury and Vorberg 2014, J. R. Soc. Interface 11, 20131125).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

CORRECTED = 0.25
HAND_SHARE = 0.5
"""Spread of the hand over that of the timekeeper. Chosen; studies find the hand steadier than the timekeeper (from
memory)."""
ACCENTS = (104, 62, 84, 58)
"""Velocities of the four quarters of a beat pair: down, up, down, up. Chosen."""
LIGHT = (36, 51)
"""Velocities of light strums: 12 to 18 dB below the accented ones.
`tests.support.sounds.strums` has them about 16 dB softer."""
LIGHT_STRINGS = (3, 5)
"""A light strum touches fewer strings, the high ones. Chosen."""
SHAPES = ((0, 7, 12, 16, 19, 24), (0, 7, 12, 15, 19, 24), (0, 7, 12, 19), (0, 7, 10, 16, 19), (7, 12, 16, 19))
"""Chords in semitones above a low root: major, minor, fifths, seventh, the upper strings of a major chord."""
ROOTS = (0, 5, 7, 9, 2)
SCALE = (0, 2, 4, 5, 7, 9, 11, 12)
GRID = {"4/4": 8, "3/4": 6, "6/8": 6}
"""Eighths in a bar."""


@dataclass(frozen=True)
class Note:
    """One strum, chord or single note as it is played."""

    onset_s: float
    duration_s: float
    pitches: tuple[float, ...]
    """MIDI, in the order of the strings."""
    velocity: int
    grid_s: float = float("nan")
    """Where the beat asked for it."""
    light: bool = False
    string: int | None = None
    """Which string plays it, for single notes of a known string; chords count theirs from the highest."""


def follow_click(count: int, sd_ms: float, random: np.random.Generator) -> np.ndarray:
    """Asynchronies of a player against a click, in seconds.

    Parameters
    ----------
    count : int
        How many events.
    sd_ms : float
        Their spread in ms; the spread of a long series, a short one varies.
    random : np.random.Generator
        Where chance comes from.

    Returns
    -------
    np.ndarray [shape=(count,), float64]
        Positive is late.
    """
    hand = random.standard_normal(count + 1) * HAND_SHARE
    keeper = random.standard_normal(count)
    late = np.zeros(count)
    before = 0.0
    for n in range(count):
        before = (1 - CORRECTED) * before + keeper[n] + hand[n + 1] - hand[n]
        late[n] = before
    keep = 1 - CORRECTED
    # Of x[n] = keep x[n-1] + keeper + hand[n+1] - hand[n]: variance (1 + 2 h^2 (1 - keep)) / (1 - keep^2).
    spread = np.sqrt((1 + 2 * HAND_SHARE**2 * (1 - keep)) / (1 - keep**2))
    return late / spread * sd_ms / 1000


def strummed_notes(seed: int, *, low: int = 40, tempo: float = 104.0, meter: str = "4/4", bars: int = 16,
                   start_s: float = 1.0, scatter_ms: float = 9.0, light_share: float = 0.2,
                   light: tuple[int, int] = LIGHT) -> list[Note]:
    """Eighth-note strumming, some eighths left out, some light, one chord a bar.

    Parameters
    ----------
    seed : int
        Of the pattern, the chords and the hand.
    low : int
        The lowest pitch of the instrument.
    tempo : float
        Beats a minute: quarters, or dotted quarters in 6/8.
    meter : str
        "4/4", "3/4" or "6/8".
    bars : int
        How many.
    start_s : float
        Where bar 1 begins.
    scatter_ms : float
        Spread of the player against the click.
    light_share : float
        Share of light strums, 0 to 1; they fall on weak eighths.
    light : tuple of int
        Range of their velocities, the end excluded.

    Returns
    -------
    list of Note
    """
    random = np.random.default_rng((seed, 1))
    eighths = GRID[meter]
    eighth_s = 60 / tempo / (3 if meter == "6/8" else 2)
    strong = (0, 3) if meter == "6/8" else tuple(range(0, eighths, 2))
    struck = np.isin(np.arange(eighths), strong) | (random.random(eighths) < 0.55)
    places = [(bar, n) for bar in range(bars) for n in range(eighths) if struck[n]]
    late = follow_click(len(places), scatter_ms, random)
    chords = [(int(random.choice(ROOTS)), SHAPES[int(random.integers(len(SHAPES)))]) for _ in range(4)]
    grid_s = np.array([start_s + (bar * eighths + n) * eighth_s for bar, n in places])
    notes = []
    for k, (bar, n) in enumerate(places):
        root, shape = chords[bar % 4]
        soft = n not in strong and bool(random.random() < light_share / max(0.05, 1 - len(strong) / struck.sum()))
        velocity = int(random.integers(*light)) if soft else int(ACCENTS[n % 4] + random.integers(-10, 11))
        gap_s = grid_s[k + 1] - grid_s[k] if k + 1 < len(places) else 4 * eighth_s
        pitches = tuple(float(low + root + step) for step in shape)
        if soft:
            pitches = pitches[-int(random.integers(*LIGHT_STRINGS)):]
        onset_s = float(grid_s[k] + late[k])
        notes.append(Note(onset_s, float(gap_s) * 0.98, pitches, velocity, float(grid_s[k]), soft))
    return notes


def melody_notes(seed: int, *, low: int = 57, tempo: float = 92.0, bars: int = 16, start_s: float = 1.0,
                 scatter_ms: float = 20.0) -> list[Note]:
    """A line of single notes, quarters and halves with some eighths, legato, a breath after every second bar (4/4)."""
    random = np.random.default_rng((seed, 2))
    eighth_s = 30 / tempo
    notes: list[Note] = []
    step = int(random.integers(len(SCALE)))
    for bar in range(bars):
        at, end = 0, 8 if bar % 2 == 0 else 7
        while at < end:
            length = min(int(random.choice((1, 2, 2, 2, 4))), end - at)
            step = int(np.clip(step + random.choice((-2, -1, -1, 1, 1, 2)), 0, len(SCALE) - 1))
            grid_s = start_s + (bar * 8 + at) * eighth_s
            notes.append(Note(grid_s, length * eighth_s, (float(low + SCALE[step]),),
                              int(random.integers(70, 105)), grid_s))
            at += length
    late = follow_click(len(notes), scatter_ms, random)
    played = [replace(note, onset_s=note.grid_s + float(by)) for note, by in zip(notes, late, strict=True)]
    return [replace(note, duration_s=max(0.08, note.duration_s - 0.02)) for note in played]


def doubled(notes: list[Note], seed: int, *, scatter_ms: float, offset_ms: float = 0.0,
            drift_percent: float = 0.0) -> list[Note]:
    """The same part played once more: new scatter against the grid, new strength; late and drifting as asked."""
    random = np.random.default_rng((seed, 3))
    late = follow_click(len(notes), scatter_ms, random) + offset_ms / 1000
    first_s = notes[0].grid_s
    again = []
    for note, by in zip(notes, late, strict=True):
        onset_s = first_s + (note.grid_s - first_s) * (1 + drift_percent / 100) + float(by)
        velocity = int(np.clip(note.velocity + random.integers(-6, 7), 15, 120))
        again.append(replace(note, onset_s=onset_s, velocity=velocity))
    return again


def annotated_notes(path: Path) -> tuple[list[Note], float]:
    """A performance annotated string by string in a JAMS file, and its tempo.

    Parameters
    ----------
    path : Path
        JAMS (JSON) with one `note_midi` annotation a string, a `tempo` and `beat_position`.

    Returns
    -------
    notes : list of Note
        One per string attack, in order; `onset_s` is the annotated attack of the player.
    tempo : float
        Beats a minute of the click the player heard.
    """
    found = json.loads(path.read_text("utf-8"))["annotations"]
    tempo = next(one["data"][0]["value"] for one in found if one["namespace"] == "tempo")
    strings = [one["data"] for one in found if one["namespace"] == "note_midi"]
    notes = [Note(row["time"], row["duration"], (float(row["value"]),), 85, string=string)
             for string, rows in enumerate(strings) for row in rows]
    return sorted(notes, key=lambda note: note.onset_s), float(tempo)


def strum_starts_s(onsets_s: np.ndarray, *, within_s: float = 0.04) -> np.ndarray:
    """Onsets of single strings gathered into strums: a string within `within_s` of the one before belongs to it."""
    ordered = np.sort(onsets_s)
    return ordered[np.r_[True, np.diff(ordered) > within_s]]

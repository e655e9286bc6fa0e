"""Songs of two layers with two takes each, for judging how takes are compared: own strums and sampled instruments.

Times are seconds from the start of the file. Every take of a song is played anew: other scatter, other strength, other
sound. Wrong notes are planted before the sound is made, so what is judged is heard from audio.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.bench.material.human_hands import Note, annotated_notes, doubled, melody_notes, strummed_notes
from tests.bench.material.outside_instruments import Instrument
from tests.bench.material.outside_material import Recording, render_part
from tests.support.sounds.strums import HARD, PATTERNS, Fingering, make_strums

RATE_HZ = 48_000
BARS = 16
WRONG_BARS = (7, 10)
SCATTER_MS = 8.0
"""Of each take against the beat; two takes are 11 ms apart."""
WRONG = ("capo", "semitone", "chord", "string")
"""Everything two semitones up or down; everything one down; another chord for four bars; one string a semitone off."""


@dataclass(frozen=True)
class PlayedTake:
    """A take of a song; `wrong` is the kind of wrong notes in it, and `semitones` by how much, if that can be said."""

    layer: str
    name: str
    samples: np.ndarray
    wrong: str = ""
    semitones: int = 0


@dataclass(frozen=True)
class PlayedSong:
    """A song's takes: all right ones, and spare ones of the first take with wrong notes in place of it."""

    name: str
    group: str
    tempo: float
    meter: str
    bar_one_s: float
    takes: tuple[PlayedTake, ...]
    wrong: tuple[PlayedTake, ...]
    distorted: bool = False

    @property
    def bar_s(self) -> float:
        """Length of a bar."""
        return {"4/4": 4, "3/4": 3, "6/8": 2, "12/8": 4}[self.meter] * 60 / self.tempo


def wrong_fingering(kind: str, seed: int) -> tuple[Fingering, int]:
    """What a player frets who plays wrong notes of a kind, and by how many semitones all or one string is off."""
    random = np.random.default_rng([seed, 5])
    by = {"capo": int(random.choice((-2, 2))), "semitone": -1, "chord": 0, "string": int(random.choice((-1, 1)))}[kind]
    string = int(random.integers(1, 4))
    moved = [int(random.choice((3, 4, 5, 7, 8, 9))) for _ in range(2)]

    def finger(bar: int, chord: tuple[int, ...]) -> tuple[int, ...]:
        if kind == "chord":
            if not WRONG_BARS[0] <= bar <= WRONG_BARS[1]:
                return chord
            up = moved[bar % 2]
            return tuple(note + up - 12 * (up > 5) for note in chord)
        if kind == "string":
            return tuple(note + by * (n == min(string, len(chord) - 1)) for n, note in enumerate(chord))
        return tuple(note + by for note in chord)

    return finger, by


def own_song(seed: int, voice: str) -> PlayedSong:
    """A song of the project's own strums, in the harder half: room, light strums, stops."""
    meter = list(PATTERNS)[seed % 4]
    tempo = (60.0, 92.0, 55.0, 84.0)[seed % 4] + seed % 7
    bars = BARS if meter != "12/8" else 12

    def take(layer: str, name: str, number: int, finger: Fingering | None = None) -> np.ndarray:
        hand = replace(HARD, scatter_ms=SCATTER_MS, high_strung=layer == "b")
        return make_strums(100 * seed + number, voice=voice, hand=hand, tempo=tempo, meter=meter, bars=bars,
                           harmony=seed, fingering=finger).samples.astype(np.float32)

    takes = tuple(PlayedTake(layer, f"{layer}{n}", take(layer, f"{layer}{n}", 10 * (layer == "b") + n))
                  for layer in "ab" for n in (0, 1))
    wrong = []
    for kind in WRONG:
        finger, by = wrong_fingering(kind, seed)
        wrong.append(PlayedTake("a", "a0", take("a", "a0", 20 + WRONG.index(kind), finger), kind, by))
    return PlayedSong(f"{voice} {seed}", f"own {voice}", tempo, meter, 0.6, takes, tuple(wrong))


def outside_song(seed: int, instrument: Instrument) -> PlayedSong:
    """A song on a sampled instrument: chords where it plays chords, a line elsewhere."""
    meter = ("4/4", "3/4", "6/8")[seed % 3] if instrument.chords else "4/4"
    tempo = {"4/4": 96.0, "3/4": 104.0, "6/8": 58.0}[meter] + seed % 9
    if instrument.chords:
        # Two semitones are left on either side for wrong notes.
        notes = [replace(note, pitches=tuple(pitch for pitch in note.pitches if pitch <= instrument.high - 2))
                 for note in strummed_notes(seed, low=instrument.low + 2, tempo=tempo, meter=meter, bars=BARS)]
    else:
        notes = melody_notes(seed, low=instrument.low + 5, tempo=tempo, bars=BARS)
    bar_s = {"4/4": 4, "3/4": 3, "6/8": 2}[meter] * 60 / tempo
    return _rendered(f"{instrument.name} {seed}", instrument, seed, notes, tempo, meter, bar_s)


def player_song(recording: Recording, instrument: Instrument, seed: int) -> PlayedSong:
    """A real player's string attacks on a sampled guitar; its doubles are scattered anew around them."""
    notes, tempo = annotated_notes(recording.path)
    first_s = notes[0].onset_s
    later = [replace(note, onset_s=note.onset_s - first_s + 0.6, grid_s=note.onset_s - first_s + 0.6) for note in notes]
    return _rendered(f"{recording.name} {instrument.name}", instrument, seed, later, tempo, "4/4", 240 / tempo)


def _rendered(name: str, instrument: Instrument, seed: int, notes: list[Note], tempo: float, meter: str,
              bar_s: float) -> PlayedSong:
    """A song of these notes; the second layer leaves some weak strokes out."""
    first_s = 1.0 if np.isfinite(notes[0].grid_s) and notes[0].grid_s >= 1.0 else 0.6
    random = np.random.default_rng([seed, 6])
    fewer = [note for note in notes if not note.light and random.random() < 0.85]

    def render(played: list[Note], number: int) -> np.ndarray:
        again = doubled(played, 100 * seed + number, scatter_ms=SCATTER_MS)
        return render_part(instrument, again, RATE_HZ, 100 * seed + number).samples.astype(np.float32)

    takes = tuple(PlayedTake(layer, f"{layer}{n}", render(notes if layer == "a" else fewer, 10 * (layer == "b") + n))
                  for layer in "ab" for n in (0, 1))
    wrong = []
    for kind in WRONG:
        if kind == "string" and not instrument.chords:
            continue
        finger, by = wrong_fingering(kind, seed)
        wrong.append(PlayedTake("a", "a0", render(_fingered(notes, kind, finger, first_s, bar_s, instrument),
                                                  20 + WRONG.index(kind)), kind, by))
    return PlayedSong(name, f"{instrument.kind} {instrument.split}", tempo, meter, first_s, takes, tuple(wrong),
                      instrument.distorted)


def _fingered(notes: list[Note], kind: str, finger: Fingering, first_s: float, bar_s: float,
              instrument: Instrument) -> list[Note]:
    """Notes with wrong pitches; of single notes of a known string, that string's."""
    played = []
    for note in notes:
        bar = int((note.grid_s - first_s + 1e-6) // bar_s) + 1
        pitches = tuple(int(pitch) for pitch in note.pitches)
        if kind == "string" and note.string is not None:
            by = finger(1, (0, 0, 0, 0))[1:].count(1) - finger(1, (0, 0, 0, 0))[1:].count(-1)
            wrong = tuple(pitch + by * (note.string == 3) for pitch in pitches)
        elif kind == "string" and note.light:
            # A light stroke touches the high strings: count from there.
            wrong = finger(bar, (0,) * (6 - len(pitches)) + pitches)[6 - len(pitches):]
        else:
            wrong = finger(bar, pitches)
        # Another chord may lie beyond the instrument: an octave nearer then.
        inside = (pitch + 12 * (pitch < instrument.low) - 12 * (pitch > instrument.high) for pitch in wrong)
        played.append(replace(note, pitches=tuple(map(float, inside))))
    return played

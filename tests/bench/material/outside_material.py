"""Material that the project did not make: sampled instruments with exact onsets, and real recordings.

python -m tests.bench.material.outside_material     (what is there or missing, and whether the halves share a sound)

LAYERPIPE_MATERIAL names the folder it lies in, at any depth: sound fonts (`outside_instruments` names their Debian
packages) and unpacked source packages with recordings. Nothing of it is part of the project.
The truth of a note is when it becomes audible. Each note is rendered alone, the frame where it becomes audible is
found (`sampler.audible_at`), and the note is laid so that this frame falls on the asked time: the delay that a sample
has before its attack is corrected note by note. A strum's truth is that of its first string.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.material.human_hands import Note, annotated_notes
from tests.bench.material.outside_instruments import FONTS, INSTRUMENTS, PACKAGES, TUNED_ON, Instrument
from tests.bench.material.sampler import audible_at, play_note
from tests.bench.material.sound_font import SoundFont, one_side

PLACE = "LAYERPIPE_MATERIAL"
SPREAD_MS = {"plucked": (8.0, 30.0), "struck": (0.0, 8.0), "voice": (0.0, 15.0), "bowed": (0.0, 15.0),
             "wind": (0.0, 15.0)}
"""From the first to the last note of a chord. Strums: as asked for; the others are chosen."""
DETUNED_CENTS = (-2.0, 0.0, 2.0)
"""Small differences from stroke to stroke, drawn at random; so that no two strokes are copies."""
TAKE_CENTS = 1.5
"""Spread of a whole take's tuning, per string."""
TOUCH_MS = 8.0
"""How long a ringing string takes to fall silent when it is struck anew. Chosen. It falls silent after the new onset:
on a real string the touch comes first, but its small click would move the truth by some ms."""
LOUDEST = 0.5
NOISE_DB = -78.0


@dataclass(frozen=True)
class Part:
    """One rendered take and its truth."""

    samples: np.ndarray
    """Mono, float64."""
    rate_hz: int
    onsets_s: np.ndarray
    """When each note (strum) becomes audible: its first string."""
    strings_s: tuple[tuple[float, ...], ...]
    """When each string of each note becomes audible."""
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class _Stroke:
    """One string struck once; `asked` is the frame where it must become audible."""

    note: int
    string: int
    pitch: float
    velocity: int
    duration_s: float
    asked: int


@dataclass(frozen=True)
class Recording:
    """A real recording or a real player's annotated performance."""

    name: str
    path: Path
    kind: str
    """"voice", "plucked" or "song"."""
    what: str
    stream: int = 0
    """Which audio stream of the file; only stem files have several."""


def folder() -> Path | None:
    """Where the material lies, or None when there is none."""
    named = os.environ.get(PLACE, "")
    return Path(named) if named and Path(named).is_dir() else None


def require_folder() -> Path:
    """The material's folder; without one, say what to do and end the program with 0."""
    found = folder()
    if found is None:
        print(f"No outside material: set {PLACE} to a folder with sound fonts "
              f"(Debian: {', '.join(PACKAGES.values())}). Skipped.")
        sys.exit(0)
    return found


@cache
def _files(place: Path) -> dict[str, Path]:
    wanted = {".sf2", ".wav", ".flac", ".jams", ".mp4"}
    return {path.name: path for path in sorted(place.rglob("*")) if path.suffix in wanted and path.is_file()}


@cache
def _font(path: Path) -> SoundFont:
    return SoundFont(path)


def instruments(kind: str | None = None, split: str | None = None) -> list[Instrument]:
    """The instruments whose sound font is on this machine; of one kind or half if asked."""
    place = folder()
    here = _files(place) if place else {}
    return [one for one in INSTRUMENTS if FONTS[one.font] in here and kind in (None, one.kind)
            and split in (None, one.split)]


@lru_cache(maxsize=600)
def _note(instrument: Instrument, pitch: float, velocity: int, held_s: float, rate_hz: int) -> tuple[np.ndarray, int]:
    """One note alone and the frame where it becomes audible."""
    font = _font(_files(require_folder())[FONTS[instrument.font]])
    zones = one_side(font.zones(instrument.bank, instrument.program, round(pitch), velocity))
    sound = play_note(font.samples, zones, pitch, velocity, held_s, rate_hz)
    if not len(sound) or not np.abs(sound).max() > 0:
        raise ValueError(f"{instrument.name} has no sound for pitch {pitch:g} (it goes from {instrument.low} to "
                         f"{instrument.high})")
    return sound, audible_at(sound, instrument.kind, rate_hz)


def drum(font: str, key: int, rate_hz: int) -> np.ndarray:
    """One stroke of a sound font's percussion from its beginning on, peak 1."""
    read = _font(_files(require_folder())[FONTS[font]])
    sound = play_note(read.samples, one_side(read.zones(128, 0, key, 100)), key, 100, 0.3, rate_hz)
    sound = sound[int(np.argmax(np.abs(sound) > 0.05 * np.abs(sound).max())) :]
    return sound / np.abs(sound).max()


def render_part(instrument: str | Instrument, notes: Sequence[Note], rate_hz: int, seed: int) -> Part:
    """Play notes on a sampled instrument, every onset where it was asked for.

    Parameters
    ----------
    instrument : str or Instrument
        One of `instruments()`, or its name.
    notes : sequence of Note
        What is played; `human_hands` makes some. Chords are spread over 8 to 30 ms (plucked), alternately from the
        low and the high string.
    rate_hz : int
        Rate of the take.
    seed : int
        Of spread, tuning and noise floor; two takes of one player need two seeds.

    Returns
    -------
    Part
        Peak 0.5; the truth is exact to half a frame by the definition above.

    Raises
    ------
    ValueError
        If there is no such instrument here, a pitch lies outside its sounds or a note starts before 0.1 s.
    """
    played_on = instrument if isinstance(instrument, Instrument) else next(
        (one for one in instruments() if one.name == instrument), None)
    if played_on is None:
        raise ValueError(f"no instrument {instrument!r} here; there are {', '.join(one.name for one in instruments())}")
    if not notes or min(note.onset_s for note in notes) < 0.1:
        raise ValueError("a part needs notes, and none may start before 0.1 s")
    random = np.random.default_rng((seed, 4))
    frames = int((max(note.onset_s + note.duration_s for note in notes) + 2.0) * rate_hz)
    total = np.zeros(frames)
    tuned = random.normal(0, TAKE_CENTS, 128)
    strokes = _strokes(played_on, notes, rate_hz, random)
    stops: dict[int, int] = {}
    for stroke in reversed(strokes):
        cents = round(tuned[round(stroke.pitch) % 128] + float(random.choice(DETUNED_CENTS)), 1)
        # Velocity in steps of 4 and lengths in steps of 50 ms, so that a stroke can be used again.
        velocity = int(np.clip(4 * round(stroke.velocity / 4), 4, 124))
        held_s = max(0.05, round(stroke.duration_s * 20) / 20)
        sound, starts = _note(played_on, round(stroke.pitch + cents / 100, 3), velocity, held_s, rate_hz)
        at = max(0, stroke.asked - starts)
        stop = stops.get(stroke.string, frames) if played_on.stopped else frames
        piece = sound[max(0, starts - stroke.asked) :][: max(0, stop - at)] * 10 ** (random.normal(0, 0.8) / 20)
        if at + len(piece) == stop:
            fade = min(len(piece), int(TOUCH_MS * rate_hz / 1000))
            piece[len(piece) - fade :] *= (1 + np.cos(np.linspace(0, np.pi, fade))) / 2
        total[at : at + len(piece)] += piece
        stops[stroke.string] = stroke.asked + int(TOUCH_MS * rate_hz / 1000)
    strings: list[list[float]] = [[] for _ in notes]
    for stroke in strokes:
        strings[stroke.note].append(stroke.asked / rate_hz)
    total *= LOUDEST / np.abs(total).max()
    total += random.standard_normal(frames) * 10 ** (NOISE_DB / 20)
    return Part(total, rate_hz, np.array([min(one) for one in strings]), tuple(map(tuple, strings)), tuple(notes))


def _strokes(played_on: Instrument, notes: Sequence[Note], rate_hz: int, random: np.random.Generator) -> list[_Stroke]:
    """Every string of every note with the frame it must be heard at, in order of time."""
    strokes = []
    for n, note in enumerate(notes):
        count = len(note.pitches)
        spread_s = random.uniform(*SPREAD_MS[played_on.kind]) / 1000 if count > 1 else 0.0
        late = np.sort(np.r_[0.0, random.uniform(0.0, 1.0, max(0, count - 2)), 1.0])[:count] * spread_s
        for k, pitch in enumerate(note.pitches):
            by = float(late[k] if n % 2 == 0 else late[count - 1 - k])
            string = count - 1 - k if note.string is None else note.string
            strokes.append(_Stroke(n, string, pitch, note.velocity, note.duration_s,
                                   round((note.onset_s + by) * rate_hz)))
    return sorted(strokes, key=lambda stroke: stroke.asked)


def recordings() -> list[Recording]:
    """Real recordings and annotated performances on this machine."""
    place = folder()
    here = _files(place) if place else {}
    found = []
    for name, path in here.items():
        if name.startswith("vocadito_"):
            found.append(Recording(path.stem, path, "voice", "solo singing, no annotation"))
        elif path.suffix == ".jams":
            found.append(Recording(path.stem, path, "plucked", "annotated string attacks of a real player, no sound"))
        elif name.endswith(".stem.mp4"):
            parts = ("mix", "drums", "bass", "other", "vocals")
            found += [Recording(f"{path.stem} {part}", path, "song", f"released stem: {part}, no annotation", n)
                      for n, part in enumerate(parts)]
        elif name.startswith("guit_") or name == "ambi_choir.flac":
            found.append(Recording(path.stem, path, "voice" if "choir" in name else "plucked",
                                   "single recording, no annotation"))
    return found


def read_recording(recording: Recording) -> tuple[np.ndarray, int]:
    """The sound of a recording, its channels averaged, and its rate.

    Raises
    ------
    ValueError
        If the recording is a list of attacks without sound.
    """
    if recording.path.suffix == ".jams":
        raise ValueError(f"{recording.name} has no sound: read its attacks by human_hands.annotated_notes")
    if recording.path.suffix != ".mp4":
        sound, rate_hz = soundfile.read(recording.path, always_2d=True)
        return sound.mean(axis=1), int(rate_hz)
    import imageio_ffmpeg

    rate_hz = 44_100
    words = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", recording.path, "-map", f"0:a:{recording.stream}",
             "-f", "f32le", "-ac", "1", "-ar", str(rate_hz), "-"]
    raw = subprocess.run(words, check=True, capture_output=True).stdout
    return np.frombuffer(raw, "<f4").astype(float), rate_hz


def shared_sounds() -> list[tuple[str, str]]:
    """Pairs of instruments, one of each half, that use one and the same recorded sound; there should be none."""
    users: dict[int, set[Instrument]] = {}
    for one in instruments():
        font = _font(_files(require_folder())[FONTS[one.font]])
        for key in range(one.low, one.high + 1):
            for zone in one_side(font.zones(one.bank, one.program, key, 90)):
                middle = font.samples[zone.first + 200 : min(zone.last, zone.first + 1200)]
                users.setdefault(hash(middle.tobytes()), set()).add(one)
    pairs = {(a.name, b.name) for together in users.values() for a in together for b in together
             if a.split == TUNED_ON != b.split}
    return sorted(pairs)


def main() -> int:
    """Print what is there."""
    print(f"Material in {require_folder()}")
    for one in instruments():
        print(f"  {one.name:26} {one.kind:8} {one.split:16} MIDI {one.low} to {one.high}")
    for name, file in FONTS.items():
        if file not in _files(require_folder()):
            print(f"  missing: {file} ({PACKAGES[name]})")
    for recording in recordings():
        length = f", {len(annotated_notes(recording.path)[0])} attacks" if recording.path.suffix == ".jams" else ""
        print(f"  {recording.name:40} {recording.kind:8} {recording.what}{length}")
    shared = shared_sounds()
    for pair in shared:
        print(f"  one sound in both halves: {pair[0]}, {pair[1]}")
    return 1 if shared else 0


if __name__ == "__main__":
    sys.exit(main())

"""Pairs of sustained takes with phrases that are planted early or late, and the truth about them.

Sampled instruments play phrases with rests between them; real singing and spoken phrases are doubled by stretching,
filtering and moving their phrases. A phrase's truth is the median over its notes of how much later each is audible in
the double. Asynchronies of single notes: 30 to 50 ms between players of trios (Rasch 1979, Acustica 43, 121-131), so
each player scatters by 20 ms against the beat.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.material.human_hands import SCALE, Note, follow_click, melody_notes, strummed_notes
from tests.bench.material.outside_instruments import INSTRUMENTS, NEVER_LOOKED_AT, TUNED_ON, Instrument
from tests.bench.material.outside_material import Recording, instruments, read_recording, recordings, render_part

RATE_HZ = 48_000
SCATTER_MS = 20.0
PLANTED_MS = (45.0, 180.0)
PLANTED_SHARE = 0.4
IN_PLACE_MS = 8.0
FEWEST_SUNG = 10
"""Phrases of a take made from a recording."""


DOUBLED_ON = {
    TUNED_ON: (("fluid/choir-ooh", "gmbank/choir-aah"), ("general/cello", "general/celli"),
               ("fluid/strings", "gmbank/strings"), ("general/violins", "fluid/strings"),
               ("gmbank/oboe", "fluid/clarinet"), ("fluid/clarinet", "gmbank/clarinet"),
               ("general/violins", "gmbank/strings")),
    NEVER_LOOKED_AT: (("fluid/violin", "gmbank/violin"), ("fluid/viola", "fluid/violin"),
                      ("gmbank/cello", "fluid/viola"), ("fluid/flute", "tim/flute"),
                      ("fluid/alto-sax", "gmbank/alto-sax"), ("gmbank/violin", "fluid/viola"))}
"""Leads and doubles on two instruments, in rooms: the timbres differ as those of two players do."""
TUNED_ON_SINGER = "vocadito_10"


@dataclass(frozen=True)
class TruePhrase:
    """A phrase of the double: first and last moment in the double, and how much later it is than in the lead."""

    from_s: float
    to_s: float
    late_ms: float
    """In its middle."""
    planted: bool
    widens_ms_per_s: float = 0.0
    """By how much later it gets, where it is played slower."""
    notes: tuple[tuple[float, float], ...] = ()
    """When each note begins in the double, and how much later it is; none where notes are not known."""

    def distance_ms(self, moved_ms: Callable[[float], float]) -> float:
        """How far it is from the lead when each moment of it is moved by so much: the median over its notes."""
        moments_s = np.linspace(self.from_s, self.to_s, 11)[1:-1]
        notes = self.notes or [(at_s, self.late_ms + self.widens_ms_per_s * (at_s - moments_s[4]))
                               for at_s in moments_s]
        return abs(float(np.median([late_ms + moved_ms(at_s) for at_s, late_ms in notes])))


@dataclass(frozen=True)
class SustainedPair:
    """A lead and its double."""

    name: str
    kind: str
    split: str
    rate_hz: int
    lead: np.ndarray
    double: np.ndarray
    phrases: tuple[TruePhrase, ...]


def phrased_notes(seed: int, low: int, high: int, *, seconds: float = 50.0) -> list[list[Note]]:
    """Phrases of four to eight notes, a rest of 0.35 to 1.2 s after each."""
    random = np.random.default_rng((seed, 7))
    beat_s, at_s = float(random.uniform(0.42, 0.6)), 1.0
    reach = [step for step in range(low, high + 1) if (step - low) % 12 in SCALE]
    step, phrases = len(reach) // 3, list[list[Note]]()
    while at_s < seconds:
        phrase = []
        for _ in range(int(random.integers(4, 9))):
            length_s = beat_s * float(random.choice((0.5, 1, 1, 1, 1.5, 2)))
            step = int(np.clip(step + random.choice((-3, -2, -1, -1, 1, 1, 2, 3)), 0, min(len(reach) - 1, 14)))
            phrase.append(Note(at_s, max(length_s - 0.02, 0.1), (float(reach[step]),), int(random.integers(70, 105)),
                               at_s))
            at_s += length_s
        phrases.append(phrase)
        at_s += float(random.uniform(0.35, 1.2))
    return phrases


def planted_ms(count: int, seed: int) -> list[tuple[float, bool]]:
    """How late each phrase of a double is, and whether that was planted."""
    random = np.random.default_rng((seed, 8))
    return [(float(random.choice((-1, 1)) * random.uniform(*PLANTED_MS)), True) if random.random() < PLANTED_SHARE
            else (float(random.normal(0, IN_PLACE_MS)), False) for _ in range(count)]


def instrument_pair(instrument: Instrument, seed: int, double_on: Instrument | None = None) -> SustainedPair:
    """A lead and a double on sampled instruments, each with its own scatter; on two of them, in a room."""
    players = (instrument, double_on or instrument)
    phrases = phrased_notes(seed, max(one.low for one in players) + 3, min(one.high for one in players) - 3)
    plan = planted_ms(len(phrases), seed)
    rendered = []
    for number in (0, 1):
        late_s = follow_click(sum(map(len, phrases)), SCATTER_MS, np.random.default_rng((seed, 9, number)))
        played, n = [], 0
        for phrase, (by_ms, _) in zip(phrases, plan, strict=True):
            for note in phrase:
                by_s = late_s[n] + number * by_ms / 1000
                played.append(replace(note, onset_s=max(note.onset_s + float(by_s), 0.1)))
                n += 1
        rendered.append(render_part(players[number], played, RATE_HZ, 1000 * seed + number))
    lead, double = rendered
    truth, n = [], 0
    for phrase, (_, planted) in zip(phrases, plan, strict=True):
        span = slice(n, n + len(phrase))
        late = 1000 * float(np.median(double.onsets_s[span] - lead.onsets_s[span]))
        notes = tuple((float(at_s), 1000 * float(at_s - lead_s))
                      for at_s, lead_s in zip(double.onsets_s[span], lead.onsets_s[span], strict=True))
        truth.append(TruePhrase(float(double.onsets_s[n]), float(double.onsets_s[span][-1]) + phrase[-1].duration_s,
                                late, planted, notes=notes))
        n += len(phrase)
    name, takes = instrument.name, (lead.samples, double.samples)
    if double_on is not None:
        name = f"{name}, {double_on.name}, room"
        takes = (in_a_room(lead.samples, RATE_HZ, 2 * seed), in_a_room(double.samples, RATE_HZ, 2 * seed + 1))
    return SustainedPair(name, instrument.kind, instrument.split, RATE_HZ, *takes, tuple(truth))


def in_a_room(samples: np.ndarray, rate_hz: int, seed: int) -> np.ndarray:
    """The same in a room: a noise tail that falls by 60 dB in 0.5 to 1 s, and a noise floor at -60 dBFS."""
    from scipy import signal

    random = np.random.default_rng((seed, 12))
    fall_s = float(random.uniform(0.5, 1.0))
    t = np.arange(int(fall_s * rate_hz)) / rate_hz
    tail = random.standard_normal(len(t)) * 10 ** (-3 * t / fall_s)
    tail *= 10 ** (-8 / 20) / np.sqrt(np.sum(tail**2))
    wet = samples + signal.fftconvolve(samples, tail)[: len(samples)]
    mixed: np.ndarray = wet + random.standard_normal(len(wet)) * 10 ** (-60 / 20)
    return mixed


def sung_pair(name: str, split: str, samples: np.ndarray, rate_hz: int, seed: int) -> SustainedPair:
    """Phrases of a recording in random order, and the same sung again: stretched, a few cents off, filtered and moved.

    The two are one performance, so this is easier than a real double; a short recording is used several times over.
    """
    random = np.random.default_rng((seed, 10))
    spans = loud_spans(samples, rate_hz)
    order = [int(n) for _ in range(-(-FEWEST_SUNG // len(spans))) for n in random.permutation(len(spans))]
    plan = planted_ms(len(order), seed)
    pieces = [samples[slice(*spans[n])] for n in order]
    total = sum(map(len, pieces)) + (len(order) + 4) * rate_hz
    takes = [random.standard_normal(total) * 10 ** (-72 / 20) for _ in range(2)]
    truth, at = [], rate_hz
    for piece, (by_ms, planted) in zip(pieces, plan, strict=True):
        again = _again(piece, rate_hz, random)
        # The middle of the phrase stays where it is in the lead, but for what is planted.
        start = round(at + (len(piece) - len(again)) / 2 + by_ms * rate_hz / 1000)
        takes[0][at : at + len(piece)] += piece * _fade(len(piece), rate_hz)
        takes[1][start : start + len(again)] += again
        truth.append(TruePhrase(start / rate_hz, (start + len(again)) / rate_hz, by_ms, planted,
                                1000 * (1 - len(piece) / len(again))))
        at += len(piece) + round(float(random.uniform(0.3, 0.9)) * rate_hz)
    takes = [take[: at + rate_hz] for take in takes]
    return SustainedPair(name, "voice", split, rate_hz, takes[0], takes[1], tuple(truth))


def _again(piece: np.ndarray, rate_hz: int, random: np.random.Generator) -> np.ndarray:
    """A phrase at another pace, pitch, tone and level; librosa's phase vocoder."""
    import librosa

    sound = librosa.effects.time_stretch(piece.astype(np.float32), rate=float(random.uniform(0.975, 1.025)))
    sound = librosa.effects.pitch_shift(sound, sr=rate_hz, n_steps=float(random.normal(0, 0.12))).astype(float)
    sound = sound + float(random.uniform(-0.25, 0.25)) * np.concatenate([[0.0], sound[:-1]])
    faded: np.ndarray = sound * _fade(len(sound), rate_hz) * 10 ** (random.normal(0, 1.5) / 20)
    return faded


def _fade(frames: int, rate_hz: int) -> np.ndarray:
    """In and out over 10 ms."""
    n = np.arange(frames)
    return np.minimum(1.0, np.minimum(n, n[::-1]) / (0.01 * rate_hz))


def loud_spans(samples: np.ndarray, rate_hz: int) -> list[tuple[int, int]]:
    """Spans between the rests of a recording, of 0.08 s or more."""
    step = rate_hz // 100
    level = 10 * np.log10(np.mean(samples[: len(samples) // step * step].reshape(-1, step) ** 2, axis=1) + 1e-12)
    loud = np.flatnonzero(level > np.percentile(level, 95) - 30)
    cuts = np.flatnonzero(np.diff(loud) > 8)
    starts, stops = [loud[0], *loud[cuts + 1]], [*loud[cuts], loud[-1]]
    return [(max((a - 3) * step, 0), min((b + 4) * step, len(samples))) for a, b in zip(starts, stops, strict=True)
            if b - a > 80]


def recorded_pair(recording: Recording, split: str, seed: int) -> SustainedPair:
    """A real recording and its planted double."""
    samples, rate_hz = read_recording(recording)
    return sung_pair(recording.name, split, samples / np.abs(samples).max() / 2, rate_hz, seed)


LINES = ("Over the river the lanterns are glowing", "nobody knows where the summer is going", "carry me home",
         "slowly the morning is rising again", "paper and silver and water and stone",
         "leave me a window, I sleep here alone", "over and over", "tell me the name of the wind and the rain")
VOICES = {TUNED_ON: (("en-us+m7", "en-us+m5"), ("en-us+m6", "en-us+m8")),
          NEVER_LOOKED_AT: (("en-gb-x-rp+m1", "en-gb-x-rp+m7"), ("en-gb-scotland+m8", "en-gb-scotland+m5"))}
"""Pairs of voices of nearly one pace."""


def spoken_pair(voices: Sequence[str], split: str, seed: int) -> SustainedPair:
    """The same lines by two voices of a formant synthesizer (espeak-ng), which keeps the times of all sounds."""
    random = np.random.default_rng((seed, 11))
    order = [LINES[n] for n in random.permutation(len(LINES))] * 2
    plan = planted_ms(len(order), seed)
    sounds = [[_spoken(line, voice, int(35 + 30 * random.random())) for line in order] for voice in voices]
    rate_hz = 22_050
    lead, double, truth, at = list[np.ndarray](), list[np.ndarray](), list[TruePhrase](), rate_hz
    for one, other, (by_ms, planted) in zip(*sounds, plan, strict=True):
        for parts, sound, by in ((lead, one, 0), (double, other, round(by_ms * rate_hz / 1000))):
            parts.append(np.pad(sound, (at + by, 0)))
        # The voices speak at slightly different paces: the truth is that of the middle.
        late_ms = by_ms + 500 * (len(other) - len(one)) / rate_hz
        truth.append(TruePhrase((at + by) / rate_hz, (at + by + len(other)) / rate_hz, late_ms, planted,
                                1000 * (1 - len(one) / len(other))))
        at += max(len(one), len(other)) + round(random.uniform(0.35, 0.9) * rate_hz)
    takes = []
    for parts in (lead, double):
        total = random.standard_normal(at + rate_hz) * 1e-4
        for part in parts:
            total[: len(part)] += part
        takes.append(total)
    return SustainedPair(f"spoken {voices[0]}", "voice", split, rate_hz, takes[0], takes[1], tuple(truth))


def _spoken(line: str, voice: str, pitch: int) -> np.ndarray:
    """One line, spoken slowly."""
    with tempfile.TemporaryDirectory() as place:
        target = Path(place) / "line.wav"
        subprocess.run(["espeak-ng", "-v", voice, "-s", "115", "-p", str(pitch), "-w", target, line], check=True)
        samples, _ = soundfile.read(target)
    heard = np.flatnonzero(np.abs(samples) > 0.002)
    return samples[heard[0] : heard[-1]] * 0.5 / np.abs(samples).max()


def short_takes(split: str) -> Iterator[tuple[str, str, Callable[[], tuple[np.ndarray, int]]]]:
    """Name, kind and maker of takes of 20 s, plain and in a room, of every instrument; and of voices."""
    for one in instruments(split=split):
        for where in ("plain", "room"):
            yield (f"{one.name} {where}", one.kind,
                   partial(_short_take, one, 200 + INSTRUMENTS.index(one), where == "room"))
    if shutil.which("espeak-ng"):
        for n, voices in enumerate(VOICES[split]):
            yield f"spoken {n}", "voice", partial(_first_take, partial(spoken_pair, voices, split, 160 + n))
    for one in recordings():
        if one.name.startswith("vocadito") and (one.name == TUNED_ON_SINGER) == (split == TUNED_ON):
            yield one.name, "voice", partial(read_recording, one)


def _short_take(instrument: Instrument, seed: int, in_room: bool) -> tuple[np.ndarray, int]:
    """Strums, a melody or phrases, as the instrument plays."""
    if instrument.chords:
        strums = strummed_notes(seed, low=instrument.low + 2, tempo=96.0 + seed % 9, bars=7, scatter_ms=10)
        notes = [replace(note, pitches=tuple(pitch for pitch in note.pitches if pitch <= instrument.high))
                 for note in strums]
    elif instrument.kind in ("plucked", "struck"):
        notes = melody_notes(seed, low=instrument.low + 5, bars=7)
    else:
        notes = [note for phrase in phrased_notes(seed, instrument.low + 3, instrument.high - 3, seconds=18)
                 for note in phrase]
    samples = render_part(instrument, notes, RATE_HZ, 500 + seed).samples
    return (in_a_room(samples, RATE_HZ, 700 + seed) if in_room else samples), RATE_HZ


def _first_take(make: Callable[[], SustainedPair]) -> tuple[np.ndarray, int]:
    """The beginning of a pair's lead."""
    pair = make()
    return pair.lead[: 25 * pair.rate_hz], pair.rate_hz

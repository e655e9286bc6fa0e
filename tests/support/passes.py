"""Songs of five passes a side whose best pair, and best pass in every section, were planted; and planted microphones.

A side has five kinds of passes, in an order of its own:
good          tight and in tune; in a song that needs a comp it is loose in one section
detuned       the tightest, 16 to 24 cents off throughout
loose         in tune, loose in the chorus (in a song that needs a comp: everywhere but where `good` is loose)
clicked       somewhat loose, with a click in one section that stands out by 24 dB above 3 kHz
plain         somewhat loose, 6 to 9 cents off, noisier; on one side of every song a copy takes its place
copy          the other side's good pass: exact, later by parts of a frame, or softer, inverted and noisier
Spreads are drawn so that no two kinds overlap. What is sharp on one side is flat on the other, so that two detuned
passes are never in tune with each other. A copy is the best by every figure but that it is a copy.
Figures: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.support.sessions.session_sounds import second_microphone
from tests.support.sounds.faulty_takes import above_3k, click_shape
from tests.support.sounds.song_player import RATE_HZ, PlayedPass, Playing, Song, make_song, play_pass
from tests.support.sounds.stamped_wave import write_wave

Array = npt.NDArray[np.float64]

VOICES = ("steel", "nylon", "electric", "modal")
SIDES = ("left", "right")
GOOD_MS, TIGHTEST_MS, SOMEWHAT_MS, LOOSE_MS = (3.5, 4.5), (2.5, 3.2), (8.0, 10.0), (22.0, 28.0)
CLICK_OVER_DB = 24.0
COMP_EVERY = 4
"""Every fourth song needs a comp."""


@dataclass(frozen=True)
class OnePass:
    """A pass, what kind it is, and in which sections it can stand beside the best."""

    name: str
    """1 to 5."""
    kind: str
    played: PlayedPass
    fit: tuple[bool, ...]
    cents: float
    click_s: float | None = None


@dataclass(frozen=True)
class PassesSong:
    """A song of one layer, five passes a side."""

    seed: int
    song: Song
    voice: str
    passes: dict[str, tuple[OnePass, ...]]
    comp_needed: bool
    copy: tuple[str, str, str]
    """Side and name of the copy, name of the pass on the other side it is a copy of."""

    def pass_of(self, side: str, kind: str) -> OnePass:
        """The pass of a kind."""
        return next(one for one in self.passes[side] if one.kind == kind)

    @property
    def best_pair(self) -> dict[str, str]:
        """The best pass by side; in a song that needs a comp, the one that plays in all sections but one."""
        return {side: self.pass_of(side, "good").name for side in SIDES}

    @property
    def best_comp(self) -> dict[str, tuple[str, ...]]:
        """The best pass in every section, by side."""
        return {side: tuple(good.name if good.fit[n] else self.pass_of(side, "loose").name
                            for n in range(len(self.song.sections)))
                for side in SIDES for good in [self.pass_of(side, "good")]}

    def comp_is_right(self, chosen: dict[str, Sequence[str]]) -> bool:
        """Whether passes chosen by side and section are the planted best ones, and no copy is a double.

        Without need for a comp the good pass has to play throughout; a song that needs one has to have exactly
        the passes that are fit, section by section.
        """
        return all(tuple(chosen[side]) == self.best_comp[side] for side in SIDES)

    def doubles_a_copy(self, chosen: dict[str, Sequence[str]]) -> bool:
        """Whether the copy and what it copies are heard together anywhere."""
        side, name, other = self.copy
        there = SIDES[1 - SIDES.index(side)]
        return any(a == name and b == other for a, b in zip(chosen[side], chosen[there], strict=True))


@dataclass(frozen=True)
class PlantedMics:
    """Two microphones of one performance; the second is later by `delay_ms` (earlier where it is negative)."""

    samples: Array
    """(frames, 2)."""
    rate_hz: int
    delay_ms: float
    inverted: bool


def make_passes(seed: int, *, bars: int = 4) -> PassesSong:
    """Play song `seed`, so many bars a section; timbres and copies take turns by it."""
    rng = np.random.default_rng([71, seed])
    song = make_song(3000 + seed, sections=4 if seed % 2 else 3, bars=bars, meter="4/4")
    voice = VOICES[seed % len(VOICES)]
    comp_needed = seed // len(VOICES) % COMP_EVERY == COMP_EVERY - 1
    high_strung = seed % 5 == 4
    bad = {side: int(rng.integers(len(song.sections))) if comp_needed else -1 for side in SIDES}
    sharp = float(rng.choice([-1.0, 1.0]))
    passes = {side: _play_side(song, seed, side, voice, high_strung, bad[side], sharp * (1 - 2 * n), rng)
              for n, side in enumerate(SIDES)}
    copied = SIDES[int(rng.integers(2))]
    onto = SIDES[1 - SIDES.index(copied)]
    source = next(one for one in passes[copied] if one.kind == "good")
    place = next(n for n, one in enumerate(passes[onto]) if one.kind == "plain")
    name = passes[onto][place].name
    copy = OnePass(name, "copy", _copied(source.played, seed, rng), (False,) * len(song.sections), source.cents)
    passes[onto] = (*passes[onto][:place], copy, *passes[onto][place + 1 :])
    return PassesSong(seed, song, voice, passes, comp_needed, (onto, name, source.name))


def _play_side(song: Song, seed: int, side: str, voice: str, high_strung: bool, bad: int, sharp: float,
               rng: np.random.Generator) -> tuple[OnePass, ...]:
    """Five passes in an order of their own.

    `bad` is the section in which the good one is loose, -1 for none; `sharp` is 1 or -1 for the side's tuning.
    """
    kinds = [str(kind) for kind in rng.permutation(["good", "detuned", "loose", "clicked", "plain"])]
    count = len(song.sections)
    chorus = next(n for n, section in enumerate(song.sections) if section[0] == "chorus")
    made = []
    for n, kind in enumerate(kinds):
        loose_in = {"good": {bad} - {-1}, "loose": {chorus} if bad < 0 else set(range(count)) - {bad}}.get(kind, set())
        scatter = {"good": GOOD_MS, "detuned": TIGHTEST_MS, "loose": GOOD_MS if bad >= 0 else SOMEWHAT_MS}
        usual = float(rng.uniform(*scatter.get(kind, SOMEWHAT_MS)))
        loose_ms = {bar: float(rng.uniform(*LOOSE_MS)) for part in loose_in
                    for bar in range(song.sections[part][1], song.sections[part][2] + 1)}
        cents = {"detuned": float(rng.uniform(16, 24)), "plain": float(rng.uniform(6, 9))}.get(kind, 0.0)
        cents = round(cents or float(rng.uniform(0, 1.5))) * sharp
        feel_ms = float(rng.uniform(-2, 2) if kind in ("good", "detuned") or bad >= 0 else rng.uniform(-6, 6))
        noise_db = -58.0 if kind == "plain" else -76.0
        playing = Playing(usual, feel_ms, cents, noise_db, high_strung, loose_ms)
        played = play_pass(song, 10 * seed + n + 5 * SIDES.index(side), voice=voice, playing=playing)
        click_s = None
        if kind == "clicked":
            played, click_s = _with_click(played, song, rng)
        fit = tuple((kind == "good" and part != bad) or (kind == "loose" and part == bad) for part in range(count))
        made.append(OnePass(str(n + 1), kind, played, fit, cents, click_s))
    return tuple(made)


def _with_click(played: PlayedPass, song: Song, rng: np.random.Generator) -> tuple[PlayedPass, float]:
    """Put a click in the longest pause between strums of a section, 24 dB over what sounds there above 3 kHz."""
    _, first, last = song.sections[int(rng.integers(len(song.sections)))]
    inside = played.onsets_s[(played.onsets_s > song.downbeat_s(first)) & (played.onsets_s < song.downbeat_s(last + 1))]
    gaps = np.diff(inside)
    longest = int(np.argmax(gaps))
    at_s = float(inside[longest] + 0.7 * gaps[longest])
    at, around = round(at_s * played.rate_hz), round(0.025 * played.rate_hz)
    out = played.samples.copy()
    there = above_3k(out[at - 10 * around : at + 10 * around], played.rate_hz)[9 * around : 11 * around]
    shape = click_shape(rng, played.rate_hz)
    peak = np.abs(above_3k(np.pad(shape, played.rate_hz // 50), played.rate_hz)).max()
    out[at : at + len(shape)] += shape * 10 ** (CLICK_OVER_DB / 20) * np.sqrt(np.mean(there**2)) / peak
    return PlayedPass(out, played.rate_hz, played.start_s, played.onsets_s, played.grid_s), at_s


def _copied(played: PlayedPass, seed: int, rng: np.random.Generator) -> PlayedPass:
    """The same sound: exact, later by 0.3 to 12 ms and parts of a frame, or softer, inverted and noisier."""
    late_s = 0.0
    if seed % 3 == 0:
        out = played.samples.copy()
    elif seed % 3 == 1:
        late_s = float(rng.uniform(0.0003, 0.012))
        out = _later(played.samples, late_s * played.rate_hz)
    else:
        out = -0.7 * played.samples + 10 ** (-70 / 20) * rng.standard_normal(len(played.samples))
    return PlayedPass(out, played.rate_hz, played.start_s, played.onsets_s + late_s, played.grid_s)


def _later(sound: Array, frames: float) -> Array:
    """A delay by a phase ramp."""
    size = 1 << (len(sound) + round(frames) + 1000).bit_length()
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * frames)
    return np.fft.irfft(np.fft.rfft(sound, size) * turn, size)[: len(sound)]


def write_passes(made: PassesSong, folder: Path) -> Path:
    """Write the ten files and a recipe with sections and passes.

    Returns
    -------
    Path
        The recipe.
    """
    song = made.song
    lines = ["[song]", f'title = "Passes {made.seed}"', f"tempo = {song.tempo}", f'meter = "{song.meter}"',
             f"bar_one_s = {song.bar_one_s}"]
    for name, first, last in song.sections:
        lines += ["", "[[section]]", f'name = "{name}"', f"bars = [{first}, {last}]"]
    lines += ["", "[[layer]]", 'name = "guitar"']
    for side, pan in zip(SIDES, (-100, 100), strict=True):
        lines += ["", "[[layer.take]]", f'name = "{side}"', f"pan = {pan}", "passes = ["]
        for one in made.passes[side]:
            file = f"{side} {one.name}.wav"
            write_wave(folder / file, one.played.samples, one.played.rate_hz)
            lines.append(f'  {{ name = "{one.name}", file = "{file}" }},')
        lines.append("]")
    recipe = folder / "song.toml"
    recipe.write_text("\n".join(lines) + "\n", "utf-8")
    return recipe


def make_mics(seed: int, *, seconds: float = 12.0, rate_hz: int = RATE_HZ) -> PlantedMics:
    """Two microphones 0.1 to 3 ms apart, by parts of a frame, one in three inverted, timbres by turns."""
    rng = np.random.default_rng([73, seed])
    song = make_song(5000 + seed)
    bars = min(song.bars, 1 + int(seconds / song.bar_s))
    near = play_pass(song, seed, voice=VOICES[seed % len(VOICES)], last_bar=bars,
                     rate_hz=rate_hz).samples[: round(seconds * rate_hz)]
    delay_ms = float(rng.uniform(0.1, 3.0) * rng.choice([-1, 1]))
    inverted = seed % 3 == 2
    far = second_microphone(near, seed, delay_ms=delay_ms, inverted=inverted, rate_hz=rate_hz)
    return PlantedMics(np.stack([near, far], axis=1), rate_hz, delay_ms, inverted)


START_S = 36_000
"""The song begins at ten o'clock."""


def over_frame(made: PassesSong) -> int:
    """Frame of the song at which the overdub's file begins: half a second before bar 5."""
    return round(round(made.song.downbeat_s(5) - 0.5, 3) * 48_000)


def write_recipe(folder: Path, made: PassesSong, name: str = "song", *, left: str = "", over: str = "") -> Path:
    """A recipe of three passes, a take and an overdub; `left` and `over` add to a take."""
    song = made.song
    sections = "".join(f'[[section]]\nname = "{part}"\nbars = [{first}, {last}]\n'
                       for part, first, last in song.sections)
    text = f"""[song]
title = "Passes"
tempo = {song.tempo}
meter = "{song.meter}"
bar_one_s = {song.bar_one_s}
time_reference_s = {START_S}
{sections}
[[layer]]
name = "guitar"
[[layer.take]]
name = "left"
pan = -100
passes = [
  {{ name = "1", file = "left 1.wav" }},
  {{ name = "2", file = "left 2.wav" }},
  {{ name = "3", file = "left 3.wav" }},
]
{left}
[[layer.take]]
name = "right"
file = "right.wav"
starts = -0.5    # recorded with half a second of count-in
pan = 100

[[layer]]
name = "overdub"
[[layer.take]]
name = "centre"
file = "over.wav"
{over or 'starts = "time reference"'}
"""
    path = folder / f"{name}.toml"
    path.write_text(text)
    return path

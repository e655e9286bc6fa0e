"""Read a sound font: which stretches of recorded sound make up one note of an instrument.

Levels are centibels, tunings cents, envelope times time-cents in the file and seconds in `Zone`.
Modulators, the modulation envelope, the low-frequency oscillators and the effect sends are not read.
Source: SoundFont Technical Specification 2.04 (2006); chunk layouts in section 7, generators in section 8.1.
"""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

FULL_RANGE = (0, 127)
ROM_SAMPLE = 0x8000
LEFT, RIGHT = 4, 2
"""Sample types, section 7.10."""

KEY_RANGE, VELOCITY_RANGE, INSTRUMENT, SAMPLE = 43, 44, 41, 53
PAN, FILTER_HZ, ATTENUATION = 17, 8, 48
COARSE, FINE, SCALE, ROOT_KEY, MODE = 51, 52, 56, 58, 54
ATTACK, HOLD, DECAY, SUSTAIN, RELEASE = 34, 35, 36, 37, 38
START, END, LOOP_START, LOOP_END = (0, 4), (1, 12), (2, 45), (3, 50)
"""Address offsets: frames, and steps of 32,768 frames."""
DEFAULTS = {FILTER_HZ: 13_500, ATTACK: -12_000, HOLD: -12_000, DECAY: -12_000, RELEASE: -12_000, SCALE: 100,
            ROOT_KEY: -1}
"""Generators whose default is not 0, section 8.1.3."""
UNSIGNED = {INSTRUMENT, SAMPLE}
NOT_ADDED = {KEY_RANGE, VELOCITY_RANGE, INSTRUMENT, SAMPLE, ROOT_KEY, MODE}
"""Generators that a preset cannot add to those of its instruments, section 8.5."""
ATTENUATION_USED = 0.4
"""Share of the attenuation that is applied: fonts are made for hardware that applied 0.4 of it, and public players
of such fonts apply the same."""


@dataclass(frozen=True)
class Zone:
    """One recorded sound within one note."""

    name: str
    first: int
    last: int
    loop: tuple[int, int] | None
    recorded_hz: float
    root_key: float
    """MIDI key at which the sound plays at its recorded speed, tuning included."""
    cents_per_key: float
    pan: float
    """-0.5 (left) to 0.5."""
    side: int
    attenuation_db: float
    filter_cents: float
    attack_s: float
    hold_s: float
    decay_s: float
    sustain_db: float
    release_s: float


def _seconds(time_cents: float) -> float:
    return 0.0 if time_cents <= -12_000 else float(2.0 ** (time_cents / 1200))


def _rows(chunk: bytes, layout: str) -> list[tuple]:
    return list(struct.iter_unpack(layout, chunk))


def _text(raw: bytes) -> str:
    return raw.split(b"\0")[0].decode("latin-1").strip()


class SoundFont:
    """One file, its sounds left on disk.

    Parameters
    ----------
    path : Path
        A sound font of 16-bit samples (`.sf2`).

    Raises
    ------
    ValueError
        If the file is no sound font or a chunk is missing.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with path.open("rb") as file:
            self._bytes = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        if self._bytes[:4] != b"RIFF" or self._bytes[8:12] != b"sfbk":
            raise ValueError(f"{path} is no sound font: it must begin with RIFF and sfbk")
        chunks = dict(self._chunks(12, len(self._bytes)))
        missing = {"smpl", "phdr", "pbag", "pgen", "inst", "ibag", "igen", "shdr"} - set(chunks)
        if missing:
            raise ValueError(f"{path} lacks the chunks {', '.join(sorted(missing))}")
        at, size = chunks["smpl"]
        self.samples = np.frombuffer(self._bytes, "<i2", size // 2, at)
        raw = {name: self._bytes[at : at + size] for name, (at, size) in chunks.items() if name != "smpl"}
        self._presets = _rows(raw["phdr"], "<20sHHHIII")
        self._instruments = _rows(raw["inst"], "<20sH")
        self._headers = _rows(raw["shdr"], "<20sIIIIIBbHH")
        self._bags = {"preset": _rows(raw["pbag"], "<HH"), "instrument": _rows(raw["ibag"], "<HH")}
        self._gens = {"preset": _rows(raw["pgen"], "<HH"), "instrument": _rows(raw["igen"], "<HH")}

    def _chunks(self, at: int, end: int) -> Iterator[tuple[str, tuple[int, int]]]:
        while at + 8 <= end:
            name, size = struct.unpack("<4sI", self._bytes[at : at + 8])
            if name == b"LIST":
                yield from self._chunks(at + 12, at + 8 + size)
            else:
                yield name.decode("latin-1"), (at + 8, size)
            at += 8 + size + size % 2

    def presets(self) -> dict[tuple[int, int], str]:
        """Names by (bank, program)."""
        return {(row[2], row[1]): _text(row[0]) for row in self._presets[:-1]}

    def zones(self, bank: int, program: int, key: int, velocity: int) -> list[Zone]:
        """The sounds that make up one note.

        Parameters
        ----------
        bank, program : int
            The instrument.
        key, velocity : int
            MIDI, 0 to 127.

        Returns
        -------
        list of Zone
            Empty where the instrument has no sound for the key.

        Raises
        ------
        KeyError
            If the font has no such instrument.
        """
        found = [n for n, row in enumerate(self._presets[:-1]) if (row[2], row[1]) == (bank, program)]
        if not found:
            raise KeyError(f"{self.path.name} has no instrument in bank {bank}, program {program}")
        bags = (self._presets[found[0]][6 - 3], self._presets[found[0] + 1][6 - 3])
        zones = []
        for above in self._settings("preset", bags, INSTRUMENT, key, velocity):
            inner = above[INSTRUMENT]
            bags = (self._instruments[inner][1], self._instruments[inner + 1][1])
            for own in self._settings("instrument", bags, SAMPLE, key, velocity):
                both = {**DEFAULTS, **own}
                for number, amount in above.items():
                    if number not in NOT_ADDED:
                        both[number] = both.get(number, 0) + amount
                if not self._headers[both[SAMPLE]][9] & ROM_SAMPLE:
                    zones.append(self._zone(both, key))
        return zones

    def _settings(self, level: str, bags: tuple[int, int], leads_to: int, key: int,
                  velocity: int) -> Iterator[dict[int, int]]:
        """The generators of every zone that the note falls into, the global zone's beneath them."""
        overall: dict[int, int] = {}
        for n in range(*bags):
            first, last = self._bags[level][n][0], self._bags[level][n + 1][0]
            own: dict[int, int] = {}
            for number, amount in self._gens[level][first:last]:
                signed = amount - 65_536 if amount > 32_767 and number not in UNSIGNED else amount
                own[number] = amount if number in (KEY_RANGE, VELOCITY_RANGE) else signed
            if leads_to not in own:
                overall = own if n == bags[0] else overall
                continue
            merged = {**overall, **own}
            if all(_within(merged.get(number), value)
                   for number, value in ((KEY_RANGE, key), (VELOCITY_RANGE, velocity))):
                yield merged

    def _zone(self, gens: dict[int, int], key: int) -> Zone:
        name, first, last, loop_first, loop_last, rate_hz, root, correction, _, kind = self._headers[gens[SAMPLE]]

        def moved(place: int, numbers: tuple[int, int]) -> int:
            return place + gens.get(numbers[0], 0) + 32_768 * gens.get(numbers[1], 0)

        root = gens[ROOT_KEY] if gens[ROOT_KEY] >= 0 else root
        tuned_cents = gens.get(COARSE, 0) * 100 + gens.get(FINE, 0) + correction
        loop = (moved(loop_first, LOOP_START), moved(loop_last, LOOP_END))
        looped = gens.get(MODE, 0) in (1, 3) and loop[1] - loop[0] > 1
        return Zone(_text(name), moved(first, START), moved(last, END), loop if looped else None, float(rate_hz),
                    root - tuned_cents / gens[SCALE] if gens[SCALE] else float(key) - tuned_cents / 100,
                    float(gens[SCALE] or 100), gens.get(PAN, 0) / 1000, kind & (LEFT | RIGHT),
                    max(0, gens.get(ATTENUATION, 0)) / 10 * ATTENUATION_USED, float(gens[FILTER_HZ]),
                    _seconds(gens[ATTACK]), _seconds(gens[HOLD]), _seconds(gens[DECAY]),
                    min(max(0, gens.get(SUSTAIN, 0)), 1000) / 10, _seconds(gens[RELEASE]))


def _within(packed: int | None, value: int) -> bool:
    low, high = FULL_RANGE if packed is None else (packed & 0xFF, packed >> 8)
    return low <= value <= high


def one_side(zones: list[Zone]) -> list[Zone]:
    """The left of what was recorded in stereo: summing both sides would comb, and a take is one microphone."""
    if any(zone.side == LEFT for zone in zones):
        zones = [zone for zone in zones if zone.side != RIGHT]
    hard = [zone for zone in zones if abs(zone.pan) > 0.2]
    if any(zone.pan < 0 for zone in hard):
        zones = [zone for zone in zones if zone.pan <= 0.2]
    return zones

"""Traditional tunes written in ABC notation: rhythms and meters that nobody here made up.

LAYERPIPE_MATERIAL holds them at any depth, as the Python package music21 carries them (unpack its wheel): fiddle tunes
of two printed collections. Read is what a rhythm needs: meters, lengths, pitches, ties, tuplets and bar lines; repeats
are played once. The notation: ABC standard 2.1. A tune is used only if its bar lines are a whole number of bars apart.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

from tests.bench.material.outside_instruments import NEVER_LOOKED_AT, TUNED_ON
from tests.bench.material.outside_material import folder

COLLECTIONS = ("ryansMammoth", "oneills1850", "essenFolksong")
METERS = {"C": "4/4", "C|": "4/4", "4/4": "4/4", "3/4": "3/4", "6/8": "6/8", "12/8": "12/8"}
BAR = {"4/4": 8, "3/4": 6, "6/8": 6, "12/8": 12}
"""Eighths in a bar."""
SHORTEST_BARS = 12
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_FIFTHS = {"C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5, "F": -1, "BB": -2, "EB": -3, "AB": -4, "F#": 6, "C#": 7}
_MODES = {"": 0, "MAJ": 0, "ION": 0, "M": -3, "MIN": -3, "AEO": -3, "DOR": -2, "MIX": -1, "PHR": -4, "LYD": 1}
_WORD = re.compile(r"\"[^\"]*\"|\{[^}]*\}|![^!]*!|\[\d|\[[A-Z]:[^\]]*\]|\((\d)(?::\d*){0,2}|\|[\]|:]?|:\|?|[<>]+|-|"
                   r"([\^_=]*)([A-Ga-gzx])([,']*)(\d*)(/*)(\d*)|.", re.DOTALL)
_IN_TIME_OF = {2: 3, 3: 2, 4: 3, 6: 2}


@dataclass(frozen=True)
class Tune:
    """Notes as (eighth, length in eighths, MIDI pitch), counted from the first bar line: a pick-up is before 0."""

    title: str
    meter: str
    notes: tuple[tuple[float, float, int], ...]
    split: str

    @property
    def bars(self) -> int:
        """Whole bars."""
        return int(max(at + length for at, length, _ in self.notes) / BAR[self.meter] + 1e-6)


@cache
def tunes(split: str | None = None) -> list[Tune]:
    """All usable tunes, or those of one half; the halves are decided by the SHA-256 of the title."""
    place = folder()
    files = sorted(path for path in (place.rglob("*.abc") if place else ()) if path.parent.name in COLLECTIONS)
    found = {}
    for path in files:
        for text in re.split(r"(?m)^X:", path.read_text("latin-1"))[1:]:
            tune = read_tune(text)
            if tune is not None:
                found.setdefault(tune.title, tune)
    return [tune for tune in found.values() if split in (None, tune.split)]


def read_tune(text: str) -> Tune | None:
    """The first meter's tune of an ABC text; None where it is not in a meter listed here or its bars do not add up."""
    header = dict(re.findall(r"(?m)^([A-Z]):\s*(.*?)\s*$", text))
    meter = METERS.get(header.get("M", ""))
    if meter is None or len(re.findall(r"(?m)^M:|\[M:", text)) != 1 or "K" not in header:
        return None
    unit = Fraction(header.get("L", "1/8")) * 8
    body = re.sub(r"(?m)^[A-Za-z]:.*$|%.*$|\\$", "", text)
    events, lines = _events(body, _sharps(header["K"]), unit)
    bar, notes = BAR[meter], [(at, length, pitch) for at, length, pitch in events if pitch]
    if not notes or not lines:
        return None
    first = lines[0] if 0 < lines[0] < bar else Fraction(0)
    if any((line - first) % bar for line in lines):
        return None
    moved = tuple((float(at - first), float(length), pitch) for at, length, pitch in notes)
    title = re.sub(r"[^a-z]", "", header.get("T", "").split("--")[0].lower())
    half = int(hashlib.sha256(title.encode()).hexdigest(), 16) % 2
    tune = Tune(title, meter, moved, (TUNED_ON, NEVER_LOOKED_AT)[half])
    return tune if tune.bars >= SHORTEST_BARS else None


def _sharps(key: str) -> dict[str, int]:
    """Accidentals of a key signature."""
    named = re.match(r"\s*([A-Ga-g])([#b]?)\s*([A-Za-z]*)", key)
    if named is None:
        return {}
    fifths = _FIFTHS.get((named[1] + named[2]).upper(), 0) + _MODES.get(named[3].upper()[:3], 0)
    order = "FCGDAEB" if fifths > 0 else "BEADGCF"
    return dict.fromkeys(order[:abs(fifths)], 1 if fifths > 0 else -1)


def _events(body: str, key: dict[str, int], unit: Fraction) -> tuple[list[tuple[Fraction, Fraction, int]],
                                                                     list[Fraction]]:
    """Notes (start, length, pitch; 0 is a rest) and the places of bar lines, in eighths."""
    events: list[tuple[Fraction, Fraction, int]] = []
    lines: list[Fraction] = []
    at, left, scale, tied, dotted, here = Fraction(0), 0, Fraction(1), False, Fraction(0), dict(key)
    for word in _WORD.finditer(body):
        text = word[0]
        if word[1]:
            left = int(word[1])
            scale = Fraction(_IN_TIME_OF.get(left, 2), left)
        elif word[3]:
            length = unit * Fraction(int(word[5] or 1), int(word[7] or 1) * (2 ** len(word[6]) if not word[7] else 1))
            if left:
                length, left = length * scale, left - 1
            if dotted:
                length, dotted = length + dotted, Fraction(0)
            step = word[3].upper()
            if word[2]:
                here[step] = word[2].count("^") - word[2].count("_")
            pitch = 0
            if step not in "ZX":
                octave = (word[3].islower()) - word[4].count(",") + word[4].count("'")
                pitch = 60 + _STEPS[step] + here.get(step, 0) + 12 * octave
            if tied and events and events[-1][2] == pitch:
                events[-1] = (events[-1][0], events[-1][1] + length, pitch)
            else:
                events.append((at, length, pitch))
            at, tied = at + length, False
        elif text[0] in "<>" and events:
            start, length, pitch = events[-1]
            by = length * (1 - Fraction(1, 2 ** len(text))) * (1 if text[0] == ">" else -1)
            events[-1], at, dotted = (start, length + by, pitch), at + by, -by
        elif text == "-":
            tied = True
        elif text[0] in "|:" and "|" in text:
            here = dict(key)
            # A repeat or a double bar may stand before a pick-up, inside a bar.
            if text == "|" and (not lines or lines[-1] != at):
                lines.append(at)
    return events, [line for line in lines if line > 0]

"""The sampled instruments that listening is judged by, and which of them it may be tuned on.

Each entry is a sound font, a bank, a program, a kind and the range (MIDI) that its sounds were recorded for. Fonts
descend from each other, so only entries with recordings of their own are listed. The halves were decided once: within
a kind, names in the order of their SHA-256 are dealt in turn, the first to "tuned on". They are written down here so
that adding an instrument moves no other one.
"""

from __future__ import annotations

from dataclasses import dataclass

TUNED_ON, NEVER_LOOKED_AT = "tuned on", "never looked at"
FONTS = {"fluid": "FluidR3_GM.sf2", "general": "MuseScore_General_Full.sf2", "gmbank": "sf_GMbank.sf2",
         "tim": "TimGM6mb.sf2"}
PACKAGES = {"fluid": "fluid-soundfont-gm", "general": "musescore-general-soundfont-lossless",
            "gmbank": "csound-soundfont", "tim": "timgm6mb-soundfont"}
"""Debian packages that carry the fonts."""
GUITAR, BASS = (40, 83), (28, 60)


@dataclass(frozen=True)
class Instrument:
    """One sampled instrument; `name` is its font and its own name."""

    name: str
    kind: str
    """"plucked", "struck", "voice", "bowed" or "wind"."""
    split: str
    bank: int
    program: int
    low: int
    high: int
    distorted: bool = False

    @property
    def font(self) -> str:
        """Short name of the sound font."""
        return self.name.split("/")[0]

    @property
    def stopped(self) -> bool:
        """Whether striking a string ends what it played before: fretted strings, six or fewer for all pitches."""
        return self.kind == "plucked" and any(word in self.name for word in ("guitar", "bass", "banjo"))

    @property
    def chords(self) -> bool:
        """Whether one player plays chords on it."""
        return self.kind == "struck" or (self.kind == "plucked" and "bass" not in self.name
                                         and "pizzicato" not in self.name)


INSTRUMENTS = (
    Instrument("fluid/nylon-guitar", "plucked", NEVER_LOOKED_AT, 0, 24, *GUITAR),
    Instrument("general/steel-guitar", "plucked", TUNED_ON, 0, 25, *GUITAR),
    Instrument("fluid/jazz-guitar", "plucked", TUNED_ON, 0, 26, *GUITAR),
    Instrument("fluid/clean-guitar", "plucked", NEVER_LOOKED_AT, 0, 27, *GUITAR),
    Instrument("fluid/distorted-guitar", "plucked", TUNED_ON, 0, 30, *GUITAR, distorted=True),
    Instrument("gmbank/nylon-guitar", "plucked", NEVER_LOOKED_AT, 0, 24, *GUITAR),
    Instrument("gmbank/steel-guitar", "plucked", TUNED_ON, 0, 25, *GUITAR),
    Instrument("gmbank/jazz-guitar", "plucked", TUNED_ON, 0, 26, *GUITAR),
    Instrument("gmbank/clean-guitar", "plucked", NEVER_LOOKED_AT, 0, 27, *GUITAR),
    Instrument("gmbank/overdriven-guitar", "plucked", TUNED_ON, 0, 29, *GUITAR, distorted=True),
    Instrument("fluid/banjo", "plucked", TUNED_ON, 0, 105, 48, 81),
    Instrument("gmbank/banjo", "plucked", TUNED_ON, 0, 105, 48, 81),
    Instrument("fluid/harp", "plucked", NEVER_LOOKED_AT, 0, 46, 36, 91),
    Instrument("gmbank/harp", "plucked", NEVER_LOOKED_AT, 0, 46, 36, 91),
    Instrument("fluid/fingered-bass", "plucked", TUNED_ON, 0, 33, *BASS),
    Instrument("gmbank/picked-bass", "plucked", NEVER_LOOKED_AT, 0, 34, *BASS),
    Instrument("general/pizzicato", "plucked", NEVER_LOOKED_AT, 0, 45, 48, 84),
    Instrument("gmbank/pizzicato", "plucked", NEVER_LOOKED_AT, 0, 45, 48, 84),
    Instrument("fluid/grand-piano", "struck", NEVER_LOOKED_AT, 0, 0, 36, 91),
    Instrument("gmbank/grand-piano", "struck", NEVER_LOOKED_AT, 0, 0, 36, 91),
    Instrument("general/grand-piano", "struck", NEVER_LOOKED_AT, 0, 0, 36, 91),
    Instrument("fluid/electric-piano", "struck", TUNED_ON, 0, 4, 36, 91),
    Instrument("gmbank/electric-piano", "struck", NEVER_LOOKED_AT, 0, 4, 36, 91),
    Instrument("general/dulcimer", "struck", TUNED_ON, 0, 15, 48, 84),
    Instrument("fluid/vibraphone", "struck", TUNED_ON, 0, 11, 53, 89),
    Instrument("gmbank/marimba", "struck", TUNED_ON, 0, 12, 48, 89),
    Instrument("fluid/choir-aah", "voice", NEVER_LOOKED_AT, 0, 52, 48, 79),
    Instrument("fluid/choir-ooh", "voice", TUNED_ON, 0, 53, 48, 79),
    Instrument("gmbank/choir-aah", "voice", TUNED_ON, 0, 52, 48, 79),
    Instrument("fluid/violin", "bowed", NEVER_LOOKED_AT, 0, 40, 55, 91),
    Instrument("gmbank/violin", "bowed", NEVER_LOOKED_AT, 0, 40, 55, 91),
    Instrument("fluid/viola", "bowed", NEVER_LOOKED_AT, 0, 41, 48, 84),
    Instrument("general/cello", "bowed", TUNED_ON, 0, 42, 36, 69),
    Instrument("gmbank/cello", "bowed", NEVER_LOOKED_AT, 0, 42, 36, 69),
    Instrument("fluid/strings", "bowed", TUNED_ON, 0, 48, 43, 84),
    Instrument("gmbank/strings", "bowed", TUNED_ON, 0, 48, 43, 84),
    Instrument("general/violins", "bowed", TUNED_ON, 20, 48, 55, 88),
    Instrument("general/celli", "bowed", TUNED_ON, 40, 48, 38, 69),
    Instrument("fluid/trumpet", "wind", TUNED_ON, 0, 56, 55, 82),
    Instrument("gmbank/trumpet", "wind", NEVER_LOOKED_AT, 0, 56, 55, 82),
    Instrument("fluid/trombone", "wind", TUNED_ON, 0, 57, 41, 70),
    Instrument("fluid/flute", "wind", NEVER_LOOKED_AT, 0, 73, 60, 91),
    Instrument("tim/flute", "wind", NEVER_LOOKED_AT, 0, 73, 60, 91),
    Instrument("fluid/clarinet", "wind", TUNED_ON, 0, 71, 50, 84),
    Instrument("gmbank/clarinet", "wind", TUNED_ON, 0, 71, 50, 84),
    Instrument("fluid/alto-sax", "wind", NEVER_LOOKED_AT, 0, 65, 50, 79),
    Instrument("gmbank/alto-sax", "wind", NEVER_LOOKED_AT, 0, 65, 50, 79),
    Instrument("gmbank/oboe", "wind", TUNED_ON, 0, 68, 58, 87),
)

"""What can be asked of layerpipe: the nouns of a recipe, their ranges and their defaults.

Times are seconds or milliseconds as named, levels dB, pans -100 (left) to 100 (right), bars count from 1.
Every default stands here and nowhere else; `recipe_file.py` turns TOML into these nouns and `schema` prints them.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
MOST_LAYERS, MOST_TAKES = 32, 256

PreviewFormat = Literal["mp3", "m4a", "flac", "wav"]
BarAndBeat = str
"""bar.beat.sixteenth, counted from 1; later places may be left off."""


def _a_level(level_db: float) -> float:
    """A level may be -inf (silence), never above +60 dB and never not-a-number."""
    if math.isnan(level_db) or level_db > 60.0:
        raise ValueError("must be at most 60 dB; -inf is silence")
    return level_db


def _a_number(value: float) -> float:
    """Refuse inf and nan."""
    if not math.isfinite(value):
        raise ValueError("must be a finite number")
    return value


Level = Annotated[float, AfterValidator(_a_level)]
Finite = Annotated[float, AfterValidator(_a_number)]
GainDb = Annotated[float, Field(ge=-60.0, le=60.0)]
Name = Annotated[str, Field(min_length=1, max_length=80)]
Meter = Annotated[str, Field(pattern=r"^[1-9][0-9]?/(1|2|4|8|16|32)$")]
Tempo = Annotated[float, Field(ge=10.0, le=400.0)]
"""Beats per minute; a compound meter counts dotted notes."""


class Noun(BaseModel):
    """Base of every table of a recipe: unknown keys are refused, nothing changes once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Song(Noun):
    """[song]"""

    title: Name
    artist: str = ""
    tempo: Tempo | None = None
    meter: Meter = "4/4"
    bar_one_s: Annotated[float, Field(ge=-3600.0, le=86400.0)] = 0.0
    sample_rate_hz: Annotated[int, Field(ge=LOWEST_RATE_HZ, le=HIGHEST_RATE_HZ)] | None = None
    a4_hz: Annotated[float, Field(ge=380.0, le=500.0)] = 440.0


class TempoChange(Noun):
    """[[tempo]]: from the downbeat of `from_bar` on. What is left out stays as it was."""

    from_bar: Annotated[int, Field(ge=1)]
    tempo: Tempo | None = None
    meter: Meter | None = None


class Section(Noun):
    """[[section]]: bars first to last, both played."""

    name: Name
    bars: Annotated[list[Annotated[int, Field(ge=-1000, le=100_000)]], Field(min_length=2, max_length=2)]
    levels_db: dict[str, Level] = Field(default_factory=dict)


class Bed(Noun):
    """[bed]: the rest of the track, to listen against."""

    file: Path
    gain_db: GainDb = 0.0


class HighPass(Noun):
    """A Butterworth high-pass."""

    hz: Annotated[float, Field(gt=0.0)]
    slope_db_per_octave: Literal[6, 12, 18, 24] = 12


class Shelf(Noun):
    """A W3C cookbook shelf; `hz` is its midpoint."""

    side: Literal["low", "high"]
    hz: Annotated[float, Field(gt=0.0)]
    gain_db: Annotated[float, Field(ge=-24.0, le=24.0)]
    slope: Annotated[float, Field(gt=0.0, le=1.0)] = 1.0


class Bell(Noun):
    """A W3C cookbook peaking filter."""

    hz: Annotated[float, Field(gt=0.0)]
    gain_db: Annotated[float, Field(ge=-24.0, le=24.0)]
    q: Annotated[float, Field(ge=0.1, le=30.0)] = 1.0


class Compressor(Noun):
    """Feed-forward, log domain. Exactly one of `threshold_db` and `hits_db` is given."""

    threshold_db: Annotated[float, Field(ge=-80.0, le=0.0)] | None = None
    hits_db: Annotated[float, Field(gt=0.0, le=24.0)] | None = None
    ratio: Annotated[float, Field(ge=1.0, le=100.0)] = 2.0
    knee_db: Annotated[float, Field(ge=0.0, le=40.0)] = 6.0
    attack_ms: Annotated[float, Field(ge=0.0, le=1000.0)] = 10.0
    release_ms: Annotated[float, Field(ge=0.0, le=5000.0)] = 120.0
    makeup_db: Annotated[float, Field(ge=-24.0, le=24.0)] = 0.0


class Chain(Noun):
    """[layer.chain] or [layer.take.chain]: filters in this order, then the compressor."""

    high_pass: Annotated[list[HighPass], Field(max_length=16)] = Field(default_factory=list)
    shelf: Annotated[list[Shelf], Field(max_length=16)] = Field(default_factory=list)
    bell: Annotated[list[Bell], Field(max_length=16)] = Field(default_factory=list)
    compressor: Compressor | None = None


class Move(Noun):
    """[[layer.take.move]]: what lies between `from` and `to` is heard `by_ms` later (earlier when negative)."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    start: Annotated[BarAndBeat | float, Field(alias="from")]
    stop: Annotated[BarAndBeat | float, Field(alias="to")]
    by_ms: Annotated[float, Field(ge=-2000.0, le=2000.0)]
    joint_ms: Annotated[float, Field(ge=0.1, le=100.0)] = 5.0


class Take(Noun):
    """[[layer.take]]: one performance, heard as mono."""

    name: Name
    file: Path
    channel: Annotated[int, Field(ge=1, le=64)] | None = None
    pan: Annotated[float, Field(ge=-100.0, le=100.0)] = 0.0
    gain_db: GainDb = 0.0
    flip_polarity: bool = False
    mute: bool = False
    notes: dict[str, str] = Field(default_factory=dict)
    chain: Chain | None = None
    move: list[Move] = Field(default_factory=list)


class Layer(Noun):
    """[[layer]]: takes heard as one."""

    name: Name
    level_db: Level = 0.0
    strings: list[str] = Field(default_factory=list)
    chain: Chain = Chain()
    take: Annotated[list[Take], Field(min_length=1)]


class Preview(Noun):
    """[preview]: the listening files."""

    loudness_lufs: Annotated[float, Field(ge=-60.0, le=0.0)] = -16.0
    ceiling_dbtp: Annotated[float, Field(ge=-30.0, le=0.0)] = -1.0
    format: PreviewFormat = "mp3"
    lead_in_beats: Annotated[float, Field(ge=0.0, le=64.0)] = 1.0
    ring_out_s: Annotated[float, Field(ge=0.0, le=60.0)] = 1.5


class Bounce(Noun):
    """[bounce]: what the mix is handed."""

    bit_depth: Literal[16, 24] = 24
    ceiling: Literal["refuse", "lower"] = "refuse"
    time_reference_s: Annotated[float, Field(ge=0.0, lt=86400.0)] = 0.0
    date: Annotated[str, Field(pattern=r"^([0-9]{4}-[0-9]{2}-[0-9]{2})?$")] = ""


class Recipe(Noun):
    """One song: its clock, its sections, its layers, and what is wanted of them."""

    song: Song
    tempo: list[TempoChange] = Field(default_factory=list)
    section: list[Section] = Field(default_factory=list)
    bed: Bed | None = None
    layer: Annotated[list[Layer], Field(min_length=1, max_length=MOST_LAYERS)]
    preview: Preview = Preview()
    bounce: Bounce = Bounce()

    def chain_of(self, layer: Layer, take: Take) -> Chain:
        """The take's own chain where it has one, else its layer's."""
        return layer.chain if take.chain is None else take.chain

    def level_db(self, layer: Layer, section: Section | None) -> float:
        """The layer's level inside a section, or outside all of them."""
        return layer.level_db if section is None else section.levels_db.get(layer.name, layer.level_db)

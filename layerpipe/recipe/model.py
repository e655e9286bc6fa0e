"""The recipe: its tables, their keys, ranges and defaults.

Types of values are in `types.py`, the tables for outputs in `outputs.py`. Every default is in these files and nowhere
else; `reader.py` turns TOML into a `Recipe`. A further table is a `Noun` whose fields have a default and a description
with its unit, and a line in `Recipe`: reading, faults, suggestions and the JSON Schema follow from that;
`python -m layerpipe.recipe.schema` writes the schema. Annotations are not postponed here; see `types.py`.
"""

from typing import Annotated, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from layerpipe.core.units import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from layerpipe.recipe.outputs import Bounce, Check, Page, PageSetting, Preview, PreviewFormat, Timing
from layerpipe.recipe.types import (
    MOST_CHANNELS,
    MOST_LAYERS,
    MOST_TAKES,
    Bars,
    BeatNote,
    FilterGainDb,
    FilterHz,
    GainDb,
    Level,
    Line,
    Meter,
    Name,
    NoteName,
    Noun,
    Number,
    PositionOrSeconds,
    SoundPath,
    Switch,
    Tempo,
    Text,
    Whole,
    omitted_table,
)

__all__ = [
    "MOST_CHANNELS",
    "MOST_LAYERS",
    "MOST_TAKES",
    "Bed",
    "Bell",
    "Bounce",
    "Chain",
    "Check",
    "Compressor",
    "HighPass",
    "Layer",
    "Move",
    "Noun",
    "Page",
    "PageSetting",
    "Preview",
    "PreviewFormat",
    "Recipe",
    "Section",
    "Shelf",
    "Song",
    "Take",
    "TempoChange",
    "Timing",
]


class Song(Noun):
    """The song, its tempo and its meter."""

    title: Annotated[Line, Field(min_length=1, description="Title of the song, for tags and pages.")]
    artist: Annotated[Line, Field(description="Artist, for tags and pages.")] = ""
    tempo: Annotated[Tempo | None, Field(
        description="Beats per minute; beat_note says which note a beat is. Without a tempo there are no bars.",
    )] = None
    meter: Annotated[Meter, Field(description='Meter, such as "4/4" or "6/8".')] = "4/4"
    beat_note: Annotated[BeatNote | None, Field(description=(
        'The note that is one beat, for tempo and positions, as a part of a whole note: "1/4", "1/8", "3/8" (dotted '
        "quarter). If omitted, the note of the meter's lower number, and in 6/8, 9/8, 12/8 the dotted one."))] = None
    bar_one_s: Annotated[Number, Field(
        ge=-3600.0, le=86400.0, description="Seconds from the start of the files to the downbeat of bar 1.")] = 0.0
    sample_rate_hz: Annotated[Annotated[Whole, Field(ge=LOWEST_RATE_HZ, le=HIGHEST_RATE_HZ)] | None, Field(
        description="Sample rate of all outputs, in Hz; if omitted, that of the first take.")] = None
    a4_hz: Annotated[Number, Field(ge=380.0, le=500.0, description="Pitch of the A above middle C, in Hz.")] = 440.0


class TempoChange(Noun):
    """A change of tempo or meter on the downbeat of a bar. What is omitted stays as it was."""

    from_bar: Annotated[Whole, Field(ge=1, le=100_000, description="Bar on whose downbeat the change begins.")]
    tempo: Annotated[Tempo | None, Field(description="Beats per minute from there on.")] = None
    meter: Annotated[Meter | None, Field(description='Meter from there on, such as "3/4".')] = None
    beat_note: Annotated[BeatNote | None, Field(
        description='The note that is one beat from there on, such as "1/8"; needs a tempo beside it.')] = None

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if self.beat_note is not None and self.tempo is None:
            raise ValueError("has beat_note without tempo; give the beats per minute of the new beat")
        if self.tempo is None and self.meter is None:
            raise ValueError("changes nothing; give tempo, meter or both")
        return self


class Section(Noun):
    """A part of the song with its own levels."""

    name: Annotated[Name, Field(description="Name of the section, also in file names.")]
    bars: Annotated[Bars, Field(description="First and last bar, both included.", examples=[[1, 8]])]
    levels_db: Annotated[dict[str, Level], Field(
        description="Levels in dB that replace those of the named layers in this section; -inf is off.",
    )] = Field(default_factory=dict)


class Bed(Noun):
    """The rest of the track, for listening only; never part of the stems."""

    file: Annotated[SoundPath, Field(description="Audio file, relative to the recipe's folder; mono or stereo.")]
    gain_db: Annotated[GainDb, Field(description="Gain in dB.")] = 0.0


class HighPass(Noun):
    """A Butterworth high-pass filter."""

    hz: Annotated[FilterHz, Field(description="Corner frequency in Hz, where the response is 3 dB down.")]
    slope_db_per_octave: Annotated[Literal[6, 12, 18, 24], Field(description="Slope in dB per octave.")] = 12


class Shelf(Noun):
    """A shelving filter of the W3C Audio EQ Cookbook."""

    side: Annotated[Literal["low", "high"], Field(description="Which end is raised or lowered.")]
    hz: Annotated[FilterHz, Field(description="Midpoint of the slope in Hz, where half the gain is reached.")]
    gain_db: Annotated[FilterGainDb, Field(description="Gain of the shelf in dB.")]
    slope: Annotated[Number, Field(
        gt=0.0, le=1.0, description="Shelf slope S, no unit; 1 is the steepest without overshoot.")] = 1.0


class Bell(Noun):
    """A peaking filter of the W3C Audio EQ Cookbook."""

    hz: Annotated[FilterHz, Field(description="Centre frequency in Hz.")]
    gain_db: Annotated[FilterGainDb, Field(description="Gain at the centre in dB.")]
    q: Annotated[Number, Field(ge=0.1, le=30.0, description="Q: higher is narrower.")] = 1.0


class Compressor(Noun):
    """A feed-forward compressor in the log domain. Exactly one of `threshold_db` and `hits_db` is given."""

    threshold_db: Annotated[Annotated[Number, Field(ge=-80.0, le=0.0)] | None, Field(
        description="Level in dBFS above which the gain is reduced.")] = None
    hits_db: Annotated[Annotated[Number, Field(gt=0.0, le=24.0)] | None, Field(
        description="Instead of a threshold: gain reduction in dB at the peaks of the loudest strums.")] = None
    ratio: Annotated[Number, Field(
        ge=1.0, le=100.0, description="Ratio: dB in for each dB out above the threshold.")] = 2.0
    knee_db: Annotated[Number, Field(ge=0.0, le=40.0, description="Width of the soft knee in dB.")] = 6.0
    attack_ms: Annotated[Number, Field(ge=0.0, le=1000.0, description="Time constant of the attack in ms.")] = 10.0
    release_ms: Annotated[Number, Field(ge=0.0, le=5000.0, description="Time constant of the release in ms.")] = 120.0
    makeup_db: Annotated[FilterGainDb, Field(description="Gain after the reduction in dB.")] = 0.0

    @model_validator(mode="after")
    def _has_one_threshold(self) -> Self:
        if self.threshold_db is None and self.hits_db is None:
            raise ValueError("has neither threshold_db nor hits_db; give one of them")
        if self.threshold_db is not None and self.hits_db is not None:
            raise ValueError("has both threshold_db and hits_db; give one of them")
        return self


class Chain(Noun):
    """High-passes, shelves and bells in this order, then the compressor."""

    high_pass: Annotated[list[HighPass], Field(max_length=16, description="High-pass filters, in series.")] = Field(
        default_factory=list)
    shelf: Annotated[list[Shelf], Field(max_length=16, description="Low and high shelves, in series.")] = Field(
        default_factory=list)
    bell: Annotated[list[Bell], Field(max_length=16, description="Peaking filters, in series.")] = Field(
        default_factory=list)
    compressor: Annotated[Compressor | None, Field(description="Compressor; none if omitted.")] = None


class Move(Noun):
    """The audio between `from` and `to` is played `by_ms` later (earlier when negative)."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, defer_build=True)

    start: Annotated[PositionOrSeconds, Field(alias="from", description=(
        'Where the moved part begins: a position such as "bar 3 beat 2.5", or a number of seconds.'))]
    stop: Annotated[PositionOrSeconds, Field(alias="to", description=(
        'Where the moved part ends: a position such as "bar 3 beat 3", or a number of seconds.'))]
    by_ms: Annotated[Number, Field(ge=-2000.0, le=2000.0, description="How much later, in ms; earlier when negative.")]
    crossfade_ms: Annotated[Number, Field(
        ge=0.1, le=100.0, description="Length of the crossfade at each end, in ms.")] = 5.0
    attack: Annotated[Text, Field(max_length=64, description=(
        "Fingerprint of the sound the move was made for, written by timing --write. If the take no longer has it, the "
        "move is refused; if omitted, nothing is checked."))] = ""


class Take(Noun):
    """One performance; mono."""

    name: Annotated[Name, Field(description="Name of the take, unique in its layer, also in file names.")]
    file: Annotated[SoundPath, Field(description="Audio file, relative to the recipe's folder.")]
    channel: Annotated[Annotated[Whole, Field(ge=1, le=MOST_CHANNELS)] | None, Field(
        description="Channel of a file that has several, counted from 1.")] = None
    pan: Annotated[Number, Field(ge=-100.0, le=100.0, description="Pan: -100 is left, 0 the centre, 100 right.")] = 0.0
    gain_db: Annotated[GainDb, Field(description="Gain in dB, after the chain.")] = 0.0
    invert_polarity: Annotated[Switch, Field(description="Invert polarity.")] = False
    mute: Annotated[Switch, Field(description="Mute: the take is not used.")] = False
    notes: Annotated[dict[str, Text], Field(description=(
        "Your own notes, such as microphone or strings; printed on the delivery sheet."))] = Field(default_factory=dict)
    chain: Annotated[Chain | None, Field(description="Replaces the layer's chain for this take.")] = None
    move: Annotated[list[Move], Field(description="Parts of the take that are played earlier or later.")] = Field(
        default_factory=list)


class Layer(Noun):
    """Takes that sound as one."""

    name: Annotated[Name, Field(description="Name of the layer, unique in the song, also in file names.")]
    level_db: Annotated[Level, Field(
        description="Level in dB wherever no section sets another; -inf is off.")] = 0.0
    strings: Annotated[list[NoteName], Field(max_length=24, description=(
        'Open strings, lowest course first, such as ["E2", "A2"]; also F#3, Bb2.'))] = Field(default_factory=list)
    chain: Annotated[Chain, Field(description="Processing of every take of the layer.")] = omitted_table()
    take: Annotated[list[Take], Field(min_length=1, description="The takes, one [[layer.take]] each.")]


class Recipe(Noun):
    """One song: its tempo, its sections, its layers and its outputs."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="layerpipe recipe", defer_build=False)

    song: Annotated[Song, Field(description="The song, its tempo and its meter.")]
    tempo: Annotated[list[TempoChange], Field(description="Tempo and meter changes, in order of their bars.")] = Field(
        default_factory=list)
    section: Annotated[list[Section], Field(description="Parts of the song with their own levels.")] = Field(
        default_factory=list)
    bed: Annotated[Bed | None, Field(description="The rest of the track, for listening only.")] = None
    layer: Annotated[list[Layer], Field(
        min_length=1, max_length=MOST_LAYERS, description="The layers, one [[layer]] each.")]
    preview: Annotated[Preview, Field(description="The listening files.")] = omitted_table()
    bounce: Annotated[Bounce, Field(description="The files for the mix.")] = omitted_table()
    page: Annotated[Page, Field(description="The artist's listening page.")] = omitted_table()
    timing: Annotated[Timing, Field(
        description="Limits: when a take counts as loose, and how much is edited.")] = omitted_table()
    check: Annotated[Check, Field(description="Limits: when a take counts as faulty.")] = omitted_table()

    def chain_of(self, layer: Layer, take: Take) -> Chain:
        """The take's own chain where it has one, else its layer's."""
        return layer.chain if take.chain is None else take.chain

    def level_db(self, layer: Layer, section: Section | None) -> float:
        """The layer's level inside a section, or outside all of them."""
        return layer.level_db if section is None else section.levels_db.get(layer.name, layer.level_db)

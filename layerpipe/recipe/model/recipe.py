"""The recipe: its tables, their keys, ranges and defaults.

Types of values are in `types.py`, the tables of a take in `takes_model.py`, of its processing in `chain_model.py`, and
for outputs in `outputs.py`. Every default is in these files and nowhere
else; `reader.py` turns TOML into a `Recipe`. A further table is a `Noun` whose fields have a default and a description
with its unit, and a line in `Recipe`: reading, faults, suggestions and the JSON Schema follow from that;
`python -m layerpipe.recipe.schema` writes the schema. Annotations are not postponed here; see `types.py`.
"""

from typing import Annotated, Self

from pydantic import ConfigDict, Field, model_validator

from layerpipe.core.units import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from layerpipe.recipe.model.chain import Bell, Chain, Compressor, HighPass, Shelf
from layerpipe.recipe.model.outputs import Bounce, Check, Page, PageSetting, Preview, PreviewFormat, Timing
from layerpipe.recipe.model.takes import DEFAULT_CROSSFADE_MS, CompPart, Kind, Mic, Move, Pass, Starts, Take
from layerpipe.recipe.model.types import (
    MOST_CHANNELS,
    MOST_LAYERS,
    MOST_TAKES,
    SECONDS_OF_A_DAY,
    TIME_REFERENCE,
    Bars,
    BeatNote,
    GainDb,
    Level,
    Line,
    Meter,
    Name,
    NoteName,
    Noun,
    Number,
    SoundPath,
    Tempo,
    Whole,
    omitted_table,
)

__all__ = [
    "DEFAULT_CROSSFADE_MS",
    "MOST_CHANNELS",
    "MOST_LAYERS",
    "MOST_TAKES",
    "TIME_REFERENCE",
    "Bed",
    "Bell",
    "Bounce",
    "Chain",
    "Check",
    "CompPart",
    "Compressor",
    "HighPass",
    "Layer",
    "Mic",
    "Move",
    "Noun",
    "Page",
    "PageSetting",
    "Pass",
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
    time_reference_s: Annotated[Annotated[Number, Field(ge=0.0, lt=SECONDS_OF_A_DAY)] | None, Field(description=(
        'Time stamp of the start of the song, in seconds since midnight: files with starts = "time reference" are '
        "placed from it, and stems have it."))] = None
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
    starts: Starts = 0.0
    gain_db: Annotated[GainDb, Field(description="Gain in dB.")] = 0.0


class Layer(Noun):
    """Takes that sound as one."""

    name: Annotated[Name, Field(description="Name of the layer, unique in the song, also in file names.")]
    level_db: Annotated[Level, Field(
        description="Level in dB wherever no section sets another; -inf is off.")] = 0.0
    kind: Annotated[Kind | None, Field(description=(
        'What plays: "plucked" or "struck" (compared onset by onset), "voice", "bowed" or "wind" (compared phrase by '
        "phrase with the layer's first take). If omitted, it is found by listening."))] = None
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

    @property
    def stem_time_reference_s(self) -> float:
        """Time stamp of the stems, seconds since midnight: that of `[bounce]`, else of the song, else 0."""
        stamps = (self.bounce.time_reference_s, self.song.time_reference_s)
        return next((stamp for stamp in stamps if stamp is not None), 0.0)

    def chain_of(self, layer: Layer, take: Take) -> Chain:
        """The take's own chain where it has one, else its layer's."""
        return layer.chain if take.chain is None else take.chain

    def level_db(self, layer: Layer, section: Section | None) -> float:
        """The layer's level inside a section, or outside all of them."""
        return layer.level_db if section is None else section.levels_db.get(layer.name, layer.level_db)

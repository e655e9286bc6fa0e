"""The recipe: its tables, their keys, ranges and defaults.

Types of values are in `types.py`, the tables of a take in `takes.py`, of its processing in `chain.py`, and for outputs
in `outputs.py`. Every default is in these files and nowhere else; `reader.py` turns TOML into a `Recipe`. A further
table is a `Noun` whose fields have a default and a description with its unit, and a line in `Recipe`: reading, faults,
suggestions and the JSON Schema follow from that. Annotations are not postponed here; see `types.py`.
"""

from typing import Annotated

from msgspec import Meta, field

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


class Song(Noun, frozen=True):
    """The song, its tempo and its meter."""

    title: Annotated[Line, Meta(min_length=1, description="Title of the song, for tags and pages.")]
    artist: Annotated[Line, Meta(description="Artist, for tags and pages.")] = ""
    tempo: Annotated[Tempo | None, Meta(
        description="Beats per minute; beat_note says which note a beat is. Without a tempo there are no bars.",
    )] = None
    meter: Annotated[Meter, Meta(description='Meter, such as "4/4" or "6/8".')] = "4/4"
    beat_note: Annotated[BeatNote | None, Meta(description=(
        'The note that is one beat, for tempo and positions, as a part of a whole note: "1/4", "1/8", "3/8" (dotted '
        "quarter). If omitted, the note of the meter's lower number, and in 6/8, 9/8, 12/8 the dotted one."))] = None
    bar_one_s: Annotated[Number, Meta(
        ge=-3600.0, le=86400.0, description="Seconds from the start of the files to the downbeat of bar 1.")] = 0.0
    time_reference_s: Annotated[Annotated[Number, Meta(ge=0.0, lt=SECONDS_OF_A_DAY)] | None, Meta(description=(
        'Time stamp of the start of the song, in seconds since midnight: files with starts = "time reference" are '
        "placed from it, and stems have it."))] = None
    sample_rate_hz: Annotated[Annotated[int, Meta(ge=LOWEST_RATE_HZ, le=HIGHEST_RATE_HZ)] | None, Meta(
        description="Sample rate of all outputs, in Hz; if omitted, that of the first take.")] = None
    a4_hz: Annotated[Number, Meta(ge=380.0, le=500.0, description="Pitch of the A above middle C, in Hz.")] = 440.0


class TempoChange(Noun, frozen=True):
    """A change of tempo or meter on the downbeat of a bar. What is omitted stays as it was."""

    from_bar: Annotated[int, Meta(ge=1, le=100_000, description="Bar on whose downbeat the change begins.")]
    tempo: Annotated[Tempo | None, Meta(description="Beats per minute from there on.")] = None
    meter: Annotated[Meter | None, Meta(description='Meter from there on, such as "3/4".')] = None
    beat_note: Annotated[BeatNote | None, Meta(
        description='The note that is one beat from there on, such as "1/8"; needs a tempo beside it.')] = None

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.beat_note is not None and self.tempo is None:
            raise ValueError("has beat_note without tempo; give the beats per minute of the new beat")
        if self.tempo is None and self.meter is None:
            raise ValueError("changes nothing; give tempo, meter or both")


class Section(Noun, frozen=True):
    """A part of the song with its own levels."""

    name: Annotated[Name, Meta(description="Name of the section, also in file names.")]
    bars: Annotated[Bars, Meta(description="First and last bar, both included.", examples=[[1, 8]])]
    levels_db: Annotated[dict[str, Level], Meta(
        description="Levels in dB that replace those of the named layers in this section; -inf is off.",
    )] = {}


class Bed(Noun, frozen=True):
    """The rest of the track, for listening only; never part of the stems."""

    file: Annotated[SoundPath, Meta(description="Audio file, relative to the recipe's folder; mono or stereo.")]
    starts: Starts = 0.0
    gain_db: Annotated[GainDb, Meta(description="Gain in dB.")] = 0.0


class Layer(Noun, frozen=True, kw_only=True):
    """Takes that sound as one."""

    name: Annotated[Name, Meta(description="Name of the layer, unique in the song, also in file names.")]
    level_db: Annotated[Level, Meta(
        description="Level in dB wherever no section sets another; -inf is off.")] = 0.0
    kind: Annotated[Kind | None, Meta(description=(
        'What plays: "plucked" or "struck" (compared onset by onset), "voice", "bowed" or "wind" (compared phrase by '
        "phrase with the layer's first take). If omitted, it is found by listening."))] = None
    strings: Annotated[list[NoteName], Meta(max_length=24, description=(
        'Open strings, lowest course first, such as ["E2", "A2"]; also F#3, Bb2.'))] = []
    chain: Annotated[Chain, Meta(description="Processing of every take of the layer.")] = field(default_factory=Chain)
    take: Annotated[list[Take], Meta(min_length=1, description="The takes, one [[layer.take]] each.")]


class Recipe(Noun, frozen=True, kw_only=True):
    """One song: its tempo, its sections, its layers and its outputs."""

    song: Annotated[Song, Meta(description="The song, its tempo and its meter.")]
    tempo: Annotated[list[TempoChange], Meta(description="Tempo and meter changes, in order of their bars.")] = []
    section: Annotated[list[Section], Meta(description="Parts of the song with their own levels.")] = []
    bed: Annotated[Bed | None, Meta(description="The rest of the track, for listening only.")] = None
    layer: Annotated[list[Layer], Meta(
        min_length=1, max_length=MOST_LAYERS, description="The layers, one [[layer]] each.")]
    preview: Annotated[Preview, Meta(description="The listening files.")] = field(default_factory=Preview)
    bounce: Annotated[Bounce, Meta(description="The files for the mix.")] = field(default_factory=Bounce)
    page: Annotated[Page, Meta(description="The artist's listening page.")] = field(default_factory=Page)
    timing: Annotated[Timing, Meta(
        description="Limits: when a take counts as loose, and how much is edited.")] = field(default_factory=Timing)
    check: Annotated[Check, Meta(description="Limits: when a take counts as faulty.")] = field(default_factory=Check)

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

"""What can be asked of layerpipe: the nouns of a recipe, their ranges and their defaults.

Kinds of values stand in `recipe_values.py`, what is wanted of the song in `recipe_wanted.py`; this is the door to all.
Every default stands in these files and nowhere else; `recipe_file.py` turns TOML into nouns and `schema` prints them.
A further table is a `Noun` whose fields all have a default and a description with its unit, and a line in `Recipe`:
reading, faults, suggestions and the JSON Schema follow from that; `python -m layerpipe.recipe.schema` writes the last.
Annotations are not postponed here; see `recipe_values.py`.
"""

from typing import Annotated, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from layerpipe.recipe.outputs import Bounce, Check, Page, PageSetting, Preview, PreviewFormat, Timing
from layerpipe.recipe.types import (
    HIGHEST_RATE_HZ,
    LOWEST_RATE_HZ,
    MOST_CHANNELS,
    MOST_LAYERS,
    MOST_TAKES,
    Bars,
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
    Position,
    SoundPath,
    Switch,
    Tempo,
    Text,
    Whole,
    left_out,
)

__all__ = [
    "HIGHEST_RATE_HZ",
    "LOWEST_RATE_HZ",
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
    """The song and its clock."""

    title: Annotated[Line, Field(min_length=1, description="Title of the song; goes into tags and pages.")]
    artist: Annotated[Line, Field(description="Who is heard; goes into tags and pages.")] = ""
    tempo: Annotated[Tempo | None, Field(
        description="Beats per minute; in 6/8, 9/8 and 12/8 a beat is a dotted note. Without it there are no bars.",
    )] = None
    meter: Annotated[Meter, Field(description='Beats in a bar, such as "4/4" or "6/8".')] = "4/4"
    bar_one_s: Annotated[Number, Field(
        ge=-3600.0, le=86400.0, description="Seconds from the start of the files to the downbeat of bar 1.")] = 0.0
    sample_rate_hz: Annotated[Annotated[Whole, Field(ge=LOWEST_RATE_HZ, le=HIGHEST_RATE_HZ)] | None, Field(
        description="Rate of everything made, in Hz; left out, the rate of the first take.")] = None
    a4_hz: Annotated[Number, Field(ge=380.0, le=500.0, description="Pitch of the A above middle C, in Hz.")] = 440.0


class TempoChange(Noun):
    """From the downbeat of a bar on, another tempo or meter. What is left out stays as it was."""

    from_bar: Annotated[Whole, Field(ge=1, le=100_000, description="Bar from whose downbeat on the change holds.")]
    tempo: Annotated[Tempo | None, Field(description="Beats per minute from there on.")] = None
    meter: Annotated[Meter | None, Field(description='Meter from there on, such as "3/4".')] = None

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if self.tempo is None and self.meter is None:
            raise ValueError("changes nothing; give tempo, meter or both")
        return self


class Section(Noun):
    """A part of the song with levels of its own."""

    name: Annotated[Name, Field(description="Name of the section, in file names too.")]
    bars: Annotated[Bars, Field(description="First and last bar; both are played.", examples=[[1, 8]])]
    levels_db: Annotated[dict[str, Level], Field(
        description="Levels in dB that replace those of the named layers here; -inf silences one.",
    )] = Field(default_factory=dict)


class Bed(Noun):
    """The rest of the track, to listen against; never part of the stems."""

    file: Annotated[SoundPath, Field(description="Sound file, as seen from the recipe's folder; mono or stereo.")]
    gain_db: Annotated[GainDb, Field(description="Gain in dB.")] = 0.0


class HighPass(Noun):
    """A Butterworth high-pass."""

    hz: Annotated[FilterHz, Field(description="Corner in Hz, where the response is 3 dB down.")]
    slope_db_per_octave: Annotated[Literal[6, 12, 18, 24], Field(description="Steepness in dB per octave.")] = 12


class Shelf(Noun):
    """A W3C cookbook shelf."""

    side: Annotated[Literal["low", "high"], Field(description="Which end is raised or lowered.")]
    hz: Annotated[FilterHz, Field(description="Midpoint of the slope in Hz, where half the gain is reached.")]
    gain_db: Annotated[FilterGainDb, Field(description="Gain of the shelf in dB.")]
    slope: Annotated[Number, Field(
        gt=0.0, le=1.0, description="Steepness, no unit; 1 is the steepest without a bump.")] = 1.0


class Bell(Noun):
    """A W3C cookbook peaking filter."""

    hz: Annotated[FilterHz, Field(description="Centre in Hz.")]
    gain_db: Annotated[FilterGainDb, Field(description="Gain at the centre in dB.")]
    q: Annotated[Number, Field(ge=0.1, le=30.0, description="Narrowness, no unit; higher is narrower.")] = 1.0


class Compressor(Noun):
    """Feed-forward, log domain. Exactly one of `threshold_db` and `hits_db` is given."""

    threshold_db: Annotated[Annotated[Number, Field(ge=-80.0, le=0.0)] | None, Field(
        description="Level in dBFS above which the gain is reduced.")] = None
    hits_db: Annotated[Annotated[Number, Field(gt=0.0, le=24.0)] | None, Field(
        description="Instead of a threshold: how many dB the hardest hits are to lose at their peaks.")] = None
    ratio: Annotated[Number, Field(ge=1.0, le=100.0, description="dB in for each dB out above the threshold.")] = 2.0
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

    high_pass: Annotated[list[HighPass], Field(max_length=16, description="High-passes, one after the other.")] = Field(
        default_factory=list)
    shelf: Annotated[list[Shelf], Field(max_length=16, description="Low and high shelves.")] = Field(
        default_factory=list)
    bell: Annotated[list[Bell], Field(max_length=16, description="Bells, one after the other.")] = Field(
        default_factory=list)
    compressor: Annotated[Compressor | None, Field(description="Compressor; none if left out.")] = None


class Move(Noun):
    """What lies between `from` and `to` is heard `by_ms` later (earlier when negative)."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, defer_build=True)

    start: Annotated[Position, Field(alias="from", description=(
        'Where the piece begins: "bar.beat.sixteenth" such as "3.2.1", or a number of seconds.'))]
    stop: Annotated[Position, Field(alias="to", description=(
        'Where the piece ends: "bar.beat.sixteenth" such as "3.3", or a number of seconds.'))]
    by_ms: Annotated[Number, Field(ge=-2000.0, le=2000.0, description="How much later in ms; earlier when negative.")]
    crossfade_ms: Annotated[Number,
                            Field(ge=0.1, le=100.0, description="Length of the crossfade at each end in ms.")] = 5.0
    attack: Annotated[Text, Field(max_length=64, description=(
        "Fingerprint of the sound the move was made for, written by timing --write. If the take no longer has it, the "
        "move is refused; if omitted, nothing is checked."))] = ""


class Take(Noun):
    """One performance, heard as mono."""

    name: Annotated[Name, Field(description="Name of the take, unique in its layer, in file names too.")]
    file: Annotated[SoundPath, Field(description="Sound file, as seen from the recipe's folder.")]
    channel: Annotated[Annotated[Whole, Field(ge=1, le=MOST_CHANNELS)] | None, Field(
        description="Channel of a file with several, counted from 1.")] = None
    pan: Annotated[Number, Field(ge=-100.0, le=100.0, description="-100 is left, 0 the middle, 100 right.")] = 0.0
    gain_db: Annotated[GainDb, Field(description="Gain in dB, after the chain.")] = 0.0
    invert_polarity: Annotated[Switch, Field(description="Whether the take is turned upside down.")] = False
    mute: Annotated[Switch, Field(description="Whether the take is left out.")] = False
    notes: Annotated[dict[str, Text], Field(
        description="Anything worth knowing; goes into the delivery sheet.")] = Field(default_factory=dict)
    chain: Annotated[Chain | None, Field(description="Replaces the layer's chain for this take.")] = None
    move: Annotated[list[Move], Field(description="Pieces of the take played earlier or later.")] = Field(
        default_factory=list)


class Layer(Noun):
    """Takes heard as one."""

    name: Annotated[Name, Field(description="Name of the layer, unique in the song, in file names too.")]
    level_db: Annotated[Level, Field(
        description="Level in dB wherever no section says otherwise; -inf is silence.")] = 0.0
    strings: Annotated[list[NoteName], Field(
        max_length=24, description='Open strings, lowest course first, such as ["E2", "A2"]; F#3, Bb2 are allowed too.',
    )] = Field(default_factory=list)
    chain: Annotated[Chain, Field(description="Processing of every take of the layer.")] = left_out()
    take: Annotated[list[Take], Field(min_length=1, description="The takes, one [[layer.take]] each.")]


class Recipe(Noun):
    """One song: its clock, its sections, its layers, and what is wanted of them."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="layerpipe recipe", defer_build=False)

    song: Annotated[Song, Field(description="The song and its clock.")]
    tempo: Annotated[list[TempoChange], Field(description="Tempo and meter changes, in order of their bars.")] = Field(
        default_factory=list)
    section: Annotated[list[Section], Field(description="Parts of the song with levels of their own.")] = Field(
        default_factory=list)
    bed: Annotated[Bed | None, Field(description="The rest of the track, to listen against.")] = None
    layer: Annotated[list[Layer], Field(
        min_length=1, max_length=MOST_LAYERS, description="The layers, one [[layer]] each.")]
    preview: Annotated[Preview, Field(description="The listening files.")] = left_out()
    bounce: Annotated[Bounce, Field(description="What the mix is handed.")] = left_out()
    page: Annotated[Page, Field(description="The artist's page.")] = left_out()
    timing: Annotated[Timing, Field(description="What counts as loose, and what is done about it.")] = left_out()
    check: Annotated[Check, Field(description="From where on a take has a fault.")] = left_out()

    def chain_of(self, layer: Layer, take: Take) -> Chain:
        """The take's own chain where it has one, else its layer's."""
        return layer.chain if take.chain is None else take.chain

    def level_db(self, layer: Layer, section: Section | None) -> float:
        """The layer's level inside a section, or outside all of them."""
        return layer.level_db if section is None else section.levels_db.get(layer.name, layer.level_db)

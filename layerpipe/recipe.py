"""What can be asked of layerpipe: the nouns of a recipe, their ranges and their defaults.

Times are seconds or milliseconds as named, levels dB, pans -100 (left) to 100 (right), bars count from 1.
Every default stands here and nowhere else; `recipe_file.py` turns TOML into these nouns and `schema` prints them.
A further table is a `Noun` whose fields all have a default and a description with its unit, and a line in `Recipe`:
reading, faults, suggestions and the JSON Schema follow from that; `python -m layerpipe.recipe_schema` writes the last.
Annotations are not postponed here: as text they would be compiled one by one, at every start of every command.
"""

import datetime
import math
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict, model_validator

from layerpipe.file_names import template_problem
from layerpipe.names import found_text, refuse_control, refuse_name

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
MOST_LAYERS, MOST_TAKES, MOST_CHANNELS = 32, 256, 64
LOUDEST_DB = 60.0

PreviewFormat = Literal["mp3", "m4a", "flac", "wav"]
BarAndBeat = str
"""bar.beat.sixteenth, counted from 1; later places may be left off."""


def _a_level(level_db: float) -> float:
    """A level may be -inf (silence), never above +60 dB and never not-a-number."""
    if math.isnan(level_db) or level_db > LOUDEST_DB:
        raise ValueError(f"found {level_db:g}, allowed is a number up to {LOUDEST_DB:g}, or -inf for silence")
    return level_db


def _forward(bars: list[int]) -> list[int]:
    """The last bar is not before the first."""
    first, last = bars
    if last < first:
        raise ValueError(f"found [{first}, {last}], allowed is a last bar that is not before the first")
    return bars


def _a_position(position: Any) -> Any:
    """Text, or a finite number of seconds; the clock judges the text."""
    is_number = isinstance(position, int | float) and not isinstance(position, bool) and math.isfinite(position)
    if not (isinstance(position, str) or is_number):
        raise ValueError(f'found {found_text(position)}, allowed is "bar.beat.sixteenth" such as "3.2.1", '
                         "or a number of seconds")
    return position


def _a_file(file: Any) -> Any:
    """A path must have a name in it that a system can look for."""
    if isinstance(file, str | Path):
        refuse_control(str(file))
        if Path(file).name in ("", ".."):
            raise ValueError(f"found {found_text(str(file))}, which names no file")
    return file


def _a_date(date: Any) -> Any:
    """TOML has dates of its own; they count as their text."""
    return date.isoformat() if type(date) is datetime.date else date


def _in_the_calendar(date: str) -> str:
    """Refuse a 30th of February."""
    if date:
        try:
            datetime.date.fromisoformat(date)
        except ValueError:
            raise ValueError(f'found "{date}", which is not in the calendar') from None
    return date


def _rising(span: list[float]) -> list[float]:
    """A range has its lower end first."""
    if span[0] >= span[1]:
        raise ValueError(f"found [{span[0]:g}, {span[1]:g}], allowed is the lower level first")
    return span


def _a_template(template: str) -> str:
    """Names are built of known fields and of what may stand in a file name."""
    problem = template_problem(template) if template else None
    if problem:
        raise ValueError(problem)
    return template


# Strict: a number in quotes, or true where a number belongs, is a slip and not a number.
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Whole = Annotated[int, Strict()]
Switch = Annotated[bool, Strict()]
Text = Annotated[str, Strict()]
Level = Annotated[float, Strict(), AfterValidator(_a_level), Field(json_schema_extra={"maximum": LOUDEST_DB})]
GainDb = Annotated[Number, Field(ge=-60.0, le=LOUDEST_DB)]
FilterGainDb = Annotated[Number, Field(ge=-24.0, le=24.0)]
FilterHz = Annotated[Number, Field(ge=1.0, lt=HIGHEST_RATE_HZ / 2)]
Bar = Annotated[Whole, Field(ge=-1_000, le=100_000)]
Line = Annotated[Text, Field(max_length=200), AfterValidator(refuse_control)]
Name = Annotated[Text, Field(min_length=1, max_length=80), AfterValidator(refuse_name)]
"""Becomes part of file names."""
SoundPath = Annotated[Path, BeforeValidator(_a_file), Field(examples=["takes/left.wav"])]
Bars = Annotated[list[Bar], Field(min_length=2, max_length=2), AfterValidator(_forward)]
Meter = Annotated[Text, Field(pattern=r"^[1-9][0-9]?/(1|2|4|8|16|32)$", examples=["4/4", "6/8"])]
Tempo = Annotated[Number, Field(ge=10.0, le=400.0)]
"""Beats per minute; a compound meter counts dotted notes."""
Date = Annotated[
    Annotated[Text, Field(pattern=r"^([0-9]{4}-[0-9]{2}-[0-9]{2})?$", examples=["2024-05-31"])],
    BeforeValidator(_a_date), AfterValidator(_in_the_calendar),
]
NoteName = Annotated[Text, Field(pattern=r"^[A-G][#b]?[0-8]$", examples=["E2", "F#3", "Bb2"])]
Position = Annotated[BarAndBeat | float, BeforeValidator(_a_position)]


def _left_out() -> Any:
    """A table that is left out; its model is built when a recipe is read, not when this module is."""
    return Field({}, validate_default=True)


class Noun(BaseModel):
    """Base of every table of a recipe: unknown keys are refused, nothing changes once read."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


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
    joint_ms: Annotated[Number, Field(ge=0.1, le=100.0, description="Length of the crossfade at each end in ms.")] = 5.0


class Take(Noun):
    """One performance, heard as mono."""

    name: Annotated[Name, Field(description="Name of the take, unique in its layer, in file names too.")]
    file: Annotated[SoundPath, Field(description="Sound file, as seen from the recipe's folder.")]
    channel: Annotated[Annotated[Whole, Field(ge=1, le=MOST_CHANNELS)] | None, Field(
        description="Channel of a file with several, counted from 1.")] = None
    pan: Annotated[Number, Field(ge=-100.0, le=100.0, description="-100 is left, 0 the middle, 100 right.")] = 0.0
    gain_db: Annotated[GainDb, Field(description="Gain in dB, after the chain.")] = 0.0
    flip_polarity: Annotated[Switch, Field(description="Whether the take is turned upside down.")] = False
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
    chain: Annotated[Chain, Field(description="Processing of every take of the layer.")] = _left_out()
    take: Annotated[list[Take], Field(min_length=1, description="The takes, one [[layer.take]] each.")]


class Preview(Noun):
    """The listening files."""

    loudness_lufs: Annotated[Number, Field(
        ge=-60.0, le=0.0, description="Loudness of every version in LUFS; less where the ceiling asks for it.")] = -16.0
    ceiling_dbtp: Annotated[Number, Field(ge=-30.0, le=0.0, description="Highest true peak in dBTP.")] = -1.0
    format: Annotated[PreviewFormat, Field(description="Kind of file.")] = "mp3"
    lead_in_beats: Annotated[Number, Field(ge=0.0, le=64.0, description="Beats heard before the section.")] = 1.0
    ring_out_s: Annotated[Number, Field(ge=0.0, le=60.0, description="Seconds heard after the section.")] = 1.5


class Bounce(Noun):
    """What the mix is handed."""

    bit_depth: Annotated[Literal[16, 24], Field(description="Bits of a sample.")] = 24
    ceiling: Annotated[Literal["refuse", "lower"], Field(
        description="Past full scale: refuse to write, or lower everything by one gain and say so.")] = "refuse"
    time_reference_s: Annotated[Number, Field(
        ge=0.0, lt=86400.0,
        description="Seconds since midnight at which the files begin, for the Broadcast WAVE header.")] = 0.0
    date: Annotated[Date, Field(
        description='Date for the Broadcast WAVE header, "2024-05-31"; left out, none is written.')] = ""
    names: Annotated[Text, Field(
        max_length=200, description=(
            'How files are called, such as "{artist}_{song}_{layer}_{take}"; also {initials}, {kind}, {rate}, {bits}. '
            "Left out, by layer and take.")), AfterValidator(_a_template)] = ""


class SheetMark(Noun):
    """A setting proposed to the artist by name."""

    name: Annotated[Line, Field(min_length=1, max_length=80, description="What the artist reads.")]
    levels_db: Annotated[dict[str, Level], Field(
        min_length=1, description="Levels in dB by layer; -inf is off, layers left out stay as they are.")]


class Sheet(Noun):
    """The artist's page."""

    range_db: Annotated[list[Annotated[Number, Field(ge=-60.0, le=12.0)]], Field(
        min_length=2, max_length=2, description="Lowest and highest level of a slider in dB; off lies under it."),
        AfterValidator(_rising)] = [-24.0, 0.0]
    step_db: Annotated[Number, Field(
        ge=0.1, le=6.0, description="From one place of a slider to the next, in dB.")] = 0.5
    mark: Annotated[list[SheetMark], Field(
        max_length=12, description="Settings to try, one [[sheet.mark]] each.")] = Field(default_factory=list)


class Timing(Noun):
    """When a take counts as loose, and how much may be repaired before it is played again."""

    tolerance_ms: Annotated[Number, Field(
        ge=1.0, le=200.0, description="How far from the take's own feel a strum may be, in ms.")] = 15.0
    partner_tolerance_ms: Annotated[Number, Field(
        ge=1.0, le=200.0, description="How far from its double a strum may be, in ms.")] = 20.0
    toward: Annotated[Literal["partner", "grid"], Field(
        description="Where a move takes a strum: to its double, or to the grid where the take usually plays. "
                    "A take without a double goes to the grid.")] = "partner"
    moves_per_bar: Annotated[Number, Field(
        ge=0.0, le=16.0, description="A section that needs more moves a bar than this is played again.")] = 0.5
    farthest_ms: Annotated[Number, Field(
        ge=5.0, le=500.0, description="A strum farther off than this, in ms, is played again.")] = 80.0
    loosest_ms: Annotated[Number, Field(
        ge=1.0, le=200.0, description="A take whose scatter is above this, in ms, is played again.")] = 12.0


class Check(Noun):
    """From where on `check` calls something a fault. "LU" compares with the take's own loudness."""

    clipping_hits: Annotated[Whole, Field(ge=1, description=(
        'Flat tops from which on a take is to be recorded again; fewer are a "look". A few hide in a strum.'))] = 6
    clipping_ms: Annotated[Number, Field(ge=0.0, description=(
        "Or one flat top as long as this in ms: a strong partial is lost for good."))] = 1.0
    clicks_again: Annotated[Whole, Field(ge=1, description=(
        "Clicks from which on it is quicker to play again than to repair; common practice, no source."))] = 30
    rumble_dbfs: Annotated[Number, Field(description=(
        "Level below 40 Hz in dBFS; quieter rumble moves no compressor."))] = -60.0
    rumble_under_lu: Annotated[Number, Field(description="And no further under the loudness than this, in LU.")] = 40.0
    rumble_again_under_lu: Annotated[Number, Field(description=(
        "What the high-passes leave of it may not come nearer than this, in LU: it steers the compressor."))] = 10.0
    hum_under_lu: Annotated[Number, Field(description=(
        "Hum no further under the loudness than this, in LU: a tone is heard 10 dB under noise."))] = 55.0
    hum_dbfs: Annotated[Number, Field(description="And at least this loud, in dBFS.")] = -90.0
    hum_again_under_lu: Annotated[Number, Field(description="Hum that no gap hides, in LU.")] = 25.0
    noise_under_lu: Annotated[Number, Field(description=(
        "Noise no further under the loudness than this, in LU: playing at 75 dB SPL, it is louder than a quiet room."))
    ] = 32.0
    noise_again_under_lu: Annotated[Number, Field(description="Noise heard beside the playing itself, in LU.")] = 15.0
    dc_dbfs: Annotated[Number, Field(description="Offset in dBFS (half a percent); from here on cuts click.")] = -46.0
    dropout_ms: Annotated[Number, Field(ge=0.1, description=(
        "Standing samples in ms; a microphone never stands still, hiss moves the last bits."))] = 0.6
    late_start_s: Annotated[Number, Field(ge=0.0, description=(
        "Behind the partner's first sound, in seconds; more than any player's scatter."))] = 0.3
    early_end_s: Annotated[Number, Field(ge=0.0, description=(
        "Over before the partner, in seconds; last chords ring out differently."))] = 1.5
    tuning_cents: Annotated[Number, Field(ge=0.5, le=50.0, description=(
        "Off a4_hz, off the partner or drifting, in cents; common practice, no source."))] = 5.0
    strings_share: Annotated[Number, Field(ge=0.0, le=1.0, description=(
        "Share of the time in which notes below the lowest string are heard."))] = 0.12
    copy_correlation: Annotated[Number, Field(ge=0.5, le=1.0, description=(
        "Correlation, at one offset, of takes that are one performance; two performances stay far under it."))] = 0.9
    lopsided_lu: Annotated[Number, Field(ge=0.0, description=(
        "Loudness between the takes of a pair, in LU; 3 LU move the middle of a pair; common practice, no source."))
    ] = 3.0
    lopsided_db: Annotated[Number, Field(ge=0.0, description=(
        "Brightness between them (2 to 8 kHz against the body), in dB; common practice, no source."))] = 6.0
    high_pass_db: Annotated[Number, Field(ge=0.0, description=(
        "What the high-passes take off the lowest string's fundamental, in dB; a corner on it takes 3."))] = 3.5
    high_pass_lu: Annotated[Number, Field(ge=0.0, description="What they take off the loudness, in LU.")] = 1.0


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
    preview: Annotated[Preview, Field(description="The listening files.")] = _left_out()
    bounce: Annotated[Bounce, Field(description="What the mix is handed.")] = _left_out()
    sheet: Annotated[Sheet, Field(description="The artist's page.")] = _left_out()
    timing: Annotated[Timing, Field(description="What counts as loose, and what is done about it.")] = _left_out()
    check: Annotated[Check, Field(description="From where on a take has a fault.")] = _left_out()

    def chain_of(self, layer: Layer, take: Take) -> Chain:
        """The take's own chain where it has one, else its layer's."""
        return layer.chain if take.chain is None else take.chain

    def level_db(self, layer: Layer, section: Section | None) -> float:
        """The layer's level inside a section, or outside all of them."""
        return layer.level_db if section is None else section.levels_db.get(layer.name, layer.level_db)

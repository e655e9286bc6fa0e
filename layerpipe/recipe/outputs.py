"""What is wanted of a song: listening files, bounce, artist's page, and what counts as loose or as a fault.

Annotations are not postponed here; see `recipe_values.py`.
"""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from layerpipe.recipe.file_names import template_problem
from layerpipe.recipe.types import Date, Level, Line, Noun, Number, Text, Whole

PreviewFormat = Literal["mp3", "m4a", "flac", "wav"]


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


class Preview(Noun):
    """The listening files."""

    loudness_lufs: Annotated[Number, Field(
        ge=-60.0, le=0.0, description="Loudness of every version in LUFS; less where the ceiling asks for it.")] = -16.0
    ceiling_dbtp: Annotated[Number, Field(ge=-30.0, le=0.0, description="Highest true peak in dBTP.")] = -1.0
    format: Annotated[PreviewFormat, Field(description="Kind of file.")] = "mp3"
    lead_in_beats: Annotated[Number, Field(ge=0.0, le=64.0, description="Beats heard before the section.")] = 1.0
    tail_s: Annotated[Number, Field(ge=0.0, le=60.0, description="Seconds heard after the section.")] = 1.5


class Bounce(Noun):
    """What the mix is handed."""

    bit_depth: Annotated[Literal[16, 24], Field(description="Bits of a sample.")] = 24
    over_full_scale: Annotated[Literal["refuse", "lower"], Field(
        description="Above full scale: refuse to write, or lower everything by one gain and say so.")] = "refuse"
    time_reference_s: Annotated[Number, Field(
        ge=0.0, lt=86400.0,
        description="Seconds since midnight at which the files begin, for the Broadcast WAVE header.")] = 0.0
    date: Annotated[Date, Field(
        description='Date for the Broadcast WAVE header, "2024-05-31"; left out, none is written.')] = ""
    names: Annotated[Text, Field(
        max_length=200, description=(
            'How files are called, such as "{artist}_{song}_{layer}_{take}"; also {initials}, {kind}, {rate}, {bits}. '
            "Left out, by layer and take.")), AfterValidator(_a_template)] = ""


class PageSetting(Noun):
    """A setting proposed to the artist by name."""

    name: Annotated[Line, Field(min_length=1, max_length=80, description="What the artist reads.")]
    levels_db: Annotated[dict[str, Level], Field(
        min_length=1, description="Levels in dB by layer; -inf is off, layers left out stay as they are.")]


class Page(Noun):
    """The artist's page."""

    range_db: Annotated[list[Annotated[Number, Field(ge=-60.0, le=12.0)]], Field(
        min_length=2, max_length=2, description="Lowest and highest level of a slider in dB; off lies under it."),
        AfterValidator(_rising)] = [-24.0, 0.0]  # noqa: RUF012 - never changed: every reader gets a copy of it
    step_db: Annotated[Number, Field(
        ge=0.1, le=6.0, description="From one place of a slider to the next, in dB.")] = 0.5
    setting: Annotated[list[PageSetting], Field(
        max_length=12, description="Settings to try, one [[page.setting]] each.")] = Field(default_factory=list)


class Timing(Noun):
    """When a take counts as loose, and how much may be repaired before it is played again."""

    tolerance_ms: Annotated[Number, Field(
        ge=1.0, le=200.0, description="How far from the take's own feel a strum may be, in ms.")] = 15.0
    double_tolerance_ms: Annotated[Number, Field(
        ge=1.0, le=200.0, description="How far from its double a strum may be, in ms.")] = 20.0
    toward: Annotated[Literal["double", "grid"], Field(
        description="Where a move takes a strum: to its double, or to the grid where the take usually plays. "
                    "A take without a double goes to the grid.")] = "double"
    moves_per_bar: Annotated[Number, Field(
        ge=0.0, le=16.0, description="A section that needs more moves a bar than this is played again.")] = 0.5
    most_offset_ms: Annotated[Number, Field(
        ge=5.0, le=500.0, description="A strum farther off than this, in ms, is played again.")] = 80.0
    most_spread_ms: Annotated[Number, Field(
        ge=1.0, le=200.0, description="A take whose scatter is above this, in ms, is played again.")] = 12.0


class Check(Noun):
    """From where on `check` calls something a fault. "LU" compares with the take's own loudness."""

    clipped_peaks: Annotated[Whole, Field(ge=1, description=(
        'Flat tops from which on a take is to be recorded again; fewer are a "look". A few hide in a strum.'))] = 6
    clipping_ms: Annotated[Number, Field(ge=0.0, description=(
        "Or one flat top as long as this in ms: a strong partial is lost for good."))] = 1.0
    clicks_rerecord: Annotated[Whole, Field(ge=1, description=(
        "Clicks from which on it is quicker to play again than to repair; common practice, no source."))] = 30
    rumble_dbfs: Annotated[Number, Field(description=(
        "Level below 40 Hz in dBFS; quieter rumble moves no compressor."))] = -60.0
    rumble_under_lu: Annotated[Number, Field(description="And no further under the loudness than this, in LU.")] = 40.0
    rumble_rerecord_under_lu: Annotated[Number, Field(description=(
        "What the high-passes leave of it may not come nearer than this, in LU: it steers the compressor."))] = 10.0
    hum_under_lu: Annotated[Number, Field(description=(
        "Hum no further under the loudness than this, in LU: a tone is heard 10 dB under noise."))] = 55.0
    hum_dbfs: Annotated[Number, Field(description="And at least this loud, in dBFS.")] = -90.0
    hum_rerecord_under_lu: Annotated[Number, Field(description="Hum that no gap hides, in LU.")] = 25.0
    noise_under_lu: Annotated[Number, Field(description=(
        "Noise no further under the loudness than this, in LU: playing at 75 dB SPL, it is louder than a quiet room."))
    ] = 32.0
    noise_rerecord_under_lu: Annotated[Number,
                                       Field(description="Noise heard beside the playing itself, in LU.")] = 15.0
    dc_dbfs: Annotated[Number, Field(description="Offset in dBFS (half a percent); from here on cuts click.")] = -46.0
    dropout_ms: Annotated[Number, Field(ge=0.1, description=(
        "Standing samples in ms; a microphone never stands still, hiss moves the last bits."))] = 0.6
    late_start_s: Annotated[Number, Field(ge=0.0, description=(
        "Behind the partner's first sound, in seconds; more than any player's scatter."))] = 0.3
    early_end_s: Annotated[Number, Field(ge=0.0, description=(
        "Over before the partner, in seconds; last chords ring out differently."))] = 1.5
    tuning_cents: Annotated[Number, Field(ge=0.5, le=50.0, description=(
        "Off a4_hz, off the partner or drifting, in cents; common practice, no source."))] = 5.0
    wrong_strings_share: Annotated[Number, Field(ge=0.0, le=1.0, description=(
        "Share of the time in which notes below the lowest string are heard."))] = 0.12
    copy_correlation: Annotated[Number, Field(ge=0.5, le=1.0, description=(
        "Correlation, at one offset, of takes that are one performance; two performances stay far under it."))] = 0.9
    imbalance_lu: Annotated[Number, Field(ge=0.0, description=(
        "Loudness between the takes of a pair, in LU; 3 LU move the middle of a pair; common practice, no source."))
    ] = 3.0
    imbalance_brightness_db: Annotated[Number, Field(ge=0.0, description=(
        "Brightness between them (2 to 8 kHz against the body), in dB; common practice, no source."))] = 6.0
    high_pass_db: Annotated[Number, Field(ge=0.0, description=(
        "What the high-passes take off the lowest string's fundamental, in dB; a corner on it takes 3."))] = 3.5
    high_pass_lu: Annotated[Number, Field(ge=0.0, description="What they take off the loudness, in LU.")] = 1.0

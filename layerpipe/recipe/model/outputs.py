"""The tables of a recipe for its outputs: previews, bounce, artist's page, and the limits of `timing` and `check`.

Annotations are not postponed here; see `types.py`.
"""

from typing import Annotated, Literal

from msgspec import Meta, field

from layerpipe.recipe.model.types import Date, Level, Noun, Number
from layerpipe.recipe.names import refuse_control, template_problem

PreviewFormat = Literal["mp3", "m4a", "flac", "wav"]


def _rising(span: list[float]) -> None:
    """A range has its lower end first."""
    if span[0] >= span[1]:
        raise ValueError(f"found [{span[0]:g}, {span[1]:g}], allowed is the lower level first")


def _a_template(template: str) -> None:
    """A template has known fields, and between them only what a file name can contain."""
    problem = template_problem(template) if template else None
    if problem:
        raise ValueError(problem)


class Preview(Noun, frozen=True):
    """The listening files."""

    loudness_lufs: Annotated[Number, Meta(
        ge=-60.0, le=0.0, description="Loudness of every version in LUFS; less where the ceiling requires it.")] = -16.0
    ceiling_dbtp: Annotated[Number, Meta(ge=-30.0, le=0.0, description="Highest true peak in dBTP.")] = -1.0
    peaks: Annotated[Literal["lower", "limit"], Meta(description=(
        "Where peaks would be above the ceiling: lower all versions of the section, or limit the peaks of the versions "
        "that need it by up to 6 dB, so that all reach loudness_lufs (previews only; look-ahead 5 ms, release 40 dB "
        "per second, 4x oversampling). What needs more than 6 dB is lowered."))] = "lower"
    format: Annotated[PreviewFormat, Meta(description="File format.")] = "mp3"
    lead_in_beats: Annotated[Number, Meta(ge=0.0, le=64.0, description="Beats played before the section.")] = 1.0
    tail_s: Annotated[Number, Meta(ge=0.0, le=60.0, description="Seconds played after the section.")] = 1.5


class Bounce(Noun, frozen=True):
    """The files for the mix."""

    bit_depth: Annotated[Literal[16, 24], Meta(description="Bit depth.")] = 24
    over_full_scale: Annotated[Literal["refuse", "lower"], Meta(description=(
        "Above full scale: refuse to write, or lower all files by the same gain and report it."))] = "refuse"
    time_reference_s: Annotated[Annotated[Number, Meta(ge=0.0, lt=86400.0)] | None, Meta(description=(
        "Time reference in the Broadcast WAVE header: seconds since midnight at which the files begin; if omitted, "
        "that of [song], or 0."))] = None
    date: Annotated[Date, Meta(
        description='Date in the Broadcast WAVE header, "2024-05-31"; none if omitted.')] = ""
    names: Annotated[str, Meta(max_length=200, description=(
        'File name template, such as "{artist}_{song}_{layer}_{take}"; also {initials}, {kind}, {rate}, {bits}. '
        "If omitted, files are named by layer and take.")), _a_template] = ""


class PageSetting(Noun, frozen=True):
    """A setting offered to the artist by name."""

    name: Annotated[str, Meta(
        min_length=1, max_length=80, description="The name that the artist reads."), refuse_control]
    levels_db: Annotated[dict[str, Level], Meta(
        min_length=1, description="Levels in dB by layer; -inf is off, layers that are omitted keep their level.")]


class Page(Noun, frozen=True):
    """The artist's listening page."""

    range_db: Annotated[list[Annotated[Number, Meta(ge=-60.0, le=12.0)]], Meta(
        min_length=2, max_length=2, description="Lowest and highest level of a slider in dB; below the lowest is off.",
        extra_json_schema={"default": [-24.0, 0.0]}), _rising] = field(default_factory=lambda: [-24.0, 0.0])
    step_db: Annotated[Number, Meta(ge=0.1, le=6.0, description="Step of a slider in dB.")] = 0.5
    setting: Annotated[list[PageSetting], Meta(
        max_length=12, description="Settings to try, one [[page.setting]] each.")] = []


class Timing(Noun, frozen=True):
    """Limits: when a take counts as loose, and how much is edited before it is to be re-recorded."""

    tolerance_ms: Annotated[Number, Meta(
        ge=1.0, le=200.0, description="How far an onset may be from the take's own average offset, in ms.")] = 15.0
    double_tolerance_ms: Annotated[Number, Meta(
        ge=1.0, le=200.0, description="How far an onset may be from the same onset of the double, in ms.")] = 20.0
    toward: Annotated[Literal["double", "grid"], Meta(description=(
        "Where an edit moves an onset: to its double, or to the take's average offset from the grid. "
        "A take without a double uses the grid."))] = "double"
    moves_per_bar: Annotated[Number, Meta(
        ge=0.0, le=16.0, description="A section that needs more edits per bar than this is to be re-recorded.")] = 0.5
    most_offset_ms: Annotated[Number, Meta(
        ge=5.0, le=500.0, description="An onset farther off than this, in ms, is to be re-recorded.")] = 80.0
    most_spread_ms: Annotated[Number, Meta(
        ge=1.0, le=200.0, description=(
            "A take whose spread against the grid is above this, in ms, is to be re-recorded if it is also apart from "
            "its double, or has none. Annotated players have 16 to 22 ms (own measurement)."))] = 30.0
    most_double_spread_ms: Annotated[Number, Meta(
        ge=1.0, le=200.0, description=(
            "Spread of the differences from the double, in ms, above which they are apart. Players of trios are 27 to "
            "49 ms apart (Rasch 1979), sounds fuse up to about 40 ms (Wallach 1949); both read second hand."))] = 40.0


class Check(Noun, frozen=True):
    """Limits: when a take counts as faulty. LU are relative to the take's own loudness."""

    clipped_peaks: Annotated[int, Meta(ge=1, description=(
        "Clipped peaks from which a take is to be re-recorded; fewer are to be reviewed, as strums mask a few."))] = 6
    clipping_ms: Annotated[Number, Meta(ge=0.0, description=(
        "Or one clipped peak of this length in ms: re-record, a strong partial is lost."))] = 1.0
    clicks_rerecord: Annotated[int, Meta(ge=1, description=(
        "Clicks from which re-recording is quicker than repair; common practice, no source."))] = 30
    rumble_dbfs: Annotated[Number, Meta(description=(
        "Rumble, the level below 40 Hz, from this level in dBFS; quieter rumble does not drive a compressor."))] = -60.0
    rumble_under_lu: Annotated[Number, Meta(description=(
        "And less than this many LU below the take's loudness."))] = 40.0
    rumble_rerecord_under_lu: Annotated[Number, Meta(description=(
        "Rumble that after the high-passes is less than this many LU below the loudness: re-record, it drives the "
        "compressor."))] = 10.0
    hum_under_lu: Annotated[Number, Meta(description=(
        "Hum less than this many LU below the take's loudness: a tone is audible 10 dB below noise."))] = 55.0
    hum_dbfs: Annotated[Number, Meta(description="And at least this loud, in dBFS.")] = -90.0
    hum_rerecord_under_lu: Annotated[Number, Meta(description=(
        "Hum less than this many LU below the loudness: re-record."))] = 25.0
    noise_under_lu: Annotated[Number, Meta(description=(
        "Noise less than this many LU below the take's loudness: louder than a quiet room, with playing at 75 dB SPL."))
    ] = 32.0
    noise_rerecord_under_lu: Annotated[Number, Meta(description=(
        "Noise less than this many LU below the loudness: re-record, it is audible while the take plays."))] = 15.0
    dc_dbfs: Annotated[Number, Meta(
        description="DC offset in dBFS (half a percent); above this, edits click.")] = -46.0
    dropout_ms: Annotated[Number, Meta(ge=0.1, description=(
        "Stuck samples, ms: shortest run of one value that counts as a drop-out; hiss changes the last bits."))] = 0.6
    late_start_s: Annotated[Number, Meta(ge=0.0, description=(
        "Starts later than its double by, in seconds; more than any player's spread."))] = 0.3
    early_end_s: Annotated[Number, Meta(ge=0.0, description=(
        "Ends earlier than its double by, in seconds; last chords decay differently."))] = 1.5
    tuning_cents: Annotated[Number, Meta(ge=0.5, le=50.0, description=(
        "Deviation from a4_hz or from its double, or drift, in cents; common practice, no source."))] = 5.0
    wrong_strings_share: Annotated[Number, Meta(ge=0.0, le=1.0, description=(
        "Share of the time in which notes below the lowest string are found."))] = 0.12
    copy_correlation: Annotated[Number, Meta(ge=0.5, le=1.0, description=(
        "Correlation, at one offset, from which two takes are one performance; two performances are far below it."))
    ] = 0.9
    imbalance_lu: Annotated[Number, Meta(ge=0.0, description=(
        "Loudness difference between the takes of a pair, in LU; 3 LU shift the centre; common practice, no source."))
    ] = 3.0
    imbalance_brightness_db: Annotated[Number, Meta(ge=0.0, description=(
        "Brightness difference between them (2 to 8 kHz relative to the body), in dB; common practice, no source."))
    ] = 6.0
    comp_level_db: Annotated[Number, Meta(ge=0.0, description=(
        "Level step where a comp changes passes, in dB; common practice, no source."))] = 2.0
    comp_tuning_cents: Annotated[Number, Meta(ge=0.0, description=(
        "Tuning step where a comp changes passes, in cents; common practice, no source."))] = 6.0
    high_pass_loss_db: Annotated[Number, Meta(ge=0.0, description=(
        "Cost of the high-passes at the lowest string's fundamental, in dB; a corner at that pitch costs 3."))] = 3.5
    high_pass_loss_lu: Annotated[Number, Meta(
        ge=0.0, description="Cost of the high-passes in loudness, in LU.")] = 1.0

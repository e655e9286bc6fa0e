"""A take: the files it is played from, where they begin, its passes and its moves.

A take has exactly one of `file`, `mics` and `passes`. `Take.every_pass` and `Pass.every_mic` look the same for all
three, so that what plays a take has one case. Annotations are not postponed here; see `types.py`.
"""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from layerpipe.recipe.model.chain import Chain
from layerpipe.recipe.model.types import (
    MOST_CHANNELS,
    TIME_REFERENCE,
    GainDb,
    Name,
    Noun,
    Number,
    PositionOrSeconds,
    SoundPath,
    Start,
    Switch,
    Text,
    Whole,
)

Kind = Literal["plucked", "struck", "voice", "bowed", "wind"]
MOST_MICS, MOST_PASSES = 16, 64
DEFAULT_CROSSFADE_MS = 5.0
_ONE_FILE = "Audio file, relative to the recipe's folder."
_CHANNEL = Annotated[Annotated[Whole, Field(ge=1, le=MOST_CHANNELS)] | None, Field(
    description="Channel of a file that has several, counted from 1.")]
Starts = Annotated[Start, Field(description=(
    'Where in the song the file begins: a position such as "bar 9", a number of seconds (negative: before the song), '
    f'or "{TIME_REFERENCE}", the time stamp of the Broadcast WAVE file compared with [song] time_reference_s.'))]
_SHIFT = Annotated[Number, Field(ge=-2000.0, le=2000.0, description=(
    "How much later than that the audio is played, in ms; earlier when negative. Fractions of a sample count."))]
_CROSSFADE = Annotated[Number, Field(ge=0.1, le=100.0, description="Length of the crossfade at each end, in ms.")]


class Move(Noun):
    """The audio between `from` and `to` is played `by_ms` later (earlier when negative)."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, defer_build=True)

    start: Annotated[PositionOrSeconds, Field(alias="from", description=(
        'Where the moved part begins: a position such as "bar 3 beat 2.5", or a number of seconds.'))]
    stop: Annotated[PositionOrSeconds, Field(alias="to", description=(
        'Where the moved part ends: a position such as "bar 3 beat 3", or a number of seconds.'))]
    by_ms: Annotated[Number, Field(ge=-2000.0, le=2000.0, description="How much later, in ms; earlier when negative.")]
    crossfade_ms: _CROSSFADE = DEFAULT_CROSSFADE_MS
    attack: Annotated[Text, Field(max_length=64, description=(
        "Fingerprint of the sound the move was made for, written by timing --write. If the take no longer has it, the "
        "move is refused; if omitted, nothing is checked."))] = ""


class Mic(Noun):
    """One of several microphones of a performance; they are added up."""

    file: Annotated[SoundPath, Field(description=_ONE_FILE)]
    channel: _CHANNEL = None
    gain_db: Annotated[GainDb, Field(description="Gain of this microphone in dB.")] = 0.0
    shift_ms: Annotated[Number, Field(ge=-100.0, le=100.0, description=(
        "How much later this microphone is played, in ms; earlier when negative. Fractions of a sample count."))] = 0.0
    invert_polarity: Annotated[Switch, Field(description="Invert the polarity of this microphone.")] = False


class Pass(Noun):
    """One recording of the take's part; has either `file` or `mics`."""

    name: Annotated[Name, Field(description="Name of the pass, unique in its take.")]
    file: Annotated[SoundPath | None, Field(description=_ONE_FILE)] = None
    channel: _CHANNEL = None
    mics: Annotated[list[Mic], Field(max_length=MOST_MICS, description="Instead of file: its microphones.")] = Field(
        default_factory=list)
    starts: Starts = 0.0
    shift_ms: _SHIFT = 0.0
    move: Annotated[list[Move], Field(description="Parts of the pass that are played earlier or later.")] = Field(
        default_factory=list)
    notes: Annotated[dict[str, Text], Field(description=(
        "Your own notes on this pass; printed on the delivery sheet where it is heard."))] = Field(default_factory=dict)

    @property
    def every_mic(self) -> tuple[Mic, ...]:
        """The microphones; a pass of one file is one microphone."""
        if self.file is None:
            return tuple(self.mics)
        # Not validated again: the file was, as it was written; the folders around it may have any name.
        return (Mic.model_construct(file=self.file, channel=self.channel),)


class CompPart(Noun):
    """Between `from` and `to` another pass is heard."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, defer_build=True)

    start: Annotated[PositionOrSeconds, Field(alias="from", description=(
        'Where the pass comes in: a position such as "bar 5", or a number of seconds. The crossfade ends there, so it '
        "has to be just before an attack."))]
    stop: Annotated[PositionOrSeconds, Field(alias="to", description=(
        "Where the pass named by play, or that of the next entry, comes in again."))]
    played: Annotated[Name, Field(alias="pass", description="Name of the pass that is heard.")]
    crossfade_ms: _CROSSFADE = DEFAULT_CROSSFADE_MS


class Take(Noun):
    """One part, mono: what is heard of one player. Has exactly one of `file`, `mics` and `passes`."""

    name: Annotated[Name, Field(description="Name of the take, unique in its layer, also in file names.")]
    file: Annotated[SoundPath | None, Field(description=_ONE_FILE)] = None
    channel: _CHANNEL = None
    mics: Annotated[list[Mic], Field(max_length=MOST_MICS, description=(
        "Instead of file: several microphones of one performance, added up."))] = Field(default_factory=list)
    starts: Starts = 0.0
    shift_ms: _SHIFT = 0.0
    passes: Annotated[list[Pass], Field(max_length=MOST_PASSES, description=(
        "Instead of file: several recordings of the same part, of which one is heard at a time."))] = Field(
            default_factory=list)
    play: Annotated[Name | None, Field(
        description="Name of the pass that is heard where comp names no other; if omitted, the first.")] = None
    comp: Annotated[list[CompPart], Field(description="Where other passes are heard.")] = Field(default_factory=list)
    pan: Annotated[Number, Field(ge=-100.0, le=100.0, description="Pan: -100 is left, 0 the centre, 100 right.")] = 0.0
    gain_db: Annotated[GainDb, Field(description="Gain in dB, after the chain.")] = 0.0
    invert_polarity: Annotated[Switch, Field(description="Invert polarity.")] = False
    mute: Annotated[Switch, Field(description="Mute: the take is not used.")] = False
    notes: Annotated[dict[str, Text], Field(description=(
        "Your own notes, such as microphone or strings; printed on the delivery sheet."))] = Field(default_factory=dict)
    chain: Annotated[Chain | None, Field(description="Replaces the layer's chain for this take.")] = None
    move: Annotated[list[Move], Field(description=(
        "Parts of the take that are played earlier or later; with passes, each pass has its own."))] = Field(
            default_factory=list)

    @property
    def every_pass(self) -> tuple[Pass, ...]:
        """The passes; a take without `passes` is one pass with the take's name."""
        return tuple(self.passes) or (Pass.model_construct(
            name=self.name, file=self.file, channel=self.channel, mics=self.mics, starts=self.starts,
            shift_ms=self.shift_ms, move=self.move),)

    @property
    def played(self) -> int:
        """Index in `every_pass` of the pass that is heard where `comp` names no other."""
        return 0 if self.play is None else [one.name for one in self.passes].index(self.play)

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file of the take, each once, in the recipe's order."""
        return tuple(dict.fromkeys(mic.file for one in self.every_pass for mic in one.every_mic))

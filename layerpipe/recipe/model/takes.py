"""A take: the files it is played from, where they begin, its passes and its moves.

A take has exactly one of `file`, `mics` and `passes`. `Take.every_pass` and `Pass.every_mic` look the same for all
three, so that what plays a take has one case. Annotations are not postponed here; see `types.py`.
"""

from pathlib import Path
from typing import Annotated, Literal

from msgspec import Meta

from layerpipe.recipe.model.chain import Chain
from layerpipe.recipe.model.types import (
    MOST_CHANNELS,
    TIME_REFERENCE,
    GainDb,
    Name,
    Noun,
    Number,
    Position,
    SoundPath,
)

Kind = Literal["plucked", "struck", "voice", "bowed", "wind"]
MOST_MICS, MOST_PASSES = 16, 64
DEFAULT_CROSSFADE_MS = 5.0
_ONE_FILE = "Audio file, relative to the recipe's folder."
_CHANNEL = Annotated[Annotated[int, Meta(ge=1, le=MOST_CHANNELS)] | None, Meta(
    description="Channel of a file that has several, counted from 1.")]
Starts = Annotated[Position, Meta(description=(
    'Where in the song the file begins: a position such as "bar 9", a number of seconds (negative: before the song), '
    f'or "{TIME_REFERENCE}", the time stamp of the Broadcast WAVE file compared with [song] time_reference_s.'))]
_SHIFT = Annotated[Number, Meta(ge=-2000.0, le=2000.0, description=(
    "How much later than that the audio is played, in ms; earlier when negative. Fractions of a sample count."))]
_CROSSFADE = Annotated[Number, Meta(ge=0.1, le=100.0, description="Length of the crossfade at each end, in ms.")]


class Move(Noun, frozen=True, rename={"start": "from", "stop": "to"}):
    """The audio between `from` and `to` is played `by_ms` later (earlier when negative)."""

    start: Annotated[Position, Meta(description=(
        'Where the moved part begins: a position such as "bar 3 beat 2.5", or a number of seconds.'))]
    stop: Annotated[Position, Meta(description=(
        'Where the moved part ends: a position such as "bar 3 beat 3", or a number of seconds.'))]
    by_ms: Annotated[Number, Meta(ge=-2000.0, le=2000.0, description="How much later, in ms; earlier when negative.")]
    crossfade_ms: _CROSSFADE = DEFAULT_CROSSFADE_MS
    attack: Annotated[str, Meta(max_length=64, description=(
        "Fingerprint of the sound the move was made for, written by timing --write. If the take no longer has it, the "
        "move is refused; if omitted, nothing is checked."))] = ""


class Mic(Noun, frozen=True):
    """One of several microphones of a performance; they are added up."""

    file: Annotated[SoundPath, Meta(description=_ONE_FILE)]
    channel: _CHANNEL = None
    gain_db: Annotated[GainDb, Meta(description="Gain of this microphone in dB.")] = 0.0
    shift_ms: Annotated[Number, Meta(ge=-100.0, le=100.0, description=(
        "How much later this microphone is played, in ms; earlier when negative. Fractions of a sample count."))] = 0.0
    invert_polarity: Annotated[bool, Meta(description="Invert the polarity of this microphone.")] = False


class Pass(Noun, frozen=True):
    """One recording of the take's part; has either `file` or `mics`."""

    name: Annotated[Name, Meta(description="Name of the pass, unique in its take.")]
    file: Annotated[SoundPath | None, Meta(description=_ONE_FILE)] = None
    channel: _CHANNEL = None
    mics: Annotated[list[Mic], Meta(max_length=MOST_MICS, description="Instead of file: its microphones.")] = []
    starts: Starts = 0.0
    shift_ms: _SHIFT = 0.0
    move: Annotated[list[Move], Meta(description="Parts of the pass that are played earlier or later.")] = []
    notes: Annotated[dict[str, str], Meta(description=(
        "Your own notes on this pass; printed on the delivery sheet where it is heard."))] = {}

    @property
    def every_mic(self) -> tuple[Mic, ...]:
        """The microphones; a pass of one file is one microphone."""
        if self.file is None:
            return tuple(self.mics)
        return (Mic(file=self.file, channel=self.channel),)


class CompPart(Noun, frozen=True, rename={"start": "from", "stop": "to", "played": "pass"}):
    """Between `from` and `to` another pass is heard."""

    start: Annotated[Position, Meta(description=(
        'Where the pass comes in: a position such as "bar 5", or a number of seconds. The crossfade ends there, so it '
        "has to be just before an attack."))]
    stop: Annotated[Position, Meta(description=(
        "Where the pass named by play, or that of the next entry, comes in again."))]
    played: Annotated[Name, Meta(description="Name of the pass that is heard.")]
    crossfade_ms: _CROSSFADE = DEFAULT_CROSSFADE_MS


class Take(Noun, frozen=True):
    """One part, mono: what is heard of one player. Has exactly one of `file`, `mics` and `passes`."""

    name: Annotated[Name, Meta(description="Name of the take, unique in its layer, also in file names.")]
    file: Annotated[SoundPath | None, Meta(description=_ONE_FILE)] = None
    channel: _CHANNEL = None
    mics: Annotated[list[Mic], Meta(max_length=MOST_MICS, description=(
        "Instead of file: several microphones of one performance, added up."))] = []
    starts: Starts = 0.0
    shift_ms: _SHIFT = 0.0
    passes: Annotated[list[Pass], Meta(max_length=MOST_PASSES, description=(
        "Instead of file: several recordings of the same part, of which one is heard at a time."))] = []
    play: Annotated[Name | None, Meta(
        description="Name of the pass that is heard where comp names no other; if omitted, the first.")] = None
    comp: Annotated[list[CompPart], Meta(description="Where other passes are heard.")] = []
    pan: Annotated[Number, Meta(ge=-100.0, le=100.0, description="Pan: -100 is left, 0 the centre, 100 right.")] = 0.0
    gain_db: Annotated[GainDb, Meta(description="Gain in dB, after the chain.")] = 0.0
    invert_polarity: Annotated[bool, Meta(description="Invert polarity.")] = False
    mute: Annotated[bool, Meta(description="Mute: the take is not used.")] = False
    notes: Annotated[dict[str, str], Meta(description=(
        "Your own notes, such as microphone or strings; printed on the delivery sheet."))] = {}
    chain: Annotated[Chain | None, Meta(description="Replaces the layer's chain for this take.")] = None
    move: Annotated[list[Move], Meta(description=(
        "Parts of the take that are played earlier or later; with passes, each pass has its own."))] = []

    @property
    def every_pass(self) -> tuple[Pass, ...]:
        """The passes; a take without `passes` is one pass with the take's name."""
        return tuple(self.passes) or (Pass(
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

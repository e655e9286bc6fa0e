"""What is true of every file in a session's folder, and the recipe that follows from it.

Files are told by name inside the folder. Pans are -100 to 100, starts seconds from the song's start, stamps seconds
since midnight as a `bext` chunk counts them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

Role = Literal["take", "pass", "mic", "bed", "click", "skipped"]
Source = tuple[str, int | None]
"""A file and the channel of it; None where the file has one channel, 0 where either of two will do."""
EITHER = 0


@dataclass(frozen=True)
class FileTruth:
    """One file: a take alone, one pass of several, one microphone of a pass, or none of these."""

    name: str
    role: Role
    why: str
    """What it is, in words."""
    layer: str = ""
    side: str = ""
    """L, R or C; a layer and a side make a take."""
    pass_number: int = 1
    channels: int = 1
    start_s: float = 0.0
    stamp_s: float | None = None
    rate_hz: int = 48_000
    subtype: str = "PCM_24"

    @property
    def sources(self) -> tuple[Source, ...]:
        """Channels of the file that belong to the take."""
        if self.role == "mic" and self.channels == 2:
            return (self.name, 1), (self.name, 2)
        return ((self.name, EITHER if self.channels == 2 else None),)


@dataclass(frozen=True)
class PassTruth:
    """One performance; several sources are its microphones."""

    sources: tuple[Source, ...]
    start_s: float
    stamped: bool


@dataclass(frozen=True)
class TakeTruth:
    """What is heard at one place, from one or several passes."""

    layer: str
    side: str
    pan: float
    passes: tuple[PassTruth, ...]


@dataclass(frozen=True)
class LayerTruth:
    """Takes that are heard as one. Where names tell no side, first left and second right is as good as the reverse."""

    name: str
    takes: tuple[TakeTruth, ...]
    octave: bool
    sides_told: bool


@dataclass(frozen=True)
class FolderTruth:
    """A folder."""

    title: str
    files: tuple[FileTruth, ...]
    octave_layers: frozenset[str]
    unsided_layers: frozenset[str]
    """Layers of two takes whose names tell no side."""
    tempo: float
    meter: str
    bar_one_s: float
    bar_s: float
    time_reference_s: float | None
    """Stamp of the song's start; None where there are no stamps or they are times of day."""

    @property
    def bed(self) -> str | None:
        """The rough mix."""
        return next((file.name for file in self.files if file.role == "bed"), None)

    @property
    def click(self) -> str | None:
        """The click track. Its ticks are the song's beats, the higher ones its downbeats."""
        return next((file.name for file in self.files if file.role == "click"), None)

    @property
    def skipped(self) -> tuple[str, ...]:
        """Files that belong to nothing."""
        return tuple(file.name for file in self.files if file.role == "skipped")

    @property
    def layers(self) -> tuple[LayerTruth, ...]:
        """Layers in order of their first file."""
        played = [file for file in self.files if file.layer]
        found = []
        for layer in dict.fromkeys(file.layer for file in played):
            sides = dict.fromkeys(file.side for file in played if file.layer == layer)
            takes = tuple(self._take(layer, side) for side in sides)
            found.append(LayerTruth(layer, takes, layer in self.octave_layers, layer not in self.unsided_layers))
        return tuple(found)

    def _take(self, layer: str, side: str) -> TakeTruth:
        """The files of a layer and a side."""
        files = [file for file in self.files if file.layer == layer and file.side == side]
        passes = []
        for number in sorted({file.pass_number for file in files}):
            of_pass = [file for file in files if file.pass_number == number]
            sources = tuple(source for file in of_pass for source in file.sources)
            passes.append(PassTruth(sources, of_pass[0].start_s, of_pass[0].stamp_s is not None))
        return TakeTruth(layer, side, {"L": -100.0, "R": 100.0}.get(side, 0.0), tuple(passes))


def right_recipe(truth: FolderTruth) -> str:
    """The recipe a user would end with, as text."""
    return "\n".join(_lines(truth)) + "\n"


def _lines(truth: FolderTruth) -> Iterator[str]:
    """The recipe, line by line."""
    yield from ["[song]", f"title = {_text(truth.title)}"]
    if truth.click:
        yield from [f"tempo = {truth.tempo}", f'meter = "{truth.meter}"', f"bar_one_s = {truth.bar_one_s}"]
    if truth.time_reference_s is not None:
        yield f"time_reference_s = {truth.time_reference_s}"
    if truth.bed:
        yield from ["", "[bed]", f"file = {_text(truth.bed)}"]
    for layer in truth.layers:
        yield from ["", "[[layer]]", f"name = {_text('octave ' + layer.name if layer.octave else layer.name)}"]
        for take in layer.takes:
            yield from ["", "[[layer.take]]", f'name = "{ {"L": "left", "R": "right"}.get(take.side, "centre") }"']
            yield from _place_and_files(truth, take)
            yield f"pan = {take.pan:g}"


def _place_and_files(truth: FolderTruth, take: TakeTruth) -> Iterator[str]:
    """Where a take's sound comes from."""
    if len(take.passes) > 1:
        yield "passes = ["
        for number, played in enumerate(take.passes, 1):
            place = f", starts = {_start(truth, played)}" if played.start_s else ""
            yield f'  {{ name = "{number}", file = {_text(played.sources[0][0])}{place} }},'
        yield "]"
        return
    played = take.passes[0]
    if len(played.sources) > 1:
        yield "mics = ["
        for name, channel in played.sources:
            yield f"  {{ file = {_text(name)}{f', channel = {channel}' if channel else ''} }},"
        yield "]"
    else:
        yield f"file = {_text(played.sources[0][0])}"
        if played.sources[0][1] == EITHER:
            yield "channel = 1"
    if played.start_s:
        yield f"starts = {_start(truth, played)}"


def _start(truth: FolderTruth, played: PassTruth) -> str:
    """The stamp where there is one that tells the place."""
    return '"time reference"' if played.stamped and truth.time_reference_s is not None else f"{played.start_s:.4f}"


def _text(value: str) -> str:
    """A TOML string."""
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'

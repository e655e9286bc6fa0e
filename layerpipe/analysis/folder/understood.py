"""What was understood of a folder: its files as they were heard, and the layers, takes and passes they make.

Pans are -100 to 100; times seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from layerpipe.analysis.folder.coarse_listening import CoarseSound
from layerpipe.analysis.folder.names import NameParts


@dataclass(frozen=True, eq=False)
class FolderFile:
    """One audio file of the folder; two are equal only if they are the same file."""

    path: Path
    seconds: float
    channels: int
    rate_hz: int
    stamp_s: float | None
    """Time stamp of its Broadcast WAVE header, since midnight."""
    name: NameParts
    sound: CoarseSound


@dataclass(frozen=True)
class Skipped:
    """A file or folder that is skipped, and why."""

    file: Path
    why: str


@dataclass(frozen=True)
class Source:
    """A file and its channel; None where it has one."""

    file: FolderFile
    channel: int | None = None


@dataclass(frozen=True)
class Start:
    """Where a file begins in the song."""

    seconds: float = 0.0
    by_stamp: bool = False
    """Whether it is from its own stamp."""
    unsure: str = ""
    """Why the place is not certain; empty where it is."""
    remark: str = ""


@dataclass(frozen=True)
class Performance:
    """One pass, from one or several microphones."""

    name: str
    sources: tuple[Source, ...]
    start: Start = field(default_factory=Start)

    @property
    def file(self) -> FolderFile:
        """The first microphone's file."""
        return self.sources[0].file


@dataclass(frozen=True)
class DraftedTake:
    """One take of the draft."""

    layer: str
    name: str
    pan: float
    passes: tuple[Performance, ...]
    remarks: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    """Reasons for which the take is muted."""

    @property
    def muted(self) -> bool:
        """Whether it is in the draft only to be decided on."""
        return bool(self.unsure)


@dataclass(frozen=True)
class DraftedLayer:
    """Takes that sound as one."""

    name: str
    octave: bool
    takes: tuple[DraftedTake, ...]
    remark: str = ""


@dataclass(frozen=True)
class SongClock:
    """Tempo, meter and bar 1 of a click track."""

    click: FolderFile
    tempo: float
    meter: str | None
    bar_one_s: float


@dataclass(frozen=True)
class Understood:
    """A folder."""

    layers: tuple[DraftedLayer, ...]
    bed: FolderFile | None
    clock: SongClock | None
    time_reference_s: float | None
    skipped: tuple[Skipped, ...]
    remarks: tuple[str, ...] = ()
    bed_start: Start = field(default_factory=Start)

    @property
    def takes(self) -> tuple[DraftedTake, ...]:
        """All takes in the order of the recipe."""
        return tuple(take for layer in self.layers for take in layer.takes)

"""A manifest as it is read back: every key checked, since the file may be damaged or a stranger's.

Size, number of values and depth are bounded before anything is built; unknown keys are ignored.
"""

import stat
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal, Self

import msgspec
from msgspec import Meta, field

from layerpipe.core.text import one_line
from layerpipe.core.units import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from layerpipe.outputs.bounce.manifest import FORMAT, checksum_of_manifest
from layerpipe.recipe.model.types import MOST_TAKES, Bar, Name, Record
from layerpipe.recipe.names import refuse_control

MOST_MANIFEST_BYTES = 64 << 20
"""256 takes in 100 sections need about 15 MB."""
_MOST_VALUES = 2_000_000
"""Counted by separators; each needs about 60 bytes of memory."""
_MOST_LEVELS = 200
_MOST_FILES, _MOST_SECTIONS, _MOST_NAME_BYTES = 1_000, 10_000, 255
_MOST_FRAMES = 7 * 24 * 3600 * HIGHEST_RATE_HZ
_SHOWN_FAULTS, _SHOWN_CHARACTERS = 3, 120


class Measured(float):
    """A measurement or a level; -inf is silence. JSON has no infinities: a manifest writes them as text."""

    def __new__(cls, value: Any) -> Self:
        if type(value) in (int, float) or value in ("-inf", "inf"):
            try:
                return super().__new__(cls, value)
            except OverflowError:
                pass
        raise ValueError('allowed is a number, "inf" or "-inf"')


def _inside(path: str) -> None:
    """A path that stays inside the folder and that any system can look for."""
    refuse_control(path)
    parts = PurePosixPath(path).parts
    strange = not parts or ".." in parts or parts[0] == "/" or "\\" in path or path != "/".join(parts)
    if strange or any(len(part.encode()) > _MOST_NAME_BYTES for part in parts):
        raise ValueError("names a file that is not inside the folder")


Level = Measured | None
"""None is "not measurable"."""
Inside = Annotated[str, Meta(min_length=1, max_length=4 * _MOST_NAME_BYTES), _inside]
Sha256 = Annotated[str, Meta(min_length=64, max_length=64, pattern=r"^[0-9a-f]{64}")]
Frames = Annotated[int, Meta(ge=0, le=_MOST_FRAMES)]
RateHz = Annotated[int, Meta(ge=LOWEST_RATE_HZ, le=HIGHEST_RATE_HZ)]


class Measurements(Record, frozen=True):
    """Loudness and peaks of one file, whole or in one section."""

    integrated_lufs: Level
    momentary_max_lufs: Level
    short_term_max_lufs: Level
    range_lu: Level
    correlation: Level
    mono_loss_lu: Level
    sample_peak_dbfs: Level
    true_peak_dbtp: Level


class SectionMeasurements(Measurements, frozen=True):
    """Measurements of one file in one section."""

    section: Name


class StemEntry(Measurements, frozen=True):
    """One stem: a take, a layer or the blend."""

    path: Inside
    kind: Literal["take", "layer", "blend"]
    layer: Name | None
    take: Name | None
    channels: Annotated[int, Meta(ge=1, le=2)]
    rate_hz: RateHz
    frames: Frames
    bit_depth: Literal[16, 24]
    sha256: Sha256
    sections: Annotated[list[SectionMeasurements], Meta(max_length=_MOST_SECTIONS)]

    def in_section(self, name: str) -> SectionMeasurements | None:
        """The measurements in a section; None if there are none."""
        return next((part for part in self.sections if part.section == name), None)


class DocumentEntry(Record, frozen=True):
    """Recipe or delivery page."""

    path: Inside
    sha256: Sha256


class SectionEntry(Record, frozen=True):
    """Where a section begins and ends, and each layer's level in it."""

    name: Name
    bars: Annotated[list[Bar], Meta(min_length=2, max_length=2)]
    start_frame: Frames
    stop_frame: Frames
    levels_db: Annotated[dict[Name, Level], Meta(max_length=_MOST_FILES)]


class SourceFileEntry(Record, frozen=True, rename={"played": "pass"}):
    """One of the files a take is played from."""

    played: Name
    mic: Annotated[int, Meta(ge=1)]
    file: str
    sha256: Sha256


class SourceEntry(Record, frozen=True):
    """One take's source: its main file, and all of its files."""

    layer: Name
    take: Name
    file: str
    sha256: Sha256
    files: Annotated[list[SourceFileEntry], Meta(max_length=_MOST_FILES)] = field(default_factory=list)

    @property
    def every_file(self) -> list[SourceFileEntry]:
        """All files; bounces of earlier versions name only the one."""
        return self.files or [SourceFileEntry(played=self.take, mic=1, file=self.file, sha256=self.sha256)]


class SongEntry(Record, frozen=True):
    """What all files have in common."""

    rate_hz: RateHz
    frames: Frames
    time_reference_frames: Annotated[int, Meta(ge=0, le=(1 << 63) - 1)]


class RecipeEntry(Record, frozen=True):
    """The enclosed recipe; its settings are compared as they are."""

    sha256: Sha256
    settings: Annotated[dict[str, Any], Meta(max_length=_MOST_FILES)]


class Manifest(Record, frozen=True):
    """What verify and compare read of a manifest."""

    song: SongEntry
    recipe: RecipeEntry
    sections: Annotated[list[SectionEntry], Meta(max_length=_MOST_SECTIONS)]
    sources: Annotated[list[SourceEntry], Meta(max_length=MOST_TAKES)]
    files: Annotated[list[StemEntry], Meta(min_length=1, max_length=_MOST_FILES)]
    documents: Annotated[list[DocumentEntry], Meta(max_length=_MOST_FILES)]
    versions: Annotated[dict[str, str], Meta(max_length=_MOST_FILES)]
    manifest_sha256: str
    """As it is written; `read_manifest` says whether it matches."""

    @property
    def paths(self) -> list[str]:
        """Every file of the bounce, without the manifest."""
        return [*(file.path for file in self.files), *(document.path for document in self.documents)]


def read_manifest(path: Path) -> tuple[Manifest, bool]:
    """Read a manifest, and say whether its own checksum matches.

    Raises
    ------
    ValueError
        If it is not a regular file, too large, or not a manifest; the message says where and why.
    OSError
        If it cannot be read.
    """
    status = path.lstat()
    if not stat.S_ISREG(status.st_mode):
        raise ValueError("is not a regular file")
    if status.st_size > MOST_MANIFEST_BYTES:
        raise ValueError(f"has {status.st_size} bytes; the limit is {MOST_MANIFEST_BYTES}")
    raw = path.read_bytes()
    if raw.count(b",") + raw.count(b"[") + raw.count(b"{") > _MOST_VALUES:
        raise ValueError(f"holds more than {_MOST_VALUES} values")
    try:
        # Refuses text that is not UTF-8 and lone surrogates.
        data = msgspec.json.decode(raw)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as refusal:
        raise ValueError(f"is not JSON: {refusal}") from refusal
    if _is_deep(data):
        raise ValueError(f"has more than {_MOST_LEVELS} levels")
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise ValueError(f'its format is not "{FORMAT}"')
    try:
        manifest = Manifest.of(data)
    except msgspec.ValidationError as refusal:
        raise ValueError(_faults(data)) from refusal
    if len(set(manifest.paths)) < len(manifest.paths):
        raise ValueError("it names a file twice")
    return manifest, manifest.manifest_sha256 == checksum_of_manifest(data)


def _is_deep(value: Any) -> bool:
    """Whether lists and tables are nested more deeply than is read."""
    level = [value]
    for _ in range(_MOST_LEVELS):
        level = [inner for outer in level if isinstance(outer, dict | list)
                 for inner in (outer.values() if isinstance(outer, dict) else outer)]
    return bool(level)


def _faults(data: Any) -> str:
    """The first faults, for a person."""
    from layerpipe.recipe.faults.refusals import refusals

    first = islice(refusals(data, Manifest, first_in_lists=True), _SHOWN_FAULTS + 1)
    words = [f"{'.'.join(map(str, one.location))[:_SHOWN_CHARACTERS]}: "
             f"{(one.words or one.library_words.replace('`', '') or one.kind)[:_SHOWN_CHARACTERS]}" for one in first]
    more = "; and more" if len(words) > _SHOWN_FAULTS else ""
    return one_line("; ".join(words[:_SHOWN_FAULTS]) + more)

"""A manifest as it is read back: every key checked, since the file may be damaged or a stranger's.

Size, number of values and depth are bounded before anything is built; unknown keys are ignored.
"""

import math
import stat
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, FailFast, Field, ValidationError
from pydantic_core import from_json

from layerpipe.core.text import one_line
from layerpipe.core.units import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from layerpipe.outputs.bounce.manifest import FORMAT, checksum_of_manifest
from layerpipe.recipe.model.types import MOST_TAKES, Bar, Name
from layerpipe.recipe.names import refuse_control

MOST_MANIFEST_BYTES = 64 << 20
"""256 takes in 100 sections need about 15 MB."""
_MOST_VALUES = 2_000_000
"""Counted by separators; each needs about 60 bytes of memory."""
_MOST_FILES, _MOST_SECTIONS, _MOST_NAME_BYTES = 1_000, 10_000, 255
_MOST_FRAMES = 7 * 24 * 3600 * HIGHEST_RATE_HZ
_SHOWN_FAULTS, _SHOWN_CHARACTERS = 3, 120


def _infinite(value: Any) -> Any:
    """JSON has no infinities; a manifest writes them as text."""
    return {"-inf": -math.inf, "inf": math.inf}.get(value, value) if isinstance(value, str) else value


def _inside(path: str) -> str:
    """A path that stays inside the folder and that any system can look for."""
    parts = PurePosixPath(refuse_control(path)).parts
    strange = not parts or ".." in parts or parts[0] == "/" or "\\" in path or path != "/".join(parts)
    if strange or any(len(part.encode()) > _MOST_NAME_BYTES for part in parts):
        raise ValueError("names a file that is not inside the folder")
    return path


def _few(value: Any) -> Any:
    """Refuse a huge table before its entries are looked at."""
    if isinstance(value, dict) and len(value) > _MOST_FILES:
        raise ValueError(f"has more than {_MOST_FILES} entries")
    return value


Level = Annotated[float | None, BeforeValidator(_infinite)]
"""A measurement or a level; None is "not measurable", -inf silence."""
Inside = Annotated[str, Field(min_length=1, max_length=4 * _MOST_NAME_BYTES), AfterValidator(_inside)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Frames = Annotated[int, Field(ge=0, le=_MOST_FRAMES)]
RateHz = Annotated[int, Field(ge=LOWEST_RATE_HZ, le=HIGHEST_RATE_HZ)]


class _Table(BaseModel):
    """Base of every table: values have the types that were written, and nothing changes once read."""

    model_config = ConfigDict(strict=True, frozen=True, defer_build=True)


class Measurements(_Table):
    """Loudness and peaks of one file, whole or in one section."""

    integrated_lufs: Level
    momentary_max_lufs: Level
    short_term_max_lufs: Level
    range_lu: Level
    correlation: Level
    mono_loss_lu: Level
    sample_peak_dbfs: Level
    true_peak_dbtp: Level


class SectionMeasurements(Measurements):
    """Measurements of one file in one section."""

    section: Name


class StemEntry(Measurements):
    """One stem: a take, a layer or the blend."""

    path: Inside
    kind: Literal["take", "layer", "blend"]
    layer: Name | None
    take: Name | None
    channels: Annotated[int, Field(ge=1, le=2)]
    rate_hz: RateHz
    frames: Frames
    bit_depth: Literal[16, 24]
    sha256: Sha256
    sections: Annotated[list[SectionMeasurements], FailFast(), Field(max_length=_MOST_SECTIONS)]

    def in_section(self, name: str) -> SectionMeasurements | None:
        """The measurements in a section; None if there are none."""
        return next((part for part in self.sections if part.section == name), None)


class DocumentEntry(_Table):
    """Recipe or delivery page."""

    path: Inside
    sha256: Sha256


class SectionEntry(_Table):
    """Where a section begins and ends, and each layer's level in it."""

    name: Name
    bars: Annotated[list[Bar], Field(min_length=2, max_length=2)]
    start_frame: Frames
    stop_frame: Frames
    levels_db: Annotated[dict[Name, Level], BeforeValidator(_few)]


class SourceFileEntry(_Table):
    """One of the files a take is played from."""

    played: Annotated[Name, Field(alias="pass")]
    mic: Annotated[int, Field(ge=1)]
    file: str
    sha256: Sha256


class SourceEntry(_Table):
    """One take's source: its main file, and all of its files."""

    layer: Name
    take: Name
    file: str
    sha256: Sha256
    files: Annotated[list[SourceFileEntry], FailFast(), Field(max_length=_MOST_FILES)] = []

    @property
    def every_file(self) -> list[SourceFileEntry]:
        """All files; bounces of earlier versions name only the one."""
        main = {"pass": self.take, "mic": 1, "file": self.file, "sha256": self.sha256}
        return self.files or [SourceFileEntry.model_validate(main)]


class SongEntry(_Table):
    """What all files have in common."""

    rate_hz: RateHz
    frames: Frames
    time_reference_frames: Annotated[int, Field(ge=0, lt=1 << 64)]


class RecipeEntry(_Table):
    """The enclosed recipe; its settings are compared as they are."""

    sha256: Sha256
    settings: Annotated[dict[str, Any], BeforeValidator(_few)]


class Manifest(_Table):
    """What verify and compare read of a manifest."""

    format: Literal[FORMAT]  # type: ignore[valid-type]
    song: SongEntry
    recipe: RecipeEntry
    sections: Annotated[list[SectionEntry], FailFast(), Field(max_length=_MOST_SECTIONS)]
    sources: Annotated[list[SourceEntry], FailFast(), Field(max_length=MOST_TAKES)]
    files: Annotated[list[StemEntry], FailFast(), Field(min_length=1, max_length=_MOST_FILES)]
    documents: Annotated[list[DocumentEntry], FailFast(), Field(max_length=_MOST_FILES)]
    versions: Annotated[dict[str, str], BeforeValidator(_few)]
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
    # Refuses text that is not UTF-8, lone surrogates and more than 200 levels.
    data = from_json(raw, allow_inf_nan=False)
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise ValueError(f'its format is not "{FORMAT}"')
    try:
        manifest = Manifest.model_validate(data)
    except ValidationError as refusal:
        raise ValueError(_words(refusal)) from refusal
    if len(set(manifest.paths)) < len(manifest.paths):
        raise ValueError("it names a file twice")
    return manifest, manifest.manifest_sha256 == checksum_of_manifest(data)


def _words(refusal: ValidationError) -> str:
    """The first faults, for a person."""
    faults = refusal.errors(include_url=False, include_context=False, include_input=False)
    words = [f"{'.'.join(map(str, fault['loc']))[:_SHOWN_CHARACTERS]}: "
             f"{fault['msg'].removeprefix('Value error, ')[:_SHOWN_CHARACTERS]}" for fault in faults[:_SHOWN_FAULTS]]
    more = f"; and {len(faults) - _SHOWN_FAULTS} more" if len(faults) > _SHOWN_FAULTS else ""
    return one_line("; ".join(words) + more)

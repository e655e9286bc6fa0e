"""A bounce found on a disk: its manifest read without trust, and every name in it kept inside its folder."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from layerpipe.core.errors import LayerpipeError
from layerpipe.core.files.atomic_folder import LITTER
from layerpipe.outputs.bounce.delivery_sheet import MANIFEST, MOST_MANIFEST_BYTES, RECIPE
from layerpipe.outputs.bounce.manifest import FORMAT, seal_of
from layerpipe.outputs.verify.stem_file import is_plain_file

MOST_FILES = 1_000
_FILE_KEYS = {"path": str, "kind": str, "sha256": str, "channels": int, "rate_hz": int, "frames": int, "bit_depth": int}


class NotABounceError(LayerpipeError):
    """A folder that is no bounce, or whose manifest cannot be what layerpipe wrote; exit code 2."""

    exit_code = 2


@dataclass(frozen=True)
class OpenBounce:
    """A bounce and what its manifest tells."""

    folder: Path
    told: dict[str, Any]
    sealed: bool
    """Whether the manifest is word for word what was written."""

    @property
    def files(self) -> list[dict[str, Any]]:
        """The stems: takes, layers, blend."""
        return list(self.told["files"])

    @property
    def papers(self) -> list[dict[str, Any]]:
        """Recipe and sheet, with their digests."""
        return list(self.told.get("papers", []))

    @property
    def own(self) -> set[str]:
        """Every file that belongs here."""
        return {MANIFEST, RECIPE, *(file["path"] for file in (*self.files, *self.papers))}

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return int(self.told["song"]["rate_hz"])

    @property
    def time_reference_frames(self) -> int:
        """Frames since midnight at which the files begin."""
        return int(self.told["song"]["time_reference_frames"])

    def path_of(self, file: dict[str, Any]) -> Path:
        """Where a file lies."""
        return self.folder / str(file["path"])

    def foreign(self) -> list[str]:
        """Files, links and empty folders that are not the bounce's, with slashes."""
        folders = {parent for name in self.own for parent in PurePosixPath(name).parents}
        found = []
        for path in _inside(self.folder):
            name = path.relative_to(self.folder).as_posix()
            is_folder = path.is_dir() and not path.is_symlink()
            if name in self.own or path.name in LITTER or (is_folder and PurePosixPath(name) in folders):
                continue
            if not is_folder or not any(path.iterdir()):
                found.append(name)
        return sorted(found)


def open_bounce(folder: Path) -> OpenBounce:
    """Read a bounce's manifest.

    Raises
    ------
    NotABounceError
        If there is none, or it is damaged or names files outside the folder.
    """
    if not folder.exists():
        raise NotABounceError(f"{folder}: there is no such folder")
    if not folder.is_dir():
        raise NotABounceError(f"{folder}: is no folder; a bounce is one, with {MANIFEST} in it")
    path = folder / MANIFEST
    if not is_plain_file(path):
        raise NotABounceError(f"{folder}: is no bounce; there is no {MANIFEST} in it")
    try:
        if path.stat().st_size > MOST_MANIFEST_BYTES:
            raise ValueError(f"has more than {MOST_MANIFEST_BYTES} bytes")
        told = json.loads(path.read_text("utf-8"))
        _refuse_strange(told)
    except OSError as refusal:
        raise NotABounceError(f"{path}: cannot be read: {refusal.strerror or refusal}") from refusal
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as refusal:
        raise NotABounceError(f"{path}: is damaged, or was not written by layerpipe: {_words(refusal)}") from refusal
    return OpenBounce(folder, told, sealed=told.get("seal") == seal_of(told))


def figure(value: Any) -> float | None:
    """A figure of a manifest: "-inf" and "inf" are numbers again; None where nothing could be measured."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    try:
        number = float(value)
    except (ValueError, OverflowError):
        return None
    return None if math.isnan(number) else number


def _refuse_strange(told: Any) -> None:
    """Raise for what no manifest of ours looks like."""
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise ValueError(f'it does not call itself "{FORMAT}"')
    song = told["song"]
    int(song["rate_hz"]), int(song["frames"]), int(song["time_reference_frames"])
    for kind in ("files", "papers", "sources", "sections"):
        if not isinstance(told[kind], list) or len(told[kind]) > MOST_FILES:
            raise ValueError(f'"{kind}" is no list of at most {MOST_FILES}')
    for file in told["files"]:
        for key, wanted in _FILE_KEYS.items():
            if not isinstance(file[key], wanted):
                raise ValueError(f'a file has no "{key}"')
    for file in (*told["files"], *told["papers"]):
        parts = PurePosixPath(file["path"]).parts
        if not parts or ".." in parts or parts[0] == "/" or "\\" in file["path"] or "\0" in file["path"]:
            raise ValueError(f'it names {file["path"]!r}, which is not inside the folder')
    names = [file["path"] for file in told["files"]]
    if len(set(names)) < len(names):
        raise ValueError("it names a file twice")


def _words(refusal: Exception) -> str:
    """What is wrong, for a person."""
    return f"{refusal} is missing" if isinstance(refusal, KeyError) else str(refusal)


def _inside(folder: Path) -> Iterator[Path]:
    """Everything below a folder; links are named, not followed."""
    for path in sorted(folder.iterdir()):
        yield path
        if path.is_dir() and not path.is_symlink():
            yield from _inside(path)

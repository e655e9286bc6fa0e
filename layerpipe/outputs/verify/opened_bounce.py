"""A bounce on a disk: its manifest, read through a model, and the paths of its files, all inside its folder."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path, PurePosixPath

from layerpipe.core.errors import LayerpipeError
from layerpipe.core.files.atomic_folder import LITTER
from layerpipe.core.files.regular import is_regular
from layerpipe.core.text import one_line
from layerpipe.outputs.bounce.delivery_sheet import RECIPE
from layerpipe.outputs.bounce.manifest import MANIFEST
from layerpipe.outputs.bounce.manifest_model import DocumentEntry, Manifest, StemEntry, read_manifest


class NotABounceError(LayerpipeError):
    """A folder that is not a bounce, or whose manifest layerpipe did not write; exit code 2."""

    exit_code = 2


@dataclass(frozen=True)
class OpenBounce:
    """A bounce and its manifest."""

    folder: Path
    manifest: Manifest
    manifest_unchanged: bool
    """Whether the manifest's own checksum matches."""

    @property
    def files(self) -> list[StemEntry]:
        """The stems: takes, layers, blend."""
        return self.manifest.files

    @property
    def blend(self) -> StemEntry | None:
        """The blend's entry."""
        return next((file for file in self.files if file.kind == "blend"), None)

    @property
    def layers(self) -> list[StemEntry]:
        """The layers' entries."""
        return [file for file in self.files if file.kind == "layer"]

    @cached_property
    def own(self) -> frozenset[str]:
        """The path of every file that belongs here."""
        return frozenset((MANIFEST, RECIPE, *self.manifest.paths))

    def path_of(self, file: StemEntry | DocumentEntry) -> Path:
        """The path of a file."""
        return self.folder / file.path

    def extra(self) -> list[str]:
        """Files, links and empty folders that the bounce did not write, with slashes."""
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
    shown = one_line(str(folder))
    if not folder.exists():
        raise NotABounceError(f"{shown}: there is no such folder")
    if not folder.is_dir():
        raise NotABounceError(f"{shown}: is not a folder; a bounce is a folder with {MANIFEST} in it")
    path = folder / MANIFEST
    if not is_regular(path):
        raise NotABounceError(f"{shown}: is not a bounce folder; there is no {MANIFEST} in it")
    try:
        manifest, unchanged = read_manifest(path)
    except OSError as refusal:
        raise NotABounceError(f"{shown}/{MANIFEST}: cannot be read: {refusal.strerror or refusal}") from refusal
    except ValueError as refusal:
        raise NotABounceError(f"{shown}/{MANIFEST}: is damaged, or layerpipe did not write it: "
                              f"{one_line(str(refusal))}") from refusal
    return OpenBounce(folder, manifest, unchanged)


def _inside(folder: Path) -> Iterator[Path]:
    """Everything below a folder; links are listed, not followed."""
    for path in sorted(folder.iterdir()):
        yield path
        if path.is_dir() and not path.is_symlink():
            yield from _inside(path)

"""The pages of one run and their sounds, which are kept as files so that memory does not grow with the song.

A sound is named by its checksum: a newer version shares what has not changed, with this server and with the browser's
own memory. Sounds of the last versions stay, because an older page may be open.
"""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from layerpipe.core.files.atomic import write_whole
from layerpipe.outputs.artist_page import PageAddresses, PageSection, PageSong, PageSound, build_page
from layerpipe.outputs.artist_page.player import aac_of_flac
from layerpipe.server.limits import ServerLimits

_NAME = re.compile(r"([0-9a-f]{32})\.(flac|m4a)")
MEDIA = {"flac": "audio/flac", "m4a": "audio/mp4"}
VERSIONS_KEPT = 3


@dataclass(frozen=True)
class Version:
    """One version of the page."""

    number: int
    page: bytes
    names: frozenset[str]
    """Names of its sounds, without ending."""


@dataclass
class StoredSounds:
    """Sounds of a version in the making: names by section, number and piece, and players by section."""

    sounds: dict[str, list[list[str]]] = field(default_factory=dict)
    players: dict[str, str] = field(default_factory=dict)


class SharedPages:
    """Versions of one song's page.

    Parameters
    ----------
    folder : Path
        An empty folder of this run's own.
    limits : ServerLimits
    """

    def __init__(self, folder: Path, limits: ServerLimits) -> None:
        self._folder, self._limits = folder, limits
        self._versions: list[Version] = []
        self._encoding = threading.Lock()

    @property
    def newest(self) -> Version:
        """The version that is shown."""
        return self._versions[-1]

    def store(self, section: PageSection, stored: StoredSounds) -> PageSection:
        """Move a section's sounds into files; the section that comes back holds none."""
        stored.sounds[section.name] = [[self.write(piece.flac, "flac") for piece in sound.pieces]
                                       for sound in section.sounds]
        if section.player:
            stored.players[section.name] = self.write(section.player, "m4a")
        layers = tuple(replace(layer, sound=_without_text(layer.sound)) for layer in section.layers)
        bed = None if section.bed is None else _without_text(section.bed)
        # An empty player would be a silent one.
        return replace(section, layers=layers, bed=bed, player=section.player[:1])

    def publish(self, song: PageSong, stored: StoredSounds) -> Version:
        """Show a new version, of a song whose sounds are stored."""
        names = [section.name for section in song.sections]
        used = frozenset([*(name for sounds in stored.sounds.values() for pieces in sounds for name in pieces),
                          *stored.players.values()])
        addresses = PageAddresses(
            sound=lambda n, k, piece, kind: f"sound/{stored.sounds[names[n]][k][piece]}.{kind}",
            player=lambda n: f"sound/{stored.players[names[n]]}.m4a" if names[n] in stored.players else "")
        return self.publish_page(lambda number: build_page(
            song, served=addresses, version=number, most_answer_bytes=self._limits.most_post_bytes), used)

    def publish_page(self, build: Callable[[int], bytes], used: frozenset[str]) -> Version:
        """Show a new version; `build` makes the page of its number, `used` are the names of its stored sounds."""
        number = self.newest.number + 1 if self._versions else 1
        version = Version(number, build(number), used)
        self._versions = [*self._versions, version][-VERSIONS_KEPT:]
        self._remove_unused()
        return version

    def file(self, name: str) -> tuple[Path, str] | None:
        """File and media type of a sound; None for every other name. AAC is encoded when it is first asked for."""
        found = _NAME.fullmatch(name)
        if found is None or not any(found[1] in version.names for version in self._versions):
            return None
        path = self._folder / name
        flac = path.with_suffix(".flac")
        if found[2] == "m4a" and not path.exists():
            with self._encoding:
                if not path.exists() and flac.exists():
                    aac_of_flac(flac, path)
        return (path, MEDIA[found[2]]) if path.exists() else None

    def write(self, content: bytes, kind: str) -> str:
        """Write a sound under its checksum, which is returned, if it is not there yet."""
        name = hashlib.sha256(content).hexdigest()[:32]
        path = self._folder / f"{name}.{kind}"
        if not path.exists():
            write_whole(path, content)
        return name

    def _remove_unused(self) -> None:
        """Remove the sounds of versions that are no longer kept."""
        kept = frozenset().union(*(version.names for version in self._versions))
        for path in self._folder.iterdir():
            found = _NAME.fullmatch(path.name)
            if found and found[1] not in kept:
                path.unlink(missing_ok=True)


def _without_text(sound: PageSound) -> PageSound:
    """A sound that was stored."""
    return replace(sound, pieces=tuple(replace(piece, text=b"") for piece in sound.pieces))

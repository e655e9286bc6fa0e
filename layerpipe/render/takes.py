"""The takes of a recipe, each opened at the song's rate and length.

Every file, the bed's included, is examined before anything is rendered, and all faults are reported at once. A take at
another rate is converted; a shorter one is padded with digital silence to the longest, never cut.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from layerpipe.audio_files.info import channel_problem, is_unchanged, source_digest
from layerpipe.audio_files.reader import FileFacts, SourceFile, StereoFile, inspect
from layerpipe.audio_files.resample import ConvertedSound, Readable
from layerpipe.audio_files.scan import scan
from layerpipe.core.errors import AudioError, Fault
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.panning import pan_gains
from layerpipe.recipe.model import Layer, Recipe, Take

DigestOf = Callable[[Path, Callable[[Path], str]], str]
"""Remembers checksums: called with a file and a function that finds its checksum, it may know it from last time."""


class PaddedSound:
    """A sound followed by digital silence up to a length; a `Sound`."""

    def __init__(self, sound: Sound, frames: int) -> None:
        self._sound, self._frames = sound, frames

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return self._sound.rate_hz

    @property
    def frames(self) -> int:
        """Length in frames, with the silence."""
        return self._frames

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop; zeros past the end of the sound."""
        return _read_padded(self._sound, self._sound.frames, start, stop)


@dataclass(frozen=True)
class OpenTake:
    """A take that can be read: at the song's rate, padded to the longest take."""

    layer: Layer
    take: Take
    index: int
    """Counted from 0 through all layers, in the order of the recipe."""
    facts: FileFacts
    source: PaddedSound
    rate_converted_from: int | None
    _digest_of: DigestOf

    @property
    def frames(self) -> int:
        """Length in frames: that of the longest take."""
        return self.source.frames

    @functools.cached_property
    def digest(self) -> str:
        """SHA-256 of the file's bytes."""
        return self._digest_of(self.facts.path, source_digest)

    def unchanged(self) -> bool:
        """Whether the file is still the one that was examined."""
        return is_unchanged(self.facts)


@dataclass(frozen=True)
class OpenBed:
    """The rest of the track, in stereo at the song's rate, without the recipe's gain; silent after its end."""

    facts: FileFacts
    rate_hz: int
    frames: int
    rate_converted_from: int | None
    _sound: Readable
    _digest_of: DigestOf

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop, shape (stop - start, 2).

        A stereo file is read as it is (0 dB); a mono one is panned to the centre, constant power: -3.01 dB a side.
        """
        sound = _read_padded(self._sound, self.frames, start, stop)
        return sound[:, np.newaxis] * np.array(pan_gains(0)) if sound.ndim == 1 else sound

    @functools.cached_property
    def digest(self) -> str:
        """SHA-256 of the file's bytes."""
        return self._digest_of(self.facts.path, source_digest)

    def unchanged(self) -> bool:
        """Whether the file is still the one that was examined."""
        return is_unchanged(self.facts)


def open_all(recipe: Recipe, *, rate_hz: int | None = None, digest_of: DigestOf | None = None) -> list[OpenTake]:
    """Open every take of a recipe, muted ones too, after all files have been examined.

    Parameters
    ----------
    recipe : Recipe
        With paths that can be opened as they are.
    rate_hz : int, optional
        The song's rate; without it that of the recipe, or of its first take.
    digest_of : function, optional
        Remembers checksums (`SourceNotes.digest_of`). A file whose checksum it knows was usable when last read, and
        is not read to its end again.

    Returns
    -------
    list of OpenTake
        In the order of the recipe, all of one rate and length.

    Raises
    ------
    AudioError
        All faults of all files, the bed's included.
    """
    remember = digest_of or _not_remembered
    asked = [(layer, take) for layer in recipe.layer for take in layer.take]
    uses = [(take.file, f'layer "{layer.name}", take "{take.name}"', _take_problem(take)) for layer, take in asked]
    if recipe.bed is not None:
        uses.append((recipe.bed.file, "bed", _bed_problem))
    facts = _examine(uses, remember, read_all=digest_of is not None)
    song_hz = rate_hz or recipe.song.sample_rate_hz or facts[asked[0][1].file].rate_hz
    sounds = [_at_rate(SourceFile(take.file, take.channel, facts=facts[take.file]), song_hz) for _, take in asked]
    longest = max(sound.frames for sound in sounds)
    return [
        OpenTake(layer, take, index, facts[take.file], PaddedSound(sound, longest),
                 None if facts[take.file].rate_hz == song_hz else facts[take.file].rate_hz, remember)
        for index, ((layer, take), sound) in enumerate(zip(asked, sounds, strict=True))
    ]


def open_bed(recipe: Recipe, rate_hz: int, *, digest_of: DigestOf | None = None) -> OpenBed | None:
    """Open the bed of a recipe at the song's rate; None where there is none.

    Raises
    ------
    AudioError
        If its file cannot be used.
    """
    if recipe.bed is None:
        return None
    remember = digest_of or _not_remembered
    path = recipe.bed.file
    facts = _examine([(path, "bed", _bed_problem)], remember, read_all=digest_of is not None)[path]
    source: Readable = SourceFile(path, facts=facts) if facts.channels == 1 else StereoFile(path, facts=facts)
    if facts.rate_hz == rate_hz:
        return OpenBed(facts, rate_hz, facts.frames, None, source, remember)
    converted = ConvertedSound(source, facts.frames, facts.rate_hz, rate_hz, channels=facts.channels)
    return OpenBed(facts, rate_hz, converted.frames, facts.rate_hz, converted, remember)


Use = tuple[Path, str, Callable[[FileFacts], str | None]]


def _examine(uses: list[Use], remember: DigestOf, *, read_all: bool) -> dict[Path, FileFacts]:
    """Facts of every file; all faults at once, each with the place of the recipe that names the file."""

    def examine(path: Path) -> FileFacts | AudioError:
        try:
            facts = inspect(path)
            if read_all:
                remember(path, lambda path: _digest_of_usable(facts))
            else:
                scan(facts)
        except AudioError as refusal:
            return refusal
        return facts

    paths = list(dict.fromkeys(path for path, _, _ in uses))
    with ThreadPoolExecutor(min(len(paths), os.cpu_count() or 1)) as pool:
        found = dict(zip(paths, pool.map(examine, paths), strict=True))
    faults = []
    for path, place, problem_of in uses:
        seen = found[path]
        if isinstance(seen, AudioError):
            faults += [Fault(fault.file, place, fault.problem) for fault in seen.faults]
        elif problem := problem_of(seen):
            faults.append(Fault(path, place, problem))
    if faults:
        raise AudioError(faults)
    return {path: seen for path, seen in found.items() if isinstance(seen, FileFacts)}


def _digest_of_usable(facts: FileFacts) -> str:
    """Checksum of a file that was read to its end; so a known checksum proves that it can be."""
    scan(facts)
    return source_digest(facts.path)


def _not_remembered(path: Path, digest: Callable[[Path], str]) -> str:
    """Remembers nothing."""
    return digest(path)


def _take_problem(take: Take) -> Callable[[FileFacts], str | None]:
    """What is wrong with a file as this take."""
    return lambda facts: channel_problem(facts, take.channel)


def _bed_problem(facts: FileFacts) -> str | None:
    """What is wrong with a file as the bed."""
    return None if facts.channels <= 2 else f"has {facts.channels} channels; a bed has 1 or 2"


def _at_rate(source: SourceFile, rate_hz: int) -> Sound:
    """The source itself, or converted."""
    if source.rate_hz == rate_hz:
        return source
    return ConvertedSound(source, source.frames, source.rate_hz, rate_hz)


def _read_padded(sound: Readable, frames: int, start: int, stop: int) -> FloatArray:
    """Frames start to stop of a sound, zeros past its end."""
    inside = sound.read(min(start, frames), min(stop, frames))
    if len(inside) == stop - start:
        return inside
    return np.concatenate([inside, np.zeros((stop - start - len(inside), *inside.shape[1:]))])

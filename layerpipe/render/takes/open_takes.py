"""The takes of a recipe, each opened at the song's rate and length.

Every file, the bed's included, is examined before anything is rendered, and all faults are reported at once. A file at
another rate is converted; a take that ends before the longest is padded with digital silence, never cut.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from layerpipe.audio_files.info import is_unchanged, source_digest
from layerpipe.audio_files.reader import FileFacts, SourceFile, StereoFile, inspect
from layerpipe.audio_files.resample import ConvertedSound, Readable
from layerpipe.audio_files.scan import digest_of_usable, scan
from layerpipe.core.errors import AudioError, Fault
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.core.units import frames_of_s
from layerpipe.dsp.panning import pan_gains
from layerpipe.dsp.splicing import FrameMove
from layerpipe.recipe.model.recipe import Layer, Recipe, Take
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes.moves import MovedTake, frame_moves
from layerpipe.render.takes.passes import Comp, DigestOf, OpenMic, OpenPass, mic_problem, open_pass
from layerpipe.render.takes.placing import stamp_problem, start_of

FactsOf = Callable[[Path], FileFacts]
Use = tuple[Path, str, Callable[[FileFacts], str | None]]


class OpenTake(Struct, frozen=True, dict=True):
    """A take that can be read: its passes at the song's rate, all padded to the longest take."""

    layer: Layer
    take: Take
    index: int
    """Counted from 0 through all layers, in the order of the recipe."""
    passes: tuple[OpenPass, ...]
    comp: Comp
    frames: int
    """Length in frames: that of the longest take."""
    tempo_map: TempoMap

    @property
    def main(self) -> OpenMic:
        """First file of the pass that is heard where the comp names no other."""
        return self.passes[self.take.played].mics[0]

    @property
    def facts(self) -> FileFacts:
        """Facts of the main file."""
        return self.main.facts

    @property
    def is_plain(self) -> bool:
        """Whether one file is heard as it is, from the start of the song."""
        return len(self.passes) == 1 and self.passes[0].is_plain

    @functools.cached_property
    def pass_sounds(self) -> tuple[Sound, ...]:
        """Every pass at its place, without its moves."""
        return tuple(one.sound(self.frames) for one in self.passes)

    @functools.cached_property
    def source(self) -> Sound:
        """The take as recorded: placed and comped, without its moves."""
        return self.comp.play(self.pass_sounds)

    @functools.cached_property
    def span(self) -> tuple[int, int]:
        """Frames of the song between which files are heard."""
        return _heard(self.passes, self.comp, self.frames)

    def files(self) -> list[OpenMic]:
        """The files that are heard anywhere."""
        return [mic for number in self.comp.sounding for mic in self.passes[number].mics]

    def pass_at(self, frame: int) -> int:
        """Which pass is heard at a frame, counted from 0."""
        spans = self.comp.spans(self.frames)
        return next((number for start, stop, number in spans if start <= frame < stop), spans[-1][2])

    @functools.cached_property
    def moved_passes(self) -> tuple[Sound, ...]:
        """Every pass at its place; those that are heard with their moves. Raises as `frame_moves` and `MovedTake`."""
        moves = [frame_moves(one.one, self.tempo_map, self.source.rate_hz) if number in self.comp.sounding else []
                 for number, one in enumerate(self.passes)]
        return tuple(MovedTake(sound, found) if found else sound
                     for sound, found in zip(self.pass_sounds, moves, strict=True))

    def played(self) -> Sound:
        """The take as it is heard: the moves of each pass, then the comp. Raises as `frame_moves` and `MovedTake`."""
        return self.comp.play(self.moved_passes)

    def heard_moves(self) -> list[FrameMove]:
        """The moves of every pass, cut to where it is heard, in order of time. Raises as `frame_moves`."""
        found = []
        for start, stop, number in self.comp.spans(self.frames):
            for move in frame_moves(self.passes[number].one, self.tempo_map, self.source.rate_hz):
                if len(self.comp.joints) == 0:
                    found.append(move)
                elif move.start < stop and move.stop > start:
                    found.append(replace(move, start=max(move.start, start), stop=min(move.stop, stop)))
        return sorted(found, key=lambda move: move.start)

    def joint_spans(self, reach_s: float) -> list[tuple[float, float]]:
        """Seconds around the joints of the comp."""
        joints_s = [joint.stop / self.source.rate_hz for joint in self.comp.joints]
        return [(at_s - reach_s, at_s + reach_s) for at_s in joints_s]

    def unchanged(self) -> bool:
        """Whether the files are still those that were examined."""
        return all(mic.unchanged() for mic in self.files())


class OpenBed(Struct, frozen=True, dict=True):
    """The rest of the track, in stereo at the song's rate, without the recipe's gain; silent before and after it."""

    facts: FileFacts
    rate_hz: int
    start: int
    """Frame of the song at which it begins; may be negative."""
    frames: int
    rate_converted_from: int | None
    _sound: Readable
    _digest_of: DigestOf

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop, shape (stop - start, 2).

        A stereo file is read as it is (0 dB); a mono one is panned to the centre, constant power: -3.01 dB a side.
        """
        sound = _read_padded(self._sound, self.frames, start - self.start, stop - self.start)
        return sound[:, np.newaxis] * np.array(pan_gains(0)) if sound.ndim == 1 else sound

    @functools.cached_property
    def key(self) -> list[str | int]:
        """What shapes its sound: SHA-256 of the file's bytes, and its place unless it begins with the song."""
        return [self._digest_of(self.facts.path, source_digest), *([self.start] if self.start else [])]

    def unchanged(self) -> bool:
        """Whether the file is still the one that was examined."""
        return is_unchanged(self.facts)


def open_all(recipe: Recipe, *, rate_hz: int | None = None, digest_of: DigestOf | None = None,
             facts_of: FactsOf = inspect) -> list[OpenTake]:
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
    facts_of : function, optional
        Remembers facts (`SourceNotes.facts_of`).

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
    uses = [use for layer, take in asked for use in _uses(recipe, layer, take)]
    if recipe.bed is not None:
        uses.append((recipe.bed.file, "bed", functools.partial(_bed_problem, recipe)))
    facts = _examine(uses, remember, facts_of, read_all=digest_of is not None)
    song_hz = rate_hz or recipe.song.sample_rate_hz or facts[_main_file(asked[0][1])].rate_hz
    tempo_map = TempoMap.of(recipe)
    opened = [(tuple(open_pass(one, [facts[mic.file] for mic in one.every_mic], song_hz, tempo_map,
                               recipe.song.time_reference_s, remember) for one in take.every_pass),
               Comp.of(take, tempo_map, song_hz)) for _, take in asked]
    longest = max(_heard(passes, comp)[1] for passes, comp in opened)
    if longest <= 0:
        raise AudioError([Fault(_main_file(asked[0][1]), "", "every take ends before the song begins; see starts")])
    return [OpenTake(layer, take, index, passes, comp, longest, tempo_map)
            for index, ((layer, take), (passes, comp)) in enumerate(zip(asked, opened, strict=True))]


def _main_file(take: Take) -> Path:
    """First file of the pass that is heard where the comp names no other."""
    return take.every_pass[take.played].every_mic[0].file


def _uses(recipe: Recipe, layer: Layer, take: Take) -> Iterator[Use]:
    """Every file of a take, its place in the recipe, and what would be wrong with it there."""
    for one in take.every_pass:
        place = f'layer "{layer.name}", take "{take.name}"' + (f', pass "{one.name}"' if take.passes else "")
        for mic in one.every_mic:
            yield mic.file, place, functools.partial(mic_problem, mic, one, recipe.song.time_reference_s)


def _heard(passes: Sequence[OpenPass], comp: Comp, frames: int | None = None) -> tuple[int, int]:
    """Frames between which files are heard; (0, 0) if they are not heard at all."""
    end = max(one.stop for one in passes) if frames is None else frames
    found = [(max(start, passes[number].start), min(stop, passes[number].stop))
             for start, stop, number in comp.spans(end)]
    found = [(start, stop) for start, stop in found if start < stop]
    return (min(start for start, _ in found), max(stop for _, stop in found)) if found else (0, 0)


def open_bed(recipe: Recipe, rate_hz: int, *, digest_of: DigestOf | None = None,
             facts_of: FactsOf = inspect) -> OpenBed | None:
    """Open the bed of a recipe at the song's rate; None where there is none. Functions as for `open_all`.

    Raises
    ------
    AudioError
        If its file cannot be used.
    """
    if recipe.bed is None:
        return None
    remember = digest_of or _not_remembered
    path = recipe.bed.file
    facts = _examine([(path, "bed", functools.partial(_bed_problem, recipe))], remember, facts_of,
                     read_all=digest_of is not None)[path]
    start = frames_of_s(start_of(recipe.bed.starts, facts, TempoMap.of(recipe), recipe.song.time_reference_s), rate_hz)
    source: Readable = SourceFile(path, facts=facts) if facts.channels == 1 else StereoFile(path, facts=facts)
    if facts.rate_hz == rate_hz:
        return OpenBed(facts, rate_hz, start, facts.frames, None, source, remember)
    converted = ConvertedSound(source, facts.frames, facts.rate_hz, rate_hz, channels=facts.channels)
    return OpenBed(facts, rate_hz, start, converted.frames, facts.rate_hz, converted, remember)


def _examine(uses: list[Use], remember: DigestOf, facts_of: FactsOf, *, read_all: bool) -> dict[Path, FileFacts]:
    """Facts of every file; all faults at once, each with the place of the recipe that names the file."""

    def examine(path: Path) -> FileFacts | AudioError:
        try:
            facts = facts_of(path)
            if read_all:
                remember(path, lambda path: digest_of_usable(facts))
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


def _not_remembered(path: Path, digest: Callable[[Path], str]) -> str:
    """Remembers nothing."""
    return digest(path)


def _bed_problem(recipe: Recipe, facts: FileFacts) -> str | None:
    """What is wrong with a file as the bed."""
    assert recipe.bed is not None
    if facts.channels > 2:
        return f"has {facts.channels} channels; a bed has 1 or 2"
    return stamp_problem(recipe.bed.starts, facts, recipe.song.time_reference_s)


def _read_padded(sound: Readable, frames: int, start: int, stop: int) -> FloatArray:
    """Frames start to stop of a sound, zeros before its beginning and past its end."""
    first, last = (min(max(at, 0), frames) for at in (start, stop))
    inside = sound.read(first, last)
    if len(inside) == stop - start:
        return inside
    before = min(max(-start, 0), stop - start)
    after = stop - start - before - len(inside)
    return np.pad(inside, ((before, after), *((0, 0) for _ in inside.shape[1:])))

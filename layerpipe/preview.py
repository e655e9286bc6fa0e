"""Listening files: per section and for the whole song each layer alone, the blend, and the blend in the track.

All versions of one section come to one loudness: the recipe's, or the highest at which none passes the ceiling.
Loudness is measured over the file as it is heard, lead-in and ring-out included, from the energies; peaks are true
peaks before the encoder. The encoders for the phone come with a library; nothing here goes back into the signal path.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from layerpipe.dsp.dither import to_pcm
from layerpipe.dsp.loudness import STEPS_PER_S, step_start, step_starts
from layerpipe.dsp.truepeak import TruePeakMeter
from layerpipe.encoding import encode, prepare
from layerpipe.energies import Energies, Gains, hear
from layerpipe.errors import Fault, OutputError, RecipeError
from layerpipe.recipe import Layer
from layerpipe.sound import BLOCK_FRAMES, FloatArray
from layerpipe.units import frames_of_s, gain_of_db
from layerpipe.voiced import Stretch, VoicedSong
from layerpipe.whole import tidy_files

FADE_IN_S, FADE_OUT_S = 0.05, 0.5
ROOM_FOR_ROUNDING_DB = 0.001


@dataclass(frozen=True)
class Version:
    """One way to hear a section."""

    label: str
    layers: tuple[Layer, ...]
    with_bed: bool = False


@dataclass(frozen=True)
class Excerpt:
    """A stretch with its lead-in and ring-out, and where it fades."""

    part: Stretch
    start: int
    stop: int
    fade_in: int
    fade_out: int

    def fade(self, start: int, stop: int) -> FloatArray:
        """Gain of song frames start to stop, shape (stop - start,): raised cosines at both ends."""
        at = np.arange(start, stop)
        rise = np.clip((at - self.start) / max(self.fade_in, 1), 0, 1) if self.fade_in else np.ones(len(at))
        fall = np.clip((self.stop - at) / max(self.fade_out, 1), 0, 1) if self.fade_out else np.ones(len(at))
        gain: FloatArray = (1 - np.cos(np.pi * rise)) / 2 * (1 - np.cos(np.pi * fall)) / 2
        return gain


    def fade_of_steps(self, edges: npt.NDArray[np.int64]) -> FloatArray:
        """Effective (rms) gain of the fades in each step between edges, shape (steps,)."""
        rms = np.ones(len(edges) - 1)
        faded = (edges[:-1] < self.start + self.fade_in) | (edges[1:] > self.stop - self.fade_out)
        for step in np.flatnonzero(faded):
            rms[step] = np.sqrt(np.mean(self.fade(int(edges[step]), int(edges[step + 1])) ** 2))
        return rms


@dataclass(frozen=True)
class Listening:
    """One listening file: what it holds, how loud it is. `file` is None for a version that is silent there."""

    section: str
    version: str
    file: Path | None
    gain_db: float | None
    lufs: float | None
    true_peak_dbtp: float
    seconds: float


def versions_of(song: VoicedSong, names: Sequence[str] = ()) -> tuple[Version, ...]:
    """All versions of a song, or those named: by label, or a layer by its name.

    Raises
    ------
    RecipeError
        If a name is no version.
    """
    alone = [Version(f"{layer.name} alone", (layer,)) for layer in song.layers]
    found = [*alone, Version("blend", song.layers)] if len(alone) > 1 else [Version("blend", song.layers)]
    if song.bed is not None:
        found.append(Version("in the track", song.layers, with_bed=True))
    known = {version.label: version for version in found}
    known |= {layer.name: version for layer, version in zip(song.layers, found, strict=False)
              if layer.name not in known and version.label != "blend"}
    unknown = [name for name in names if name not in known]
    if unknown:
        allowed = ", ".join(f'"{version.label}"' for version in found)
        raise RecipeError([Fault(song.path, "--version", f'no version "{name}"; there are {allowed}')
                           for name in unknown])
    asked = {known[name].label: known[name] for name in names}
    return tuple(asked.values()) if names else tuple(found)


def excerpt_of(song: VoicedSong, part: Stretch) -> Excerpt:
    """A stretch as it is heard: a lead-in of some beats, a ring-out, short fades where the sound is cut."""
    wanted = song.recipe.preview
    lead_s = 0.0
    if part.section is not None and wanted.lead_in_beats:
        lead_s = wanted.lead_in_beats * song.clock.beat_s(part.section.bars[0])
    start = max(0, part.start - frames_of_s(lead_s, song.rate_hz))
    stop = min(song.frames, part.stop + frames_of_s(wanted.ring_out_s, song.rate_hz))
    # On a step of the energies, so that the file's own gating blocks are the ones that were measured.
    start = step_start(start * STEPS_PER_S // song.rate_hz, song.rate_hz)
    fade_in = min(frames_of_s(FADE_IN_S, song.rate_hz), part.start - start) if start > 0 else 0
    fade_out = min(frames_of_s(FADE_OUT_S, song.rate_hz), stop - part.stop) if stop < song.frames else 0
    return Excerpt(part, start, stop, fade_in, fade_out)


def make_previews(song: VoicedSong, energies: Energies, folder: Path, parts: Sequence[Stretch],
                  versions: Sequence[Version], *, workers: int,
                  advance: Callable[[float], None] = lambda share: None) -> list[Listening]:
    """Write the listening files of some sections.

    Parameters
    ----------
    song : VoicedSong
    energies : Energies
        Of the song's takes and bed.
    folder : Path
        Made if need be; files of the same name are replaced, whole.
    parts, versions : sequences
        What to write. The loudness of a section is found over all its versions, so that any of them can be made alone.
    workers : int
        Threads.
    advance : function of a share
        Told how much of the work, of 1, has been done.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        tidy_files(folder)
    except OSError as refusal:
        raise OutputError(f"{folder}: cannot be written: {refusal.strerror or refusal}") from refusal
    with ThreadPoolExecutor(workers) as pool:
        ready = pool.submit(prepare, song.recipe.preview.format)
        peaks = [[pool.submit(_true_peak_dbtp, song, excerpt_of(song, part), version) for version in versions_of(song)]
                 for part in parts]
        ready.result()
        wanted = {version.label for version in versions}
        jobs = []
        for part, found in zip(parts, peaks, strict=True):
            rows = _plan(song, energies, part, [peak.result() for peak in found])
            jobs += [pool.submit(_write, song, folder, *row) for row in rows if row[1].label in wanted]
        made = []
        for job in jobs:
            made.append(job.result())
            advance(1 / len(jobs))
    return made


Planned = tuple[Excerpt, Version, float | None, float | None, float]


def _plan(song: VoicedSong, energies: Energies, part: Stretch, peaks: Sequence[float]) -> list[Planned]:
    """Excerpt, version, gain in dB (None: silent), loudness and true peak of every version of a section."""
    excerpt = excerpt_of(song, part)
    versions = versions_of(song)
    # Loudness costs next to nothing; the peaks were looked for beforehand.
    blends = hear(energies, [_faded(song, excerpt, version) for version in versions], excerpt.start, excerpt.stop)
    lufs = [blend.readings(excerpt.start, excerpt.stop).integrated_lufs for blend in blends]
    # A layer that rests here may sound in the lead-in or the ring-out; that is no version of this section.
    lufs = [-math.inf if _rests(song, part, version) else loud for version, loud in zip(versions, lufs, strict=True)]
    gains = equal_gains_db(lufs, peaks, song.recipe.preview.loudness_lufs, song.recipe.preview.ceiling_dbtp)
    return [(excerpt, version, gain, None if loud is None or gain is None else loud + gain,
             peak if gain is None else peak + gain)
            for version, gain, loud, peak in zip(versions, gains, lufs, peaks, strict=True)]


def _rests(song: VoicedSong, part: Stretch, version: Version) -> bool:
    """Whether the recipe silences all of a version in a section."""
    levels_db = [song.recipe.level_db(layer, part.section) for layer in version.layers]
    return part.section is not None and not version.with_bed and max(levels_db) == -math.inf


def equal_gains_db(lufs: Sequence[float | None], true_peaks_dbtp: Sequence[float], wanted_lufs: float,
                   ceiling_dbtp: float) -> list[float | None]:
    """Gains that bring every version to one loudness, as high as wanted and as the ceiling lets it be.

    Parameters
    ----------
    lufs : sequence of float or None
        Integrated loudness of each; None is not measurable, -inf silence.
    true_peaks_dbtp : sequence of float
    wanted_lufs, ceiling_dbtp : float

    Returns
    -------
    list of float or None
        dB; None for a silent version. Where nothing can be measured (under 400 ms) all are lowered alike.
    """
    measured = [(loud, peak) for loud, peak in zip(lufs, true_peaks_dbtp, strict=True)
                if loud is not None and math.isfinite(loud)]
    if measured:
        loudness = min(wanted_lufs, *(ceiling_dbtp - ROOM_FOR_ROUNDING_DB - peak + loud for loud, peak in measured))
        return [None if loud == -math.inf or loud is None else loudness - loud for loud in lufs]
    highest = max(true_peaks_dbtp)
    alike = 0.0 if highest == -math.inf else min(0.0, ceiling_dbtp - highest)
    return [None if peak == -math.inf else alike for peak in true_peaks_dbtp]


def _faded(song: VoicedSong, excerpt: Excerpt, version: Version) -> tuple[Gains, Gains]:
    """A version's gains of both sides in every step, fades included."""

    def side(n: int) -> Gains:
        rows = song.rows(version.layers, n)

        def faded(first: int, stop: int) -> FloatArray:
            gains = rows(first, stop)
            if version.with_bed:
                gains = gains + song.bed_row(n)
            return gains * excerpt.fade_of_steps(step_starts(first, stop, song.rate_hz))[:, None]

        return faded

    return side(0), side(1)


def _heard(song: VoicedSong, excerpt: Excerpt, version: Version) -> Iterator[FloatArray]:
    """A version of an excerpt, block by block, each (frames, 2), faded."""
    for at, blocks in song.blocks(excerpt.start, excerpt.stop, BLOCK_FRAMES):
        end = at + len(blocks[0])
        sound = song.layer_of(version.layers[0], blocks, at)
        for layer in version.layers[1:]:
            sound += song.layer_of(layer, blocks, at)
        if version.with_bed and song.bed is not None:
            sound += song.bed.read(at, end) * song.bed_gain
        if at < excerpt.start + excerpt.fade_in or end > excerpt.stop - excerpt.fade_out:
            sound *= excerpt.fade(at, end)[:, None]
        yield sound


def _true_peak_dbtp(song: VoicedSong, excerpt: Excerpt, version: Version) -> float:
    """True peak of a version of an excerpt."""
    meter = TruePeakMeter(2)
    for sound in _heard(song, excerpt, version):
        meter.add(sound)
    return meter.peak_dbtp


def _write(song: VoicedSong, folder: Path, excerpt: Excerpt, version: Version, gain_db: float | None,
           lufs: float | None, true_peak_dbtp: float) -> Listening:
    """One listening file."""
    section, seconds = excerpt.part.name, (excerpt.stop - excerpt.start) / song.rate_hz
    if gain_db is None:
        return Listening(section, version.label, None, None, lufs, true_peak_dbtp, seconds)
    gain = gain_of_db(gain_db)
    pcm = np.empty((excerpt.stop - excerpt.start, 2), np.int32)
    at = 0
    for sound in _heard(song, excerpt, version):
        pcm[at : at + len(sound)], _ = to_pcm(sound * gain, 24)
        at += len(sound)
    song_named = song.recipe.song
    path = folder / f"{section} - {version.label}.{song.recipe.preview.format}"
    encode(path, pcm, song.rate_hz, song.recipe.preview.format, title=f"{song_named.title}: {section}, {version.label}",
           artist=song_named.artist, song=song_named.title, section=section, version=version.label)
    return Listening(section, version.label, path, gain_db, lufs, true_peak_dbtp, seconds)

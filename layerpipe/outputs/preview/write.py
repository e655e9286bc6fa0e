"""Listening files: per section and for the whole song each layer alone, the blend, and the blend in the track.

All versions of one section come to one loudness: the recipe's, or the highest at which none passes the ceiling.
Loudness is measured over the file as it is heard, lead-in and ring-out included, from the energies; peaks are true
peaks before the encoder. The encoders for the phone come with a library; nothing here goes back into the signal path.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from layerpipe.audio_files.encode import ENCODED, Tags, encode, find_encoder
from layerpipe.core.errors import Fault, OutputError, RecipeError
from layerpipe.core.sound import OnProgress
from layerpipe.core.units import gain_of_db
from layerpipe.dsp.peaks.true_peak import TruePeakMeter
from layerpipe.dsp.quantize import to_pcm
from layerpipe.outputs.preview.excerpt import ExcerptSound, Version, excerpt_of, faded_gains
from layerpipe.render.energies.readings import Energies, hear
from layerpipe.render.song import ProcessedSong, Stretch

ROOM_FOR_ROUNDING_DB = 0.001
_KEPT_BYTES = 48 << 20


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


def versions_of(song: ProcessedSong, names: Sequence[str] = ()) -> tuple[Version, ...]:
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


def make_previews(song: ProcessedSong, energies: Energies, folder: Path, parts: Sequence[Stretch],
                  versions: Sequence[Version], *, workers: int,
                  on_progress: OnProgress = lambda share: None) -> list[Listening]:
    """Write the listening files of some sections.

    Parameters
    ----------
    song : ProcessedSong
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
    except OSError as refusal:
        raise OutputError(f"{folder}: cannot be written: {refusal.strerror or refusal}") from refusal
    wanted = {version.label for version in versions}
    left = _KEPT_BYTES
    with ThreadPoolExecutor(workers) as pool, ThreadPoolExecutor(workers) as meters:
        if song.recipe.preview.format in ENCODED:
            # Looking for the encoder takes a moment that the plan does not need.
            pool.submit(find_encoder)
        jobs = []
        for part in parts:
            excerpt = excerpt_of(song, part)
            weight = 4 * len(song.takes) * (excerpt.stop - excerpt.start)
            sound = ExcerptSound(song, excerpt, keep=weight <= left)
            left -= weight if sound.keep else 0
            rows = _plan(song, energies, sound, meters)
            jobs += [pool.submit(_write, sound, folder, row) for row in rows if row.version.label in wanted]
        made = []
        for job in jobs:
            made.append(job.result())
            on_progress(1 / len(jobs))
    return made


@dataclass(frozen=True)
class _Planned:
    """A version of a section: gain in dB (None: silent), loudness and true peak with that gain."""

    version: Version
    gain_db: float | None
    lufs: float | None
    true_peak_dbtp: float


def _plan(song: ProcessedSong, energies: Energies, sound: ExcerptSound, pool: ThreadPoolExecutor) -> list[_Planned]:
    """All versions of a section, whichever will be written: their loudness hangs together."""
    excerpt, versions = sound.excerpt, versions_of(song)
    peaks = _true_peaks_dbtp(sound, versions, pool)
    blends = hear(energies, [faded_gains(song, excerpt, version) for version in versions], excerpt.start, excerpt.stop)
    lufs = [blend.readings(excerpt.start, excerpt.stop).integrated_lufs for blend in blends]
    # A layer that rests here may sound in the lead-in or the ring-out; that is no version of this section.
    lufs = [-math.inf if _rests(song, excerpt.part, version) else loud
            for version, loud in zip(versions, lufs, strict=True)]
    gains = equal_gains_db(lufs, peaks, song.recipe.preview.loudness_lufs, song.recipe.preview.ceiling_dbtp)
    return [_Planned(version, gain, None if loud is None or gain is None else loud + gain,
                     peak if gain is None else peak + gain)
            for version, gain, loud, peak in zip(versions, gains, lufs, peaks, strict=True)]


def _rests(song: ProcessedSong, part: Stretch, version: Version) -> bool:
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


def _true_peaks_dbtp(sound: ExcerptSound, versions: Sequence[Version], pool: ThreadPoolExecutor) -> list[float]:
    """True peak of every version of an excerpt; a piece is mixed while the one before is measured."""
    meters = [TruePeakMeter(2) for _ in versions]
    measured: list[Future[None]] = []
    for _, sounds in sound.versions(versions):
        for future in measured:
            future.result()
        measured = [pool.submit(meter.add, one) for meter, one in zip(meters, sounds, strict=True)]
    for future in measured:
        future.result()
    return [meter.peak_dbtp for meter in meters]


def _write(sound: ExcerptSound, folder: Path, planned: _Planned) -> Listening:
    """One listening file."""
    song, excerpt, version = sound.song, sound.excerpt, planned.version
    section, seconds = excerpt.part.name, (excerpt.stop - excerpt.start) / song.rate_hz
    if planned.gain_db is None:
        return Listening(section, version.label, None, None, planned.lufs, planned.true_peak_dbtp, seconds)
    gain, kind, song_named = gain_of_db(planned.gain_db), song.recipe.preview.format, song.recipe.song
    path = folder / f"{section} - {version.label}.{kind}"
    pieces = (to_pcm(piece, 24, gain=gain)[0] for _, (piece,) in sound.versions([version]))
    encode(path, pieces, excerpt.stop - excerpt.start, song.rate_hz, kind,
           Tags(title=f"{song_named.title}: {section}, {version.label}", artist=song_named.artist,
                song=song_named.title, section=section, version=version.label))
    return Listening(section, version.label, path, planned.gain_db, planned.lufs, planned.true_peak_dbtp, seconds)

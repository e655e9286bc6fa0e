"""Listening files: per section and for the whole song each layer alone, the blend, and the blend with the track.

All versions of a section get one loudness: the recipe's, or the highest at which none exceeds the ceiling (peaks =
"lower") or is limited by more than 6 dB (peaks = "limit", see `limit`). Loudness is
that of the whole file, lead-in and tail included, from the energies; peaks are true peaks before the encoder. Files are
numbered in the order of the song, so that they sort in it; the number is the track number too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

from layerpipe.audio_files.encode import Tags, encode
from layerpipe.core.errors import Fault, OutputError, RecipeError
from layerpipe.core.sound import OnProgress
from layerpipe.core.units import db_of_gain, gain_of_db
from layerpipe.dsp.peaks.true_peak import TAPS, TruePeakMeter
from layerpipe.dsp.quantize import to_pcm
from layerpipe.outputs.preview.excerpt import ExcerptSound, Version, excerpt_of
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.mixes import measure_hops
from layerpipe.render.song import ProcessedSong, SongPart

if TYPE_CHECKING:
    from layerpipe.outputs.preview.limit import Limited

ROOM_FOR_ROUNDING_DB = 0.001
_LEAST_LIMIT_DB = 0.1
"""Sections quieter than asked by less than this are not reported: nobody hears it."""
_HELD_BYTES = 48 << 20
"""Processed sound that is held in memory between measuring and writing; the rest is read again."""


class Listening(Struct, frozen=True):
    """One listening file. `file` and `gain_db` are None for a version that is silent there and not written."""

    section: str
    version: str
    track: int
    """Its place in the order of the song, from 1, over all sections and versions of the recipe."""
    file: Path | None
    gain_db: float | None
    lufs: float | None
    true_peak_dbtp: float
    seconds: float
    gain_reduction_db: float = 0.0
    """Most that the limiter takes away; 0 where there is none."""


class LoudnessLimit(Struct, frozen=True):
    """A section that is quieter than the recipe asks, because one version's peaks would exceed the ceiling."""

    section: str
    version: str
    lowered_db: float
    lufs: float
    gain_reduction_db: float = 0.0
    """What the limiter takes away of these peaks, at most."""


class Previews(Struct, frozen=True):
    """The listening files of a run, the sections whose loudness a peak limits, and the earlier files it removed."""

    files: tuple[Listening, ...]
    limits: tuple[LoudnessLimit, ...]
    removed: tuple[Path, ...] = ()


def versions_of(song: ProcessedSong, names: Sequence[str] = ()) -> tuple[Version, ...]:
    """All versions of a song, or those named: by label, or a layer by its name.

    Raises
    ------
    RecipeError
        If there is no version of a name.
    """
    alone = [Version(f"{layer.name} alone", (layer,)) for layer in song.layers]
    found = [*alone, Version("blend", song.layers)] if len(alone) > 1 else [Version("blend", song.layers)]
    if song.bed is not None:
        found.append(Version("with the track", song.layers, with_bed=True))
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


def make_previews(song: ProcessedSong, energies: Energies, folder: Path, parts: Sequence[SongPart],
                  versions: Sequence[Version], *, workers: int,
                  before_writing: Callable[[Sequence[Path]], None] = lambda paths: None,
                  on_progress: OnProgress = lambda share: None) -> Previews:
    """Write the listening files of some sections.

    Parameters
    ----------
    song : ProcessedSong
    energies : Energies
        Of the song's takes and bed.
    folder : Path
        Created if needed; files of the same name are replaced, completely or not at all.
    parts, versions : sequences
        What to write. The loudness of a section is found over all its versions, so that any of them can be made alone.
    workers : int
        Cores.
    before_writing : function of paths
        Called with every file that may be written, before any is; it may refuse.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    wanted = {version.label for version in versions}
    order = [(part.name, version.label) for part in song.parts() for version in versions_of(song)]
    asked = {part.name for part in parts}
    before_writing([_path_of(song, folder, section, label, track, len(order))
                    for track, (section, label) in enumerate(order, start=1) if section in asked and label in wanted])
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as refusal:
        raise OutputError(f"{folder}: cannot be written: {refusal.strerror or refusal}") from refusal
    left = _HELD_BYTES
    limits = []
    # A thread that writes waits for its encoder, a process of one core: with more of them the last files of a run, or
    # three of one song on two cores, leave no core idle.
    with ThreadPoolExecutor(2 * workers - 1) as pool, ThreadPoolExecutor(workers) as meters:
        jobs = []
        for part in parts:
            excerpt = excerpt_of(song, part)
            weight = 4 * len(song.takes) * (excerpt.stop - excerpt.start)
            sound = ExcerptSound(song, excerpt, keep=weight <= left)
            left -= weight if sound.keep else 0
            planned, limit = _plan(song, energies, sound, meters, workers)
            limits += [limit] if limit else []
            first = order.index((part.name, planned[0].version.label)) + 1
            jobs += [pool.submit(_write, sound, folder, one, track, len(order))
                     for track, one in enumerate(planned, start=first) if one.version.label in wanted]
        made = []
        for job in jobs:
            made.append(job.result())
            on_progress(1 / len(jobs))
    return Previews(tuple(made), tuple(limits))


class _Planned(Struct, frozen=True):
    """A version of a section: gain in dB (None: silent), loudness and true peak with that gain, and its limiter."""

    version: Version
    gain_db: float | None
    lufs: float | None
    true_peak_dbtp: float
    limited: Limited | None = None


def _plan(song: ProcessedSong, energies: Energies, sound: ExcerptSound, pool: ThreadPoolExecutor,
          workers: int) -> tuple[list[_Planned], LoudnessLimit | None]:
    """All versions of a section, whichever will be written, and what limits their common loudness."""
    excerpt, versions, wanted = sound.excerpt, versions_of(song), song.recipe.preview
    measured = pool.submit(lambda: [measure_hops(energies, excerpt.mix_of(song, version), excerpt.start, excerpt.stop
                                                 ).integrated_lufs for version in versions])
    peaks = _true_peaks_dbtp(sound, versions, pool, workers)
    # A layer that is off here may sound in the lead-in or the tail; that is no version of this section.
    lufs = [-math.inf if _is_off(song, excerpt.part, version) else loud
            for version, loud in zip(versions, measured.result(), strict=True)]
    gains = equal_gains_db(lufs, peaks, wanted.loudness_lufs, wanted.ceiling_dbtp)
    planned = [_Planned(version, gain, None if loud is None or gain is None else loud + gain,
                        peak if gain is None else peak + gain)
               for version, gain, loud, peak in zip(versions, gains, lufs, peaks, strict=True)]
    audible = [one for one in planned if one.lufs is not None]
    if wanted.peaks == "limit" and audible:
        from layerpipe.outputs.preview.limit import limit_alike

        heard = [(n, loud, peaks[n]) for n, loud in enumerate(lufs) if loud is not None and math.isfinite(loud)]
        limited = limit_alike(sound, [versions[n] for n, _, _ in heard], [loud for _, loud, _ in heard],
                              [peak for _, _, peak in heard], wanted.loudness_lufs, wanted.ceiling_dbtp, pool)
        for (n, _, _), one in zip(heard, limited, strict=True):
            planned[n] = _Planned(versions[n], one.gain_db + one.trim_db, one.lufs, one.true_peak_dbtp, one)
        audible = [planned[n] for n, _, _ in heard]
    if not audible or audible[0].lufs is None or audible[0].lufs > wanted.loudness_lufs - _LEAST_LIMIT_DB:
        return planned, None
    limiting = max(audible, key=lambda one: (one.limited.reduction_db if one.limited else 0.0, one.true_peak_dbtp))
    return planned, LoudnessLimit(excerpt.part.name, limiting.version.label,
                                  wanted.loudness_lufs - audible[0].lufs, audible[0].lufs,
                                  limiting.limited.reduction_db if limiting.limited else 0.0)


def _is_off(song: ProcessedSong, part: SongPart, version: Version) -> bool:
    """Whether every layer of a version is off in a section."""
    levels_db = [song.recipe.level_db(layer, part.section) for layer in version.layers]
    return part.section is not None and not version.with_bed and max(levels_db) == -math.inf


def equal_gains_db(lufs: Sequence[float | None], true_peaks_dbtp: Sequence[float], wanted_lufs: float,
                   ceiling_dbtp: float) -> list[float | None]:
    """Gains that bring every version to one loudness, as high as wanted and as the ceiling allows.

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


def _true_peaks_dbtp(sound: ExcerptSound, versions: Sequence[Version], pool: ThreadPoolExecutor,
                     workers: int) -> list[float]:
    """True peak of every version of an excerpt; every core measures a span of it."""
    first, *others = sound.spans(workers)
    submitted = [pool.submit(_peaks_of_span, sound, versions, *span) for span in others]
    found = [_peaks_of_span(sound, versions, *first), *(future.result() for future in submitted)]
    return [db_of_gain(max(peaks)) for peaks in zip(*found, strict=True)]


def _peaks_of_span(sound: ExcerptSound, versions: Sequence[Version], start: int, stop: int) -> list[float]:
    """True peak of every version between two frames, as a factor; what lies between spans belongs to the later one."""
    meters = [TruePeakMeter(2) for _ in versions]
    begin, end = sound.excerpt.start, sound.excerpt.stop
    if start > begin:
        for _, sounds in sound.versions(versions, max(begin, start - TAPS), start):
            for meter, one in zip(meters, sounds, strict=True):
                meter.add(one)
        for meter in meters:
            meter.next_part()
    for _, sounds in sound.versions(versions, start, stop):
        for meter, one in zip(meters, sounds, strict=True):
            meter.add(one)
    return [float((meter.peak if stop == end else meter.next_part()).max()) for meter in meters]


def _path_of(song: ProcessedSong, folder: Path, section: str, label: str, track: int, tracks: int) -> Path:
    """The file of one version of a section; numbered, so that names sort in the order of the song."""
    return folder / f"{track:0{max(2, len(str(tracks)))}d} {section} - {label}.{song.recipe.preview.format}"


def _levels_text(song: ProcessedSong, part: SongPart, version: Version) -> str:
    """The levels of a version's layers: in a section, or in the whole song with the sections that differ."""
    def text(level_db: float) -> str:
        return "off" if level_db == -math.inf else f"{level_db:g} dB"

    found = []
    for layer in version.layers:
        level = song.recipe.level_db(layer, part.section)
        others = [f"{section.name} {text(own)}" for section in song.recipe.section
                  if part.section is None and (own := song.recipe.level_db(layer, section)) != level]
        found.append(f"{layer.name} {text(level)}" + (f" ({', '.join(others)})" if others else ""))
    return ", ".join(found)


def _write(sound: ExcerptSound, folder: Path, planned: _Planned, track: int, tracks: int) -> Listening:
    """One listening file."""
    song, excerpt, version = sound.song, sound.excerpt, planned.version
    section, seconds = excerpt.part.name, (excerpt.stop - excerpt.start) / song.rate_hz
    if planned.gain_db is None:
        return Listening(section, version.label, track, None, None, planned.lufs, planned.true_peak_dbtp, seconds)
    gain, kind, named = gain_of_db(planned.gain_db), song.recipe.preview.format, song.recipe.song
    path = _path_of(song, folder, section, version.label, track, tracks)
    if planned.limited is not None:
        pieces = (to_pcm(piece, 24)[0] for piece in planned.limited.sound(sound, version))
    else:
        pieces = (to_pcm(piece, 24, gain=gain)[0] for _, (piece,) in sound.versions([version]))
    loud = "" if planned.lufs is None else f"; loudness: {planned.lufs:.1f} LUFS"
    encode(path, pieces, excerpt.stop - excerpt.start, song.rate_hz, kind,
           Tags(title=f"{named.title}: {section}, {version.label}", artist=named.artist, album=named.title, track=track,
                comment=f"section: {section}; version: {version.label}; "
                        f"levels: {_levels_text(song, excerpt.part, version)}{loud}"))
    return Listening(section, version.label, track, path, planned.gain_db, planned.lufs, planned.true_peak_dbtp,
                     seconds, 0.0 if planned.limited is None else planned.limited.reduction_db)

"""Where every file begins in the song: by Broadcast WAVE stamps, by its length, by its onsets.

The song begins where most stamped files begin. Stamps that differ by more than the song's length are times of day of
each recording and do not say where it lies.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.folder.understood import FolderFile, Start
from layerpipe.core.sound import FloatArray

ONSET_STEP_S = 0.01


@dataclass(frozen=True)
class _Limits:
    """Common practice, no source."""

    same_s: float = 0.001
    """Stamps that differ by less are one: rates round to different samples."""
    before_s: float = 60.0
    """A file may begin this much before the song."""
    believed: float = 0.8
    """Share of stamped files that must lie inside the song for any stamp to be believed."""
    short_s: float = 2.0
    """A file that is shorter than the song by more has its place in question."""
    short_share: float = 0.06
    """The same as a share of the song."""
    ends_with_s: float = 0.02
    """Files that were recorded to the end of the song end together."""
    near_s: float = 0.03
    """Onsets of two players are this close."""
    fit: float = 0.7
    """The place is believed if its onsets fit this well against the best place of all."""
    clearly: float = 1.25
    """A start with the song must fit better by this ratio than an end with it: all beats of an even song fit alike."""
    end_clearly: float = 1.1
    """The reverse; that a short file would end exactly with the others speaks for it already."""


LIMITS = _Limits()


@dataclass(frozen=True)
class Places:
    """Starts of all files, and the stamp of the song's start where stamps are used."""

    starts: dict[FolderFile, Start]
    time_reference_s: float | None
    remark: str = ""


def place_files(files: Sequence[FolderFile], heard: Sequence[FolderFile]) -> Places:
    """Place files in the song.

    Parameters
    ----------
    files : sequence of FolderFile
        Takes, bed and click track.
    heard : sequence of FolderFile
        Those of them that are takes.

    Returns
    -------
    Places
    """
    reference, remark = _song_stamp(files)
    starts: dict[FolderFile, Start] = {}
    if reference is not None:
        longest = max(file.seconds for file in files)
        for file in files:
            if file.stamp_s is None:
                continue
            offset = file.stamp_s - reference
            if abs(offset) <= LIMITS.same_s:
                starts[file] = Start()
            elif -LIMITS.before_s <= offset < longest:
                starts[file] = Start(offset, by_stamp=True)
            else:
                starts[file] = Start(unsure=f"its time stamp is {offset:+.1f} s from the song's start")
    used = any(start.by_stamp for start in starts.values())
    whole_s, together = _song_end(files, starts)
    for file in files:
        if file not in starts:
            starts[file] = _unstamped(file, heard, starts, whole_s, together=together)
    return Places(starts, reference if used else None, remark)


def _song_stamp(files: Sequence[FolderFile]) -> tuple[float | None, str]:
    """Stamp of the song's start, and what is to be said about stamps."""
    stamps = [file.stamp_s for file in files if file.stamp_s is not None]
    if len(stamps) < 2:
        return None, ""
    counts = Counter(round(stamp / LIMITS.same_s) for stamp in stamps)
    most, count = max(counts.items(), key=lambda item: (item[1], -item[0]))
    if count == 1:
        most = min(counts)
    near = [stamp for stamp in stamps if abs(stamp / LIMITS.same_s - most) <= 1]
    reference = Counter(near).most_common(1)[0][0]
    longest = max(file.seconds for file in files)
    inside = sum(-LIMITS.before_s <= stamp - reference < longest for stamp in stamps)
    if inside < LIMITS.believed * len(stamps):
        return None, ("the time stamps of the files are further apart than the song is long: they are times of day and "
                      "do not say where a file begins")
    return reference, ""


def _song_end(files: Sequence[FolderFile], starts: dict[FolderFile, Start]) -> tuple[float, bool]:
    """Where the song ends, and whether most files end there."""
    ends = sorted(starts.get(file, Start()).seconds + file.seconds for file in files)
    best = max(ends, key=lambda end: (sum(abs(other - end) < LIMITS.ends_with_s for other in ends), end))
    return best, sum(abs(other - best) < LIMITS.ends_with_s for other in ends) > len(ends) / 2


def _unstamped(file: FolderFile, heard: Sequence[FolderFile], starts: dict[FolderFile, Start], whole_s: float, *,
               together: bool) -> Start:
    """The start of a file without a stamp: the song's, unless it is too short for that."""
    short_s = whole_s - file.seconds
    if short_s < max(LIMITS.short_s, LIMITS.short_share * whole_s) or file not in heard:
        return Start()
    others = [other for other in heard if other is not file and abs(whole_s - other.seconds) < LIMITS.short_s
              and not starts.get(other, Start()).seconds]
    fits = _fits(file, others, whole_s) if others else np.zeros(1)
    at_start, at_end = _fit_at(fits, 0.0), _fit_at(fits, short_s) if together else 0.0
    if at_start >= LIMITS.fit and at_start > LIMITS.clearly * at_end:
        return Start(remark=f"{short_s:.1f} s shorter than the others; its onsets fit the song's start")
    place = f"{short_s:.1f} s shorter than the others, and no time stamp says where it begins"
    if at_end >= LIMITS.fit and at_end > LIMITS.end_clearly * at_start:
        return Start(round(short_s, 4), remark=f"{place}; it ends with the others from here, where its onsets fit")
    if together:
        return Start(round(short_s, 4), unsure=f"{place}; from here it ends with the others")
    return Start(unsure=place)


def _fits(file: FolderFile, others: Sequence[FolderFile], whole_s: float) -> FloatArray:
    """How well the file's onsets fit those of others for every start of the song, 1 the best."""
    steps = round(whole_s / ONSET_STEP_S) + 1
    together = np.zeros(steps)
    for other in others:
        strength = other.sound.onset_strength[:steps].astype(np.float64)
        together[: len(strength)] += strength / max(float(strength.std()), 1e-9)
    own = file.sound.onset_strength.astype(np.float64)
    size = steps + len(own)
    product = np.fft.irfft(np.fft.rfft(together - together.mean(), size) * np.conj(np.fft.rfft(own - own.mean(), size)),
                           size)
    fits: FloatArray = product[: max(1, steps - len(own) + round(1.0 / ONSET_STEP_S))]
    return fits / max(float(fits.max()), 1e-12)


def _fit_at(fits: FloatArray, start_s: float) -> float:
    """The best fit near a start."""
    at, near = round(start_s / ONSET_STEP_S), round(LIMITS.near_s / ONSET_STEP_S)
    return float(fits[max(0, at - near) : at + near + 1].max(initial=0.0))

"""Compare two bounces: what changed in the recipe, and what that did to every file.

Verdicts are "same bytes", "same sound" (other bytes), "same up to gain" (a constant gain, a sample offset, or both)
and "different". Measurements before and after are those of the two manifests.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Literal

from layerpipe.core.sound import OnProgress
from layerpipe.outputs.bounce.manifest_model import Measurements, SectionEntry, SourceEntry, StemEntry
from layerpipe.outputs.settings_text import take_words
from layerpipe.outputs.verify.null_test import DIFFERENT, SAME_BYTES, SAME_SOUND, SAME_UP_TO_GAIN, NullTest, null_test
from layerpipe.outputs.verify.opened_bounce import OpenBounce
from layerpipe.outputs.verify.recipe_diff import recipe_changes
from layerpipe.outputs.verify.stem_file import StemFile, checksum_of

_Key = tuple[Literal["take", "layer", "blend"], str | None, str | None]
_GRAVITY = (SAME_BYTES, SAME_SOUND, SAME_UP_TO_GAIN, DIFFERENT)
_MEASURED = ("integrated_lufs", "range_lu", "true_peak_dbtp")
_LARGEST_SETTING = 1 << 53
"""Whole numbers of a manifest above this are a stranger's; they are compared as text."""


@dataclass(frozen=True)
class SectionChange:
    """One section of one file: residual in dBFS, measurements before and after."""

    section: str
    residual_peak_dbfs: float | None
    residual_rms_dbfs: float | None
    before: dict[str, float | None]
    after: dict[str, float | None]


@dataclass(frozen=True)
class FileChange:
    """One file of two bounces.

    Residuals are what is left after the gain and offset given here; None if the file is in one bounce only, or its
    sample rate or number of channels changed.
    """

    file: str
    verdict: str
    residual_peak_dbfs: float | None
    residual_rms_dbfs: float | None
    gain_db: float
    polarity_inverted: bool
    offset_frames: int
    before: dict[str, float | None] | None
    after: dict[str, float | None] | None
    sections: tuple[SectionChange, ...]
    problem: str = ""


@dataclass(frozen=True)
class Compared:
    """Every difference between two bounces."""

    verdict: str
    recipe: tuple[str, ...]
    files: tuple[FileChange, ...]
    versions: tuple[str, ...]


def compare_bounces(old: OpenBounce, new: OpenBounce, *, workers: int = 1,
                    on_progress: OnProgress = lambda share: None) -> tuple[Compared, dict[str, NullTest]]:
    """Compare two bounces; files are matched by kind, layer and take, not by their names.

    Parameters
    ----------
    old, new : OpenBounce
    workers : int
        Threads.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Returns
    -------
    Compared
    dict of NullTest by file
        For a picture.
    """
    olds, news = ({(file.kind, file.layer, file.take): file for file in bounce.files} for bounce in (old, new))
    keys = list(dict.fromkeys((*olds, *news)))

    def one(key: _Key) -> tuple[FileChange, NullTest | None]:
        found = _compare_file(old, new, olds.get(key), news.get(key))
        on_progress(1 / len(keys))
        return found

    with ThreadPoolExecutor(workers) as pool:
        found = list(pool.map(one, keys))
    files = tuple(change for change, _ in found)
    verdict = max((change.verdict for change in files), key=_GRAVITY.index, default=SAME_BYTES)
    recipe = recipe_changes(_settings(old), _settings(new)) + _new_recordings(old, new)
    nulls = {change.file: null for change, null in found if null is not None}
    return Compared(verdict, tuple(recipe), files, tuple(_versions(old, new))), nulls


def _compare_file(old: OpenBounce, new: OpenBounce, before: StemEntry | None,
                  after: StemEntry | None) -> tuple[FileChange, NullTest | None]:
    """Compare one file."""
    if before is None or after is None:
        only = before or after
        assert only is not None
        return FileChange(only.path, DIFFERENT, None, None, 0.0, False, 0, _measured(before), _measured(after), (),
                          f"only in the {'old' if after is None else 'new'} bounce"), None
    null, problem, verdict = None, "", DIFFERENT
    sections = new.manifest.sections
    try:
        same = checksum_of(old.path_of(before)) == checksum_of(new.path_of(after))
        null = null_test(StemFile(old.path_of(before)), StemFile(new.path_of(after)),
                         [(part.start_frame, part.stop_frame) for part in sections])
        problem = "" if null is not None else "sample rate or number of channels differs"
        verdict = SAME_BYTES if same else DIFFERENT if null is None else null.verdict
    except (OSError, ValueError) as refusal:
        problem = f"cannot be read: {(refusal.strerror if isinstance(refusal, OSError) else None) or refusal}"
    if null is None:
        return FileChange(after.path, verdict, None, None, 0.0, False, 0, _measured(before), _measured(after),
                          _sections(sections, None, before, after), problem), None
    return FileChange(after.path, verdict, null.whole.peak_dbfs, null.whole.rms_dbfs, null.gain_db, null.inverted,
                      null.offset_frames, _measured(before), _measured(after),
                      _sections(sections, null, before, after), problem), null


def _sections(sections: Sequence[SectionEntry], null: NullTest | None, before: StemEntry,
              after: StemEntry) -> tuple[SectionChange, ...]:
    """Every section of one file."""
    changes = []
    for n, part in enumerate(sections):
        sides = [_measured(entry.in_section(part.name)) or dict.fromkeys(_MEASURED) for entry in (before, after)]
        residual = None if null is None else null.spans[n]
        changes.append(SectionChange(part.name, None if residual is None else residual.peak_dbfs,
                                     None if residual is None else residual.rms_dbfs, *sides))
    return tuple(changes)


def _measured(entry: Measurements | None) -> dict[str, float | None] | None:
    """Loudness, range and true peak."""
    return None if entry is None else {key: getattr(entry, key) for key in _MEASURED}


def _settings(bounce: OpenBounce) -> dict[str, Any]:
    """Settings of a bounce's recipe, levels as numbers."""
    return {key: _numbers(value) for key, value in bounce.manifest.recipe.settings.items()}


def _numbers(value: Any) -> Any:
    """Infinities as numbers again, since a level may be one; huge whole numbers as text."""
    if isinstance(value, dict):
        return {key: _numbers(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_numbers(item) for item in value]
    if isinstance(value, int) and abs(value) > _LARGEST_SETTING:
        return "a huge number"
    return float(value) if isinstance(value, str) and value in ("-inf", "inf") else value


def _new_recordings(old: OpenBounce, new: OpenBounce) -> list[str]:
    """Takes that have another source than before, whatever its file is called."""
    olds, news = ({(source.layer, source.take): source for source in bounce.manifest.sources} for bounce in (old, new))
    return [f"{take_words(*key)}: another recording ({news[key].file})" for key in olds
            if key in news and _recordings(olds[key]) != _recordings(news[key])]


def _recordings(source: SourceEntry) -> list[str]:
    """Checksums of all files of a take, in the order of their passes' names."""
    return [part.sha256 for part in sorted(source.every_file, key=lambda part: (part.played, part.mic))]


def _versions(old: OpenBounce, new: OpenBounce) -> list[str]:
    """Versions of layerpipe and libraries that differ."""
    one, other = old.manifest.versions, new.manifest.versions
    return [f"{name} {one.get(name, 'none')} -> {other.get(name, 'none')}" for name in dict.fromkeys((*one, *other))
            if one.get(name) != other.get(name)]

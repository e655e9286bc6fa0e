"""Two bounces beside each other: what changed in the recipe, and what that did to every file.

Verdicts are "same bytes", "same sound" (other bytes), "same up to gain" (a constant gain, a sample offset, or both)
and "different". Figures before and after are those of the two manifests.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from layerpipe.core.sound import OnProgress
from layerpipe.outputs.verify.null_test import DIFFERENT, SAME_BYTES, SAME_SOUND, SAME_UP_TO_GAIN, Null, null_test
from layerpipe.outputs.verify.opened_bounce import OpenBounce, figure
from layerpipe.outputs.verify.recipe_diff import recipe_changes
from layerpipe.outputs.verify.stem_file import StemFile, digest_of

_GRAVITY = (SAME_BYTES, SAME_SOUND, SAME_UP_TO_GAIN, DIFFERENT)
_FIGURES = ("integrated_lufs", "range_lu", "true_peak_dbtp")


@dataclass(frozen=True)
class SectionChange:
    """One section of one file: residual in dBFS, figures before and after."""

    section: str
    residual_peak_dbfs: float | None
    residual_rms_dbfs: float | None
    before: dict[str, float | None]
    after: dict[str, float | None]


@dataclass(frozen=True)
class FileChange:
    """One file of two bounces. Residuals are what is left after the gain and offset that are told; None where there is
    nothing to lay over: the file is in one bounce only, or has another rate or number of channels."""

    file: str
    verdict: str
    residual_peak_dbfs: float | None
    residual_rms_dbfs: float | None
    gain_db: float
    polarity_flipped: bool
    offset_frames: int
    before: dict[str, float | None] | None
    after: dict[str, float | None] | None
    sections: tuple[SectionChange, ...]
    problem: str = ""


@dataclass(frozen=True)
class Compared:
    """All that is different between two bounces."""

    verdict: str
    recipe: tuple[str, ...]
    files: tuple[FileChange, ...]
    versions: tuple[str, ...]


def compare_bounces(old: OpenBounce, new: OpenBounce, *, workers: int = 1,
                    on_progress: OnProgress = lambda share: None) -> tuple[Compared, dict[str, Null]]:
    """Compare two bounces; files are matched by what they are, not by their names.

    Parameters
    ----------
    old, new : OpenBounce
    workers : int
        Threads.
    advance : function of a share
        Told how much of the work, of 1, has been done.

    Returns
    -------
    Compared
    dict of Null by file
        The null tests, for a picture.
    """
    olds, news = ({_what(file): file for file in bounce.files} for bounce in (old, new))
    whats = [*olds, *(what for what in news if what not in olds)]

    def one(what: tuple[Any, ...]) -> tuple[FileChange, Null | None]:
        found = _file(old, new, olds.get(what), news.get(what))
        on_progress(1 / len(whats))
        return found

    with ThreadPoolExecutor(workers) as pool:
        found = list(pool.map(one, whats))
    files = tuple(change for change, _ in found)
    verdict = max((change.verdict for change in files), key=_GRAVITY.index, default=SAME_BYTES)
    recipe = recipe_changes(_settings(old), _settings(new)) + _recordings(old, new)
    nulls = {change.file: null for change, null in found if null is not None}
    return Compared(verdict, tuple(recipe), files, tuple(_versions(old, new))), nulls


def _file(old: OpenBounce, new: OpenBounce, before: dict[str, Any] | None,
          after: dict[str, Any] | None) -> tuple[FileChange, Null | None]:
    """One file."""
    if before is None or after is None:
        told = before or after
        assert told is not None
        where = "old" if after is None else "new"
        return FileChange(told["path"], DIFFERENT, None, None, 0.0, False, 0, None if before is None else
                          _figures(before), None if after is None else _figures(after), (),
                          f"only in the {where} bounce"), None
    null, problem, verdict = None, "", DIFFERENT
    spans = [(part["name"], part["start_frame"], part["stop_frame"]) for part in new.told["sections"]]
    try:
        same = digest_of(old.path_of(before)) == digest_of(new.path_of(after))
        null = null_test(StemFile(old.path_of(before)), StemFile(new.path_of(after)),
                         [(start, stop) for _, start, stop in spans])
        problem = "" if null is not None else "of another rate or number of channels"
        verdict = SAME_BYTES if same else DIFFERENT if null is None else null.verdict
    except (OSError, ValueError) as refusal:
        problem = f"cannot be read: {(refusal.strerror if isinstance(refusal, OSError) else None) or refusal}"
    change = FileChange(
        after["path"], verdict, None if null is None else null.whole.peak_dbfs,
        None if null is None else null.whole.rms_dbfs, 0.0 if null is None else null.gain_db,
        null is not None and null.flipped, 0 if null is None else null.offset_frames, _figures(before),
        _figures(after), tuple(_section(name, n, null, before, after) for n, (name, _, _) in enumerate(spans)), problem)
    return change, null


def _section(name: str, n: int, null: Null | None, before: dict[str, Any], after: dict[str, Any]) -> SectionChange:
    """One section of one file."""
    sides: list[dict[str, Any]] = [next((part for part in told["sections"] if part.get("section") == name), {})
                                   for told in (before, after)]
    left = None if null is None else null.spans[n]
    return SectionChange(name, None if left is None else left.peak_dbfs, None if left is None else left.rms_dbfs,
                         _figures(sides[0]), _figures(sides[1]))


def _figures(told: dict[str, Any]) -> dict[str, float | None]:
    """Loudness, range and true peak."""
    return {name: figure(told.get(name)) for name in _FIGURES}


def _what(file: dict[str, Any]) -> tuple[Any, ...]:
    """What a file is."""
    return file["kind"], file.get("layer"), file.get("take")


def _settings(bounce: OpenBounce) -> dict[str, Any]:
    """Settings of a bounce's recipe, levels as numbers."""
    recipe = bounce.told.get("recipe")
    settings = recipe.get("settings") if isinstance(recipe, dict) else None
    return _numbers(settings) if isinstance(settings, dict) else {}


def _numbers(value: Any) -> Any:
    """Infinities as numbers again, where a level may be one."""
    if isinstance(value, dict):
        return {str(key): _numbers(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_numbers(item) for item in value]
    return float(value) if value in ("-inf", "inf") else value


def _recordings(old: OpenBounce, new: OpenBounce) -> list[str]:
    """Takes that are other recordings than before, whatever their files are called."""
    olds, news = ({(source.get("layer"), source.get("take")): source for source in bounce.told["sources"]}
                  for bounce in (old, new))
    return [f"{what[0]}, {what[1]}: another recording ({news[what].get('file')})" for what in olds
            if what in news and olds[what].get("sha256") != news[what].get("sha256")]


def _versions(old: OpenBounce, new: OpenBounce) -> list[str]:
    """What made them, where that differs."""
    one, other = (bounce.told.get("versions") for bounce in (old, new))
    if not isinstance(one, dict) or not isinstance(other, dict):
        return []
    return [f"{name} {one.get(name, 'none')} -> {other.get(name, 'none')}" for name in dict.fromkeys((*one, *other))
            if one.get(name) != other.get(name)]

"""Is a bounce still what was bounced: digests, headers, the sum of the layers, and every loudness figure.

Verdicts of a file are "as bounced", "changed", "missing" and "foreign". Where a stem is changed and the sound it had
can be had again (a layer or the blend from the sum of the others, anything from a fresh render), the first frame that
differs and the largest difference are told; for a file that got shorter that is at the latest its new end.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from layerpipe.core.sound import OnProgress
from layerpipe.outputs.bounce.delivery_sheet import MANIFEST
from layerpipe.outputs.verify.opened_bounce import OpenBounce
from layerpipe.outputs.verify.remeasure import SecondOpinion
from layerpipe.outputs.verify.sample_difference import Reader, dbfs, difference, sum_reader
from layerpipe.outputs.verify.stem_file import READ_FRAMES, StemFile, StemHead, digest_of, is_plain_file
from layerpipe.outputs.verify.verdicts import (
    AS_BOUNCED,
    CHANGED,
    FOREIGN,
    MISSING,
    FileVerdict,
    SourceVerdict,
    SumVerdict,
    Verified,
)


def verify_bounce(bounce: OpenBounce, *, workers: int = 1,
                  on_progress: OnProgress = lambda share: None) -> Verified:
    """Look at every file of a bounce.

    Parameters
    ----------
    bounce : OpenBounce
    workers : int
        Threads.
    advance : function of a share
        Told how much of the work, of 1, has been done.

    Returns
    -------
    Verified
        Without sources and fresh render; see `with_sources` and `with_fresh`.
    """
    stems = bounce.files

    def look(told: dict[str, Any]) -> FileVerdict:
        found = _look_at(bounce, told)
        on_progress(0.8 / max(len(stems), 1))
        return found

    with ThreadPoolExecutor(workers) as pool:
        files = list(pool.map(look, stems))
    added = _sum_of(bounce)
    on_progress(0.2)
    files = [_located(bounce, told, file) for told, file in zip(stems, files, strict=True)]
    files += [_paper(bounce, paper) for paper in bounce.papers]
    files.append(FileVerdict(MANIFEST, AS_BOUNCED) if bounce.sealed else FileVerdict(
        MANIFEST, CHANGED, problems=("its words are not those that were written",)))
    files += [FileVerdict(name, FOREIGN, problems=("the bounce did not write it",)) for name in bounce.foreign()]
    return _judged(Verified("", tuple(files), added))


def with_sources(verified: Verified, sources: list[SourceVerdict]) -> Verified:
    """Add what was found out about the takes."""
    return _judged(replace(verified, sources=tuple(sources)))


def with_originals(verified: Verified, bounce: OpenBounce, fresh: OpenBounce) -> Verified:
    """Say where changed stems differ, from a fresh render that came out as the manifest tells."""
    fresh_of = {file["path"]: file for file in fresh.files}
    files = []
    for file in verified.files:
        told = next((told for told in bounce.files if told["path"] == file.file), None)
        original = fresh_of.get(file.file)
        if told is not None and file.verdict == CHANGED and original is not None \
                and original["sha256"] == told["sha256"]:
            file = _compared(file, bounce, told, StemFile(fresh.path_of(original)).read)
        files.append(file)
    return replace(verified, files=tuple(files))


def with_fresh(verified: Verified, bounce: OpenBounce, fresh: OpenBounce) -> Verified:
    """Hold the manifest's stems to a fresh render of the recipe kept inside."""
    fresh_of = {file["path"]: file for file in fresh.files}
    again = []
    for told in bounce.files:
        new = fresh_of.get(told["path"])
        if new is None:
            again.append(FileVerdict(told["path"], MISSING, problems=("the recipe kept inside makes no such file",)))
        elif new["sha256"] == told["sha256"]:
            again.append(FileVerdict(told["path"], AS_BOUNCED))
        else:
            file = FileVerdict(told["path"], CHANGED, problems=("renders differently now",))
            again.append(_compared(file, bounce, told, StemFile(fresh.path_of(new)).read))
    remarks = list(verified.remarks)
    old, new_versions = bounce.told.get("versions", {}), fresh.told["versions"]
    if isinstance(old, dict) and any(file.verdict != AS_BOUNCED for file in again):
        remarks += [f"bounced with {name} {old.get(name, '?')}, rendered now with {version}"
                    for name, version in new_versions.items() if old.get(name) != version]
    return _judged(replace(verified, again=tuple(again), remarks=tuple(remarks)))


def _judged(verified: Verified) -> Verified:
    """The verdict over everything: the gravest of all."""
    words = [file.verdict for file in (*verified.files, *(verified.again or ()))]
    words += [source.verdict for source in verified.sources or ()]
    if verified.sum.agrees is False:
        words.append(CHANGED)
    return replace(verified, verdict=next((word for word in (CHANGED, MISSING, FOREIGN) if word in words), AS_BOUNCED))


def _look_at(bounce: OpenBounce, told: dict[str, Any]) -> FileVerdict:
    """Digest, header and figures of one stem."""
    path, name = bounce.path_of(told), told["path"]
    if not path.exists() and not path.is_symlink():
        return FileVerdict(name, MISSING)
    if not is_plain_file(path) or any(parent.is_symlink() for parent in _between(bounce.folder, path)):
        return FileVerdict(name, CHANGED, problems=("is a link, folder, device or pipe, no file",))
    try:
        same = digest_of(path) == told["sha256"]
        stem = StemFile(path)
    except (OSError, ValueError) as refusal:
        return FileVerdict(name, CHANGED, problems=(_reason(refusal),))
    problems = [] if same else ["its digest is another"]
    problems += _misfits(bounce, told, stem.head)
    if not problems:
        heard = SecondOpinion(stem.head.rate_hz, stem.head.channels, stem.frames, stem.head.bit_depth)
        for start in range(0, stem.frames, READ_FRAMES):
            heard.hear(stem.read(start, start + READ_FRAMES))
        spans = [(part["name"], part["start_frame"], part["stop_frame"], _is_off(told, part))
                 for part in bounce.told["sections"]]
        problems += [str(wrong) for wrong in heard.disagreements(told, spans)]
    return FileVerdict(name, CHANGED if problems else AS_BOUNCED, problems=tuple(problems))


def _is_off(told: dict[str, Any], section: dict[str, Any]) -> bool:
    """Whether a section turns a layer, or all that a blend is made of, off."""
    levels = section.get("levels_db", {})
    heard = levels.values() if told["kind"] == "blend" else [levels.get(told.get("layer"))]
    return told["kind"] != "take" and all(level == "-inf" for level in heard)


def _misfits(bounce: OpenBounce, told: dict[str, Any], head: StemHead) -> list[str]:
    """What a header says otherwise than the manifest."""
    problems = []
    if head.frames < head.promised_frames:
        problems.append(f"is cut short: {head.frames} of {head.promised_frames} frames are there")
    for what, here, wanted in (("frames", head.promised_frames, told["frames"]), ("Hz", head.rate_hz, told["rate_hz"]),
                               ("channels", head.channels, told["channels"]),
                               ("bits", head.bit_depth, told["bit_depth"])):
        if here != wanted:
            problems.append(f"{here} {what}, bounced were {wanted}")
    if head.time_reference_frames != bounce.time_reference_frames:
        problems.append(f"its time reference is {head.time_reference_frames}, bounced was "
                        f"{bounce.time_reference_frames}")
    return problems


def _paper(bounce: OpenBounce, paper: dict[str, Any]) -> FileVerdict:
    """Recipe or sheet."""
    path = bounce.path_of(paper)
    if not path.exists() and not path.is_symlink():
        return FileVerdict(paper["path"], MISSING)
    if not is_plain_file(path):
        return FileVerdict(paper["path"], CHANGED, problems=("is a link, folder, device or pipe, no file",))
    try:
        same = digest_of(path) == paper["sha256"]
    except OSError as refusal:
        return FileVerdict(paper["path"], CHANGED, problems=(_reason(refusal),))
    return FileVerdict(paper["path"], AS_BOUNCED if same else CHANGED,
                       problems=() if same else ("its digest is another",))


def _sum_of(bounce: OpenBounce) -> SumVerdict:
    """Add the layers up and hold the blend to the sum."""
    blend, layers = _by_kind(bounce)
    if blend is None or not layers:
        return SumVerdict(None)
    try:
        files = [StemFile(bounce.path_of(told)) for told in (blend, *layers)]
    except (OSError, ValueError):
        return SumVerdict(None)
    if len({(file.head.channels, file.head.bit_depth, file.frames) for file in files}) != 1:
        return SumVerdict(False)
    first, largest = difference(files[0].read, sum_reader(files[1:]), files[0].frames)
    return SumVerdict(first is None, first, dbfs(largest, files[0].head.bit_depth) if first is not None else None)


def _located(bounce: OpenBounce, told: dict[str, Any], file: FileVerdict) -> FileVerdict:
    """Where a changed layer or blend differs, when the others still give its sound."""
    blend, layers = _by_kind(bounce)
    if file.verdict != CHANGED or told["kind"] == "take" or blend is None or not layers:
        return file
    others = [other for other in (blend, *layers) if other["path"] != told["path"]]
    try:
        if any(digest_of(bounce.path_of(other)) != other["sha256"] for other in others):
            return file
        files = [StemFile(bounce.path_of(other)) for other in others]
    except (OSError, ValueError):
        return file
    if told["kind"] == "blend":
        return _compared(file, bounce, told, sum_reader(files))
    total, rest = files[0].read, sum_reader(files[1:]) if len(files) > 1 else None
    return _compared(file, bounce, told, total if rest is None else lambda start, stop: total(start, stop)
                     - rest(start, stop))


def _compared(file: FileVerdict, bounce: OpenBounce, told: dict[str, Any], original: Reader) -> FileVerdict:
    """Where and by how much a stem differs from the sound it had."""
    try:
        here = StemFile(bounce.path_of(told))
    except (OSError, ValueError):
        return file
    if (here.head.channels, here.head.bit_depth) != (told["channels"], told["bit_depth"]):
        return file
    first, largest = difference(here.read, original, max(told["frames"], here.frames))
    if first is None:
        return replace(file, problems=(*file.problems, "its sound is the same"))
    return replace(file, first_different_frame=first,
                   largest_difference_dbfs=dbfs(largest, told["bit_depth"]))


def _by_kind(bounce: OpenBounce) -> tuple[dict[str, Any] | None, list[dict[str, Any]]]:
    """The blend and the layers."""
    files = bounce.files
    return (next((file for file in files if file["kind"] == "blend"), None),
            [file for file in files if file["kind"] == "layer"])


def _between(folder: Path, path: Path) -> Iterator[Path]:
    """The folders between a bounce and its file."""
    for parent in path.parents:
        if parent == folder:
            return
        yield parent


def _reason(refusal: Exception) -> str:
    """A refusal in words."""
    return (refusal.strerror if isinstance(refusal, OSError) else None) or str(refusal)

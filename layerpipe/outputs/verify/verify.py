"""Check that a bounce is unchanged: checksums, headers, the sum of the layers, every loudness and peak.

Verdicts of a file are "unchanged", "changed", "missing" and "extra". If the original sound of a changed stem can be had
(a layer or the blend from the sum of the others, anything from a new render), the first frame that differs and the
largest difference are given; in a file that was cut short that frame is at most its new end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from layerpipe.core.files.regular import is_regular
from layerpipe.core.sound import OnProgress
from layerpipe.outputs.bounce.manifest import MANIFEST
from layerpipe.outputs.bounce.manifest_model import DocumentEntry, StemEntry
from layerpipe.outputs.verify.opened_bounce import OpenBounce
from layerpipe.outputs.verify.remeasure import Remeasurement
from layerpipe.outputs.verify.stem_file import (
    READ_FRAMES,
    Reader,
    StemFile,
    StemHead,
    checksum_of,
    dbfs_of_steps,
    difference,
    sum_reader,
)
from layerpipe.outputs.verify.verdicts import (
    CHANGED,
    EXTRA,
    MISSING,
    UNCHANGED,
    FileVerdict,
    SourceVerdict,
    SumVerdict,
    Verified,
)

_DIFFERENT_CHECKSUM = "checksum (SHA-256) differs"
_NOT_A_FILE = "is a link, folder, device or pipe, not a file"
_SHARE_OF_FILES = 0.8
"""Of the work; the rest is the sum of the layers."""


def verify_bounce(bounce: OpenBounce, *, workers: int = 1,
                  on_progress: OnProgress = lambda share: None) -> Verified:
    """Check every file of a bounce.

    Parameters
    ----------
    bounce : OpenBounce
    workers : int
        Threads.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Returns
    -------
    Verified
        Without sources and new render; see `with_sources` and `with_rerender`.
    """
    def check(entry: StemEntry) -> FileVerdict:
        found = _check_stem(bounce, entry)
        on_progress(_SHARE_OF_FILES / len(bounce.files))
        return found

    with ThreadPoolExecutor(workers) as pool:
        checked = pool.map(check, bounce.files)
        total = _check_sum(bounce)
        on_progress(1 - _SHARE_OF_FILES)
        files = list(checked)
    files = [_located_by_sum(bounce, entry, file) for entry, file in zip(bounce.files, files, strict=True)]
    files += [_check_document(bounce, document) for document in bounce.manifest.documents]
    files.append(FileVerdict(MANIFEST, UNCHANGED) if bounce.manifest_unchanged else
                 FileVerdict(MANIFEST, CHANGED, problems=("text differs",)))
    files += [FileVerdict(name, EXTRA, problems=("extra file",)) for name in bounce.extra()]
    return _judged(Verified("", tuple(files), total))


def with_sources(verified: Verified, sources: Sequence[SourceVerdict]) -> Verified:
    """Add the verdicts about the takes."""
    return _judged(replace(verified, sources=tuple(sources)))


def with_places(verified: Verified, bounce: OpenBounce, rendered: OpenBounce) -> Verified:
    """Add where changed stems differ, from those files of a new render that have the manifest's checksums."""
    new_of = {file.path: file for file in rendered.files}
    entries = {entry.path: entry for entry in bounce.files}
    files = []
    for file in verified.files:
        entry, new = entries.get(file.file), new_of.get(file.file)
        if file.verdict == CHANGED and entry is not None and new is not None and new.sha256 == entry.sha256:
            original = StemFile(rendered.path_of(new))
            file = _compared(file, bounce, entry, original.read, original.frames)
        files.append(file)
    return replace(verified, files=tuple(files))


def with_rerender(verified: Verified, bounce: OpenBounce, rendered: OpenBounce) -> Verified:
    """Compare the manifest's stems with a new render of the enclosed recipe."""
    new_of = {file.path: file for file in rendered.files}
    found = []
    for entry in bounce.files:
        new = new_of.get(entry.path)
        if new is None:
            found.append(FileVerdict(entry.path, MISSING, problems=("the enclosed recipe makes no such file",)))
        elif new.sha256 == entry.sha256:
            found.append(FileVerdict(entry.path, UNCHANGED))
        else:
            original = StemFile(rendered.path_of(new))
            file = FileVerdict(entry.path, CHANGED, problems=("renders differently now",))
            found.append(_compared(file, bounce, entry, original.read, original.frames))
    remarks = list(verified.remarks)
    if any(file.verdict != UNCHANGED for file in found):
        old = bounce.manifest.versions
        remarks += [f"bounced with {name} {old.get(name, '?')}, rendered now with {version}"
                    for name, version in rendered.manifest.versions.items() if old.get(name) != version]
    return _judged(replace(verified, rerender=tuple(found), remarks=tuple(remarks)))


def _judged(verified: Verified) -> Verified:
    """Set the verdict about the bounce: the gravest of all."""
    verdicts = {file.verdict for file in (*verified.files, *(verified.rerender or ()))}
    verdicts |= {source.verdict for source in verified.sources or ()}
    if verified.sum.agrees is False:
        verdicts.add(CHANGED)
    return replace(verified, verdict=next((verdict for verdict in (CHANGED, MISSING, EXTRA) if verdict in verdicts),
                                          UNCHANGED))


def _check_stem(bounce: OpenBounce, entry: StemEntry) -> FileVerdict:
    """Checksum, header and measurements of one stem."""
    path = bounce.path_of(entry)
    absent = _absent(bounce, entry)
    if absent is not None:
        return absent
    try:
        same = checksum_of(path) == entry.sha256
        stem = StemFile(path)
    except (OSError, ValueError) as refusal:
        return FileVerdict(entry.path, CHANGED, problems=(_reason(refusal),))
    problems = [] if same else [_DIFFERENT_CHECKSUM]
    problems += _header_problems(bounce, entry, stem.head)
    if not problems:
        again = Remeasurement(stem.head.rate_hz, stem.head.channels, stem.frames, stem.head.bit_depth)
        for start in range(0, stem.frames, READ_FRAMES):
            again.add(stem.read(start, start + READ_FRAMES))
        spans = [(part.name, part.start_frame, part.stop_frame) for part in bounce.manifest.sections]
        problems += [str(wrong) for wrong in again.disagreements(entry, spans)]
    return FileVerdict(entry.path, CHANGED if problems else UNCHANGED, problems=tuple(problems))


def _header_problems(bounce: OpenBounce, entry: StemEntry, head: StemHead) -> list[str]:
    """Where a header and the manifest disagree."""
    problems = []
    if head.frames < head.promised_frames:
        problems.append(f"is cut short: {head.frames} of {head.promised_frames} samples are there")
    for what, here, before in (("length, samples", head.promised_frames, entry.frames),
                               ("sample rate, Hz", head.rate_hz, entry.rate_hz),
                               ("channels", head.channels, entry.channels),
                               ("bit depth", head.bit_depth, entry.bit_depth),
                               ("time reference, samples", head.time_reference_frames,
                                bounce.manifest.song.time_reference_frames)):
        if here != before:
            problems.append(f"{what}: {'none' if here is None else here}, was {before}")
    return problems


def _check_document(bounce: OpenBounce, document: DocumentEntry) -> FileVerdict:
    """Recipe or delivery sheet."""
    absent = _absent(bounce, document)
    if absent is not None:
        return absent
    try:
        same = checksum_of(bounce.path_of(document)) == document.sha256
    except OSError as refusal:
        return FileVerdict(document.path, CHANGED, problems=(_reason(refusal),))
    return FileVerdict(document.path, UNCHANGED if same else CHANGED, problems=() if same else (_DIFFERENT_CHECKSUM,))


def _absent(bounce: OpenBounce, entry: StemEntry | DocumentEntry) -> FileVerdict | None:
    """The verdict if a file is missing or is not a file; links are not followed."""
    path = bounce.path_of(entry)
    if any(parent.is_symlink() for parent in _between(bounce.folder, path)):
        return FileVerdict(entry.path, CHANGED, problems=(_NOT_A_FILE,))
    if is_regular(path):
        return None
    try:
        path.lstat()
    except OSError:
        return FileVerdict(entry.path, MISSING)
    return FileVerdict(entry.path, CHANGED, problems=(_NOT_A_FILE,))


def _check_sum(bounce: OpenBounce) -> SumVerdict:
    """Add the layers up and compare the sum with the blend."""
    if bounce.blend is None or not bounce.layers:
        return SumVerdict(None)
    try:
        files = [StemFile(bounce.path_of(entry)) for entry in (bounce.blend, *bounce.layers)]
    except (OSError, ValueError):
        return SumVerdict(None)
    if len({(file.head.channels, file.head.bit_depth, file.frames) for file in files}) != 1:
        return SumVerdict(False)
    first, steps = difference(files[0].read, sum_reader(files[1:]), files[0].frames)
    if first is None:
        return SumVerdict(True)
    return SumVerdict(False, first, dbfs_of_steps(steps, files[0].head.bit_depth))


def _located_by_sum(bounce: OpenBounce, entry: StemEntry, file: FileVerdict) -> FileVerdict:
    """Where a changed layer or blend differs, if the other files still give its original sound."""
    if file.verdict != CHANGED or entry.kind == "take" or bounce.blend is None or not bounce.layers:
        return file
    others = [other for other in (bounce.blend, *bounce.layers) if other.path != entry.path]
    try:
        if any(checksum_of(bounce.path_of(other)) != other.sha256 for other in others):
            return file
        stems = [StemFile(bounce.path_of(other)) for other in others]
    except (OSError, ValueError):
        return file
    if len({(stem.head.channels, stem.head.bit_depth, stem.frames) for stem in stems}) != 1:
        return file
    if entry.kind == "blend" or len(stems) == 1:
        return _compared(file, bounce, entry, sum_reader(stems), stems[0].frames)
    blend, rest = stems[0].read, sum_reader(stems[1:])
    return _compared(file, bounce, entry, lambda start, stop: blend(start, stop) - rest(start, stop), stems[0].frames)


def _compared(file: FileVerdict, bounce: OpenBounce, entry: StemEntry, original: Reader,
              original_frames: int) -> FileVerdict:
    """Where and by how much a stem differs from its original sound."""
    try:
        here = StemFile(bounce.path_of(entry))
    except (OSError, ValueError):
        return file
    if (here.head.channels, here.head.bit_depth) != (entry.channels, entry.bit_depth) \
            or original(0, 1).shape[1:] != (here.head.channels,):
        return file
    first, steps = difference(here.read, original, max(original_frames, here.frames))
    if first is None:
        return replace(file, problems=(*file.problems, "audio is identical"))
    return replace(file, first_different_frame=first, largest_difference_dbfs=dbfs_of_steps(steps, entry.bit_depth))


def _between(folder: Path, path: Path) -> Iterator[Path]:
    """The folders between a bounce and its file."""
    for parent in path.parents:
        if parent == folder:
            return
        yield parent


def _reason(refusal: Exception) -> str:
    """A refusal in words."""
    return (refusal.strerror if isinstance(refusal, OSError) else None) or str(refusal)

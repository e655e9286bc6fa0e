"""Which files are microphones of one performance, and which channels of a file are played."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from layerpipe.analysis.folder.roles import Likenesses
from layerpipe.analysis.folder.understood import FolderFile, Source


@dataclass(frozen=True)
class _Limits:
    """Two performances are alike up to 0.05, rarely 0.2; made microphones of one 0.88 and more, real ones less where
    the room is loud."""

    same_part: float = 0.3
    other_part: float = 0.4
    """Files whose names say different parts must be more alike: an instrument is also heard in others' microphones."""
    later_s: float = 0.03
    """10 m of air."""
    length_s: float = 1.0
    """Files of one recording are as long as each other, apart from what was cut off."""


LIMITS = _Limits()


def performances(files: Sequence[FolderFile], likenesses: Likenesses) -> list[list[FolderFile]]:
    """Group the microphones of one performance, the close one first.

    Returns
    -------
    list of lists
        In the order of their first file; most contain one file.
    """
    groups: list[list[FolderFile]] = []
    for file in files:
        home = next((group for group in groups if all(_one_performance(other, file, likenesses) for other in group)),
                    None)
        if home is None:
            groups.append([file])
        else:
            home.append(file)
    return [sorted(group, key=lambda file: file.name.distance) for group in groups]


def _one_performance(first: FolderFile, second: FolderFile, likenesses: Likenesses) -> bool:
    """Whether two files were recorded at once from one player."""
    if first.name.side != second.name.side or abs(first.seconds - second.seconds) > LIMITS.length_s:
        return False
    same_part = first.name.key == second.name.key
    roles = {first.name.role, second.name.role} - {""}
    if not same_part and (len(roles) > 1 or "drums" in roles):
        return False
    least = LIMITS.same_part if same_part else LIMITS.other_part
    return likenesses.share(first, second, within_s=LIMITS.later_s) > least


def sources_of(files: Sequence[FolderFile]) -> tuple[tuple[Source, ...], str, str]:
    """The channels of one performance that are played.

    Returns
    -------
    tuple of Source, remark, doubt
        A remark is for information; a doubt mutes the take. Two channels without relation give one source each,
        and no remark: see `is_two_takes`.
    """
    sources: list[Source] = []
    remark = doubt = ""
    for file in files:
        if file.channels == 1:
            sources.append(Source(file))
        elif file.channels > 2:
            sources.append(Source(file, 1))
            doubt = f"has {file.channels} channels; the first is used here"
        elif file.sound.same_channels:
            sources.append(Source(file, 1))
            remark = "both channels have the same sound"
        else:
            sources += [Source(file, 1), Source(file, 2)]
            remark = "two channels of one performance"
    if len(files) > 1:
        remark = "microphones of one performance"
    return tuple(sources), remark, doubt


def is_two_takes(files: Sequence[FolderFile]) -> bool:
    """Whether a performance is really one stereo file whose channels have no relation: a take in each."""
    return (len(files) == 1 and files[0].channels == 2 and not files[0].sound.same_channels
            and files[0].sound.channels_alike < LIMITS.same_part)

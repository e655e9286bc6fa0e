"""Which files are no takes: a rough mix, a click track, talk, silence, a second copy.

Names decide where they say a role, the sound where they do not; where the sound contradicts a name, the name wins and
the file is listed with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from layerpipe.analysis.folder.one_performance import EXCERPT_S, Likeness, likeness
from layerpipe.analysis.folder.understood import FolderFile, Skipped


@dataclass(frozen=True)
class _Limits:
    """From folders made by our own generators."""

    speech_motion: float = 0.4
    """Change of the spectrum per 85 ms: speech is 0.5 or more, singing under 0.25, a click track under 0.2."""
    speech_flatness: float = 0.15
    """Voiced sounds are under 0.02; shakers, cymbals and noise are over 0.3."""
    short_share: float = 0.7
    """Talk is shorter than this share of the longest file."""
    part_of_mix: float = 0.12
    """Likeness of a mix to a track in it: 0.2 to 0.4; of unrelated files up to 0.05, rarely 0.13."""
    mix_later_s: float = 0.1
    """A track is in the mix where it is in its own file, apart from the delay of a processor."""
    fewest_in_mix: int = 2
    copy: float = 0.98
    """Two microphones are less alike than this."""


LIMITS = _Limits()


@dataclass
class Roles:
    """The files sorted by what they are for."""

    takes: list[FolderFile] = field(default_factory=list)
    bed: FolderFile | None = None
    click: FolderFile | None = None
    skipped: list[Skipped] = field(default_factory=list)

    def skip(self, file: FolderFile, why: str) -> None:
        """List a file as skipped."""
        self.skipped.append(Skipped(file.path, why))


class Likenesses:
    """How alike any two files are; each pair is compared once.

    Limits hold for excerpts of full length. The shorter the sound, the more alike are unrelated sounds by chance, with
    one over the root of the length.
    """

    def __init__(self) -> None:
        self._found: dict[tuple[int, int], Likeness] = {}

    def of(self, first: FolderFile, second: FolderFile) -> Likeness:
        """The likeness of two files."""
        pair = (id(first), id(second))
        if pair not in self._found:
            self._found[pair] = likeness(first.sound.excerpt, second.sound.excerpt)
        return self._found[pair]

    def share(self, first: FolderFile, second: FolderFile, *, within_s: float) -> float:
        """Their likeness, reduced for short files; 0 if one is later by more than `within_s`."""
        found = self.of(first, second)
        if abs(found.later_s) > within_s:
            return 0.0
        return found.share * math.sqrt(min(1.0, first.seconds / EXCERPT_S, second.seconds / EXCERPT_S))


def sort_files(files: Sequence[FolderFile], likenesses: Likenesses) -> Roles:
    """Sort takes from everything else in a folder.

    Parameters
    ----------
    files : sequence of FolderFile
    likenesses : Likenesses

    Returns
    -------
    Roles
    """
    roles = Roles()
    longest_s = max((file.seconds for file in files), default=0.0)
    heard: list[FolderFile] = []
    for file in files:
        why = _no_take(file, longest_s)
        if why:
            roles.skip(file, why)
        else:
            heard.append(file)
    clicks = [file for file in heard if _is_click(file)]
    _choose_click(clicks, roles)
    heard = [file for file in heard if file not in clicks]
    mixes = _mixes(heard, likenesses)
    roles.bed = mixes[0] if mixes else None
    for file in mixes[1:]:
        roles.skip(file, f"is another mix; the bed is {mixes[0].path.name}")
    roles.takes = [file for file in heard if file not in mixes]
    _skip_copies(roles, likenesses)
    return roles


def _no_take(file: FolderFile, longest_s: float) -> str:
    """Why a file is neither take nor bed nor click track; empty if it may be one."""
    if file.sound.is_silent:
        return "contains only silence"
    if file.name.role in ("memo", "talk"):
        sounds = " and it sounds like speech" if sounds_like_speech(file) else ""
        return f"its name says {'a memo' if file.name.role == 'memo' else 'talk'}{sounds}"
    short = file.stamp_s is None and file.seconds < LIMITS.short_share * longest_s
    if short and sounds_like_speech(file) and not file.name.role and not file.name.side:
        return "sounds like speech, is much shorter than the song, and its name says no part"
    return ""


def sounds_like_speech(file: FolderFile) -> bool:
    """Whether a file sounds like speech: voiced, and never the same from one moment to the next.

    A guitar played with a slide does so too; more than the sound has to speak for it.
    """
    sound = file.sound
    return (sound.pitch_motion > LIMITS.speech_motion and sound.flatness < LIMITS.speech_flatness and not sound.ticks)


def _is_click(file: FolderFile) -> bool:
    """Whether name or sound says click track; a part's name is believed more than even hits (a drum machine)."""
    return file.name.role == "click" or bool(file.sound.ticks and not file.name.role and not file.name.side)


def _choose_click(clicks: Sequence[FolderFile], roles: Roles) -> None:
    """Keep the click track with the most ticks."""
    best = sorted(clicks, key=lambda file: -(file.sound.ticks.count if file.sound.ticks else 0))
    for n, file in enumerate(best):
        if not file.sound.ticks:
            roles.skip(file, "its name says click track, but no even ticks are in it; it gives no tempo")
        elif n:
            roles.skip(file, f"is another click track; the tempo is from {best[0].path.name}")
        else:
            roles.click = file


def _mixes(files: Sequence[FolderFile], likenesses: Likenesses) -> list[FolderFile]:
    """Files that are mixes, the best first: the one in which the most others are heard, stereo, long."""
    contained = {}
    for file in files:
        if file.channels <= 2 and file.name.role in ("", "mix"):
            others = (other for other in files if other is not file and other.name.role != "mix")
            contained[file] = sum(_is_in(other, file, likenesses) for other in others)
    found = [file for file, count in contained.items() if file.name.role == "mix" or (
        not file.name.side and file.channels == 2 and count >= LIMITS.fewest_in_mix)]
    return sorted(found, key=lambda file: (-contained[file], -file.channels, -file.seconds, str(file.path)))


def _is_in(track: FolderFile, mix: FolderFile, likenesses: Likenesses) -> bool:
    """Whether a track is heard in a mix."""
    return likenesses.share(mix, track, within_s=LIMITS.mix_later_s) > LIMITS.part_of_mix


def _skip_copies(roles: Roles, likenesses: Likenesses) -> None:
    """Skip files whose sound another file holds already; sides are kept, `check` speaks about copies."""
    kept: list[FolderFile] = []
    for file in roles.takes:
        of = next((other for other in kept if _is_copy(file, other, likenesses)), None)
        if of is None:
            kept.append(file)
        else:
            roles.skip(file, f"has the same sound as {of.path.name}")
    roles.takes = kept


def _is_copy(file: FolderFile, other: FolderFile, likenesses: Likenesses) -> bool:
    """Whether two files without different sides hold the same sound."""
    if file.channels != other.channels or abs(file.seconds - other.seconds) > 0.01 or file.name.side != other.name.side:
        return False
    like = likenesses.of(other, file)
    return like.height > LIMITS.copy and not like.later_s

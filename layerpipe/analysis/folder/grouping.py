"""From files to layers, takes and passes.

Files of one part are a layer, its sides are takes, several files of one side are passes. Where no name tells a side,
two files are a pair in their order, and several of a lead voice, a bass or drums are passes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.folder.performances import is_two_takes, performances, sources_of
from layerpipe.analysis.folder.placing import Places
from layerpipe.analysis.folder.roles import Likenesses, sounds_like_speech
from layerpipe.analysis.folder.understood import (
    DraftedLayer,
    DraftedTake,
    FolderFile,
    Performance,
    Source,
)
from layerpipe.analysis.folder.words import LONE
from layerpipe.recipe.names import ALL_LAYERS, refuse_name


@dataclass(frozen=True)
class _OctaveSound:
    """When a guitar is taken for a high-strung one without its name saying so."""

    most_low_db: float = -34.0
    """Energy below 150 Hz against that up to 2 kHz: made high-strung sets have -43 or less, full sets -28 or more."""
    under_others_db: float = 9.0
    """So much less than another guitar of the folder has."""
    named_high_db: float = 6.0
    """The same where a name says "high", which may also mean a high gain or a high part."""
    most_pauses: float = 0.2
    """Strings ring; a voice pauses."""
    least_bright: float = 0.004
    """Energy above 3.7 kHz (-24 dB): a steel string has more, a voice or a flute less."""


OCTAVE_SOUND = _OctaveSound()


@dataclass(frozen=True)
class _Played:
    """One performance and what its name says."""

    files: tuple[FolderFile, ...]
    side: int
    channel: int | None = None
    """The one channel that is played, where a file's channels are two takes."""

    @property
    def file(self) -> FolderFile:
        """The first microphone's file."""
        return self.files[0]


def group_takes(files: Sequence[FolderFile], places: Places, likenesses: Likenesses) -> tuple[DraftedLayer, ...]:
    """Group the takes of a folder.

    Parameters
    ----------
    files : sequence of FolderFile
        Takes only, in the order of their names.
    places : Places
    likenesses : Likenesses

    Returns
    -------
    tuple of DraftedLayer
        Octave layers last.
    """
    parts: dict[str, list[_Played]] = {}
    sided = {file.name.key for file in files if file.name.side}
    for group in performances(files, likenesses):
        name = group[0].name
        # A second pair ("double L", "double R") or a lone part's double is a layer of its own; beside one unsided file
        # a double is the other side.
        apart = name.double and (name.key in sided or name.role in LONE)
        key = name.key + ("double" if apart else "")
        if is_two_takes(group):
            parts.setdefault(key, []).extend(_Played((group[0],), side, n) for n, side in ((1, -1), (2, 1)))
        else:
            parts.setdefault(key, []).append(_Played(tuple(group), name.side))
    _join_abbreviations(parts)
    octaves = _octaves(parts)
    plain = sum(key not in octaves for key in parts)
    used: Counter[str] = Counter()
    layers = []
    for key in sorted(parts, key=lambda key: key in octaves):
        layer = _layer_name(parts[key], octave=key in octaves, alone=plain == 1, used=used)
        takes = tuple(_takes(layer, parts[key], places))
        layers.append(DraftedLayer(layer, key in octaves, takes, octaves.get(key, "")))
    return tuple(layers)


def _join_abbreviations(parts: dict[str, list[_Played]]) -> None:
    """Join a part of only left files with one of only right files where one name abbreviates the other."""
    lefts = [key for key, group in parts.items() if {one.side for one in group} == {-1}]
    rights = [key for key, group in parts.items() if {one.side for one in group} == {1}]
    for left in lefts:
        words = parts[left][0].file.name.part
        like = [right for right in rights if _abbreviates(words, parts[right][0].file.name.part)]
        if len(like) == 1:
            parts[left] += parts.pop(like[0])
            rights.remove(like[0])


def _abbreviates(first: Sequence[str], second: Sequence[str]) -> bool:
    """Whether every word of one name begins with that of the other: "ac gtr" and "acoustic gtr"."""
    return len(first) == len(second) > 0 and all(
        a.startswith(b) or b.startswith(a) for a, b in zip(first, second, strict=True))


def _octaves(parts: dict[str, list[_Played]]) -> dict[str, str]:
    """Parts that are an octave up, each with the reason."""
    named = {key: "" for key, group in parts.items() if group[0].file.name.role == "octave"}
    low_db = {key: float(np.median([10 * np.log10(one.file.sound.low_share + 1e-9) for one in group]))
              for key, group in parts.items()}
    strings = [key for key, group in parts.items() if group[0].file.name.role in ("", "guitar", "high")]
    fullest_db = max((low_db[key] for key in strings), default=-np.inf)
    for key, group in parts.items():
        if group[0].file.name.role == "high" and low_db[key] < fullest_db - OCTAVE_SOUND.named_high_db:
            named[key] = "octave by its name, and lower notes are missing"
    for key in strings:
        if (key not in named and all(_rings(one.file) for one in parts[key])
                and low_db[key] < min(OCTAVE_SOUND.most_low_db, fullest_db - OCTAVE_SOUND.under_others_db)):
            named[key] = (f"octave by its sound: energy below 150 Hz {low_db[key]:.0f} dB, in the fullest guitar "
                          f"{fullest_db:.0f} dB")
    return named


def _rings(file: FolderFile) -> bool:
    """Whether a file sounds like steel strings."""
    sound = file.sound
    return sound.pause_share < OCTAVE_SOUND.most_pauses and sound.bright_share > OCTAVE_SOUND.least_bright


def _layer_name(group: Sequence[_Played], *, octave: bool, alone: bool, used: Counter[str]) -> str:
    """A name for a layer, unique in the recipe."""
    name = group[0].file.name
    apart = name.double and (name.side or name.role in LONE)
    words = " ".join([*name.part, "double"] if apart else name.part)[:60]
    wanted = "octave" if octave else words if not alone and _is_layer_name(words) else "regular"
    used[wanted] += 1
    return wanted if used[wanted] == 1 else f"{wanted} {used[wanted]}"


def _is_layer_name(name: str) -> bool:
    """Whether words from file names can name a layer."""
    try:
        return bool(refuse_name(name)) and name not in ALL_LAYERS
    except ValueError:
        return False


def _takes(layer: str, group: Sequence[_Played], places: Places) -> list[DraftedTake]:
    """The takes of one part."""
    sides = [one.side for one in group]
    doubts: dict[int, str] = {}
    if len(group) == 2 and 0 in sides:
        sides = _pair(group, sides)
    elif len(group) > 1 and not any(sides):
        sides = _unsided(group)
    elif any(sides):
        doubt = "its name does not say which side it is; the names of its layer's other takes do"
        doubts = {n: doubt for n, side in enumerate(sides) if not side}
    takes: list[DraftedTake] = []
    used: Counter[str] = Counter()
    rows = _rows(group, sides)
    for side, members in rows:
        # What is doubtful is a take of its own and not a pass of one that is certain.
        sure = [n for n in members if n not in doubts]
        for picked in ([sure] if sure else []) + [[n] for n in members if n in doubts]:
            name = {-1: "left", 0: "take", 1: "right"}[side]
            used[name] += 1
            shown = name if used[name] == 1 else f"{name} {used[name]}"
            takes.append(_take(layer, shown, side, [group[n] for n in picked], places,
                               [doubts[n] for n in picked if n in doubts]))
    return takes


def _pair(group: Sequence[_Played], sides: list[int]) -> list[int]:
    """Sides of two files of which at most one says its side; a lone part is heard from the middle."""
    if any(sides):
        return [side or -sum(sides) for side in sides]
    if group[0].file.name.role in LONE:
        return sides
    first, second = (one.file.name for one in group)
    mirrored = (first.double, first.number) > (second.double, second.number)
    return [1, -1] if mirrored else [-1, 1]


def _unsided(group: Sequence[_Played]) -> list[int]:
    """Sides of three or more files that say none: numbered tracks left and right in turn, numbered takes are passes."""
    names = [one.file.name for one in group]
    numbers = sorted(name.number for name in names)
    in_turn = (len(group) % 2 == 0 and numbers == list(range(1, len(group) + 1))
               and not any(name.by_take_word for name in names) and names[0].role not in LONE)
    return [-1 if name.number % 2 else 1 for name in names] if in_turn else [0] * len(group)


def _rows(group: Sequence[_Played], sides: Sequence[int]) -> list[tuple[int, list[int]]]:
    """Indices of the performances of every take: those of one side, in the order of their numbers."""
    by_side = any(one.side for one in group) or not any(sides)
    rows: list[tuple[int, list[int]]] = []
    for side in sorted(set(sides), key=lambda side: (side == 0, side)):
        of_side = sorted((n for n, other in enumerate(sides) if other == side),
                         key=lambda n: (group[n].file.name.number, n))
        rows += [(side, of_side)] if by_side else [(side, [n]) for n in of_side]
    return rows if by_side else sorted(rows, key=lambda row: (group[row[1][0]].file.name.number, row[0]))


def _take(layer: str, name: str, side: int, group: Sequence[_Played], places: Places,
          doubts: list[str]) -> DraftedTake:
    """One take of its performances."""
    numbers = [one.file.name.number for one in group]
    named = 0 not in numbers and len(set(numbers)) == len(numbers)
    passes, remarks = [], []
    for n, one in enumerate(group):
        sources, remark, doubt = sources_of(one.files)
        if one.channel is not None:
            sources, remark = (Source(one.file, one.channel),), "the two channels have no relation: a take in each"
        if not one.file.name.role and sounds_like_speech(one.file):
            doubt = "sounds like speech, and its name says no part"
        start = places.starts[one.file]
        passes.append(Performance(str(numbers[n] if named else n + 1), sources, start))
        remarks += [text for text in (remark, start.remark) if text]
        if len(group) == 1:
            doubts += [text for text in (doubt, start.unsure) if text]
        else:
            remarks += [f"pass {passes[-1].name}: {text}" for text in (doubt, start.unsure) if text]
    pan = 100.0 * side if not doubts else 0.0 if not side else 100.0 * min(side, 0)
    return DraftedTake(layer, name, pan, tuple(passes), tuple(dict.fromkeys(remarks)), tuple(dict.fromkeys(doubts)))

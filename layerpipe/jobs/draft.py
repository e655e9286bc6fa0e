"""A starting recipe for a folder of takes, from their names and headers.

Names are read word by word: words for an octave make the octave layer, words for a side (or 1 and 2) set the pan, words
for the rest of the track make the bed. Any other words that two takes share make a layer of their own; the remaining
takes are the regular layer. The audio is not analysed, so the draft sets no tempo and no filters.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from layerpipe.audio_files.reader import FileFacts, inspect
from layerpipe.core.errors import AudioError, Fault, OutputError, RecipeError
from layerpipe.core.files.atomic import write_whole
from layerpipe.core.text import one_line
from layerpipe.outputs.bounce.manifest import MANIFEST
from layerpipe.outputs.preview.file_list import LIST_NAME
from layerpipe.recipe.model import MOST_LAYERS, MOST_TAKES
from layerpipe.recipe.names import ALL_LAYERS, refuse_control, refuse_name
from layerpipe.recipe.reader import parse_recipe
from layerpipe.recipe.tempo_map import seconds_text
from layerpipe.recipe.toml_text import toml_text

MOST_FILES = 2_000
OCTAVE_LEVEL_DB = -9.0
_OCTAVE = {"octave", "octaves", "oct", "8va", "high", "hi", "upper", "strung"}
_BED = {"bed", "backing", "playback", "instrumental"}
_LEFT = {"left", "l", "lt", "lft"}
_RIGHT = {"right", "r", "rt", "rgt"}
_NEUTRAL = {"take", "tk", "final", "new", "audio", "mono", "stem", "stems", "double", "dbl", "main", "regular"}
_WORD = re.compile(r"8va|[^\W\d_]+|\d+")
_CAMEL = re.compile(r"(?<=[^\W\d_A-Z])(?=[A-Z])")


@dataclass(frozen=True)
class Skipped:
    """A file or folder that is skipped, and why."""

    file: Path
    why: str


@dataclass(frozen=True)
class DraftedTake:
    """One take of the draft."""

    layer: str
    name: str
    facts: FileFacts
    pan: float


@dataclass(frozen=True)
class Draft:
    """A starting recipe and the files it was made from."""

    text: str
    takes: tuple[DraftedTake, ...]
    bed: FileFacts | None
    skipped: tuple[Skipped, ...]


@dataclass(frozen=True)
class _NameParts:
    """What a file's name says."""

    facts: FileFacts
    octave: bool
    side: int
    """-1 left, 1 right, 0 unknown."""
    number: int
    """0 where there is none."""
    rest: str
    """The other words."""


def draft_recipe(folder: Path, home: Path) -> Draft:
    """Draft a recipe for the audio files of a folder and of the folders in it.

    Parameters
    ----------
    folder : Path
    home : Path
        The folder of the recipe; its files are named relative to it.

    Returns
    -------
    Draft
        Its text is a recipe without faults.

    Raises
    ------
    RecipeError
        If there is no such folder, or it contains more files than a song can have.
    AudioError
        If it contains no usable audio file.
    """
    home = Path(os.path.realpath(home))
    found, skipped = _look_through(folder, home)
    usable: list[_NameParts] = []
    bed: FileFacts | None = None
    for facts in found:
        words = _words(facts.path.stem)
        if _BED & set(words) and bed is None and facts.channels <= 2:
            bed = facts
        elif len(usable) == MOST_TAKES:
            skipped.append(Skipped(facts.path, f"a recipe has at most {MOST_TAKES} takes"))
        else:
            usable.append(_parts_of(facts, words))
    if not usable:
        faults = [Fault(skip.file, "", skip.why) for skip in skipped]
        raise AudioError([Fault(folder, "", "contains no usable audio file"), *faults])
    takes = [take for name, group in _layers(usable).items() for take in _placed(name, group)]
    text = "\n".join(_lines(one_line(folder.resolve().name), takes, bed, home)) + "\n"
    parse_recipe(home / "draft.toml", text)
    return Draft(text, tuple(takes), bed, tuple(sorted(skipped, key=lambda skip: str(skip.file))))


def write_draft(draft: Draft, target: Path) -> None:
    """Write a draft to a new file, completely or not at all.

    Raises
    ------
    OutputError
        If the file exists, or cannot be written.
    """
    try:
        if os.path.lexists(target):
            raise OutputError(f"{target}: exists and was left as it is; choose another name")
        write_whole(target, draft.text.encode())
    except OSError as refusal:
        raise OutputError(f"{target}: cannot be written: {refusal.strerror or refusal}") from refusal


def _look_through(folder: Path, home: Path) -> tuple[list[FileFacts], list[Skipped]]:
    """The audio files below a folder, and the others with the reason; hidden files and bounces are skipped."""
    if not folder.is_dir():
        problem = "is not a folder; give the folder of the takes" if folder.exists() else "there is no such folder"
        raise RecipeError([Fault(folder, "", problem)])
    found: list[FileFacts] = []
    skipped: list[Skipped] = []
    seen = 0
    for inside, folders, files in os.walk(folder, onerror=_refuse):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        bounces = [name for name in folders if (Path(inside) / name / MANIFEST).is_file()]
        skipped += [Skipped(Path(inside) / name, "is a bounce, not a folder of takes") for name in bounces]
        previews = [name for name in folders if name not in bounces and (Path(inside) / name / LIST_NAME).is_file()]
        skipped += [Skipped(Path(inside) / name, "holds listening files, not takes") for name in previews]
        folders[:] = [name for name in folders if name not in {*bounces, *previews}]
        for name in sorted(files):
            path = Path(inside) / name
            seen += not name.startswith(".")
            if seen > MOST_FILES:
                problem = f"contains more than {MOST_FILES} files; give the folder of one song"
                raise RecipeError([Fault(folder, "", problem)])
            if name.startswith("."):
                continue
            try:
                refuse_control(_relative(home, path))
                found.append(inspect(path))
            except ValueError as refusal:
                skipped.append(Skipped(path, f"its name cannot be written in a recipe: {refusal}"))
            except AudioError as refusal:
                skipped.append(Skipped(path, refusal.faults[0].problem))
    return found, skipped


def _refuse(refusal: OSError) -> None:
    """Refuse a folder that cannot be read."""
    raise AudioError([Fault(Path(refusal.filename), "", f"cannot be read: {refusal.strerror}")]) from refusal


def _relative(home: Path, path: Path) -> str:
    """A file as a recipe in `home` names it: links in folders followed, forward slashes."""
    return Path(os.path.relpath(Path(os.path.realpath(path.parent)) / path.name, home)).as_posix()


def _words(name: str) -> list[str]:
    """The words and numbers of a file name in small letters: "GtrLeft_02" is gtr, left, 02."""
    return _WORD.findall(_CAMEL.sub(" ", name).lower())


def _parts_of(facts: FileFacts, words: Sequence[str]) -> _NameParts:
    """Sort the words of a name into sides, numbers and others."""
    sides = [-1 if word in _LEFT else 1 for word in words if word in _LEFT | _RIGHT]
    numbers = [int(word) for word in words if word.isdecimal() and 0 < int(word[:9]) <= MOST_TAKES]
    known = _LEFT | _RIGHT | _OCTAVE | _NEUTRAL
    rest = [word for word in words if word not in known and not word.isdecimal() and len(word) > 1]
    return _NameParts(facts, bool(_OCTAVE & set(words)), sides[-1] if sides else 0, numbers[-1] if numbers else 0,
                  " ".join(rest))


def _layers(usable: Sequence[_NameParts]) -> dict[str, list[_NameParts]]:
    """The takes by layer, the octave last. Words make a layer if two takes share them and other takes do not."""
    counts = Counter(take.rest for take in usable if not take.octave)
    pairs = [rest for rest, count in counts.items() if count > 1 and _is_layer_name(rest)]
    own = set(pairs[: MOST_LAYERS - 2]) if len(counts) > 1 else set()
    layers: dict[str, list[_NameParts]] = {}
    for take in sorted(usable, key=lambda take: take.octave):
        name = "octave" if take.octave else take.rest if take.rest in own else "regular"
        layers.setdefault(name, []).append(take)
    return layers


def _is_layer_name(name: str) -> bool:
    """Whether words from file names can name a layer."""
    try:
        return 0 < len(refuse_name(name)) <= 80 and name not in ALL_LAYERS
    except ValueError:
        return False


def _placed(layer: str, group: Sequence[_NameParts]) -> Iterator[DraftedTake]:
    """Name and pan the takes of a layer: sides as named, odd numbers left, even numbers right, the others spread."""
    sides = [take.side for take in group]
    if len(group) > 1:
        sides = [side or (0 if not take.number else -1 if take.number % 2 else 1)
                 for side, take in zip(sides, group, strict=True)]
    if len(group) == 2 and sides in ([0, 0], [-1, 0], [0, 1]):
        sides = [-1, 1]
    elif len(group) == 2 and 0 in sides:
        sides = [1, -1]
    free = [n for n, side in enumerate(sides) if not side]
    pans = [100.0 * side for side in sides]
    for place, n in enumerate(free):
        pans[n] = round(-100 + 200 * place / (len(free) - 1)) + 0.0 if len(free) > 1 else 0.0
    used: Counter[str] = Counter()
    for take, side, pan in zip(group, sides, pans, strict=True):
        name = {-1: "left", 0: "take", 1: "right"}[side]
        used[name] += 1
        yield DraftedTake(layer, name if used[name] == 1 else f"{name} {used[name]}", take.facts, pan)


def _lines(folder: str, takes: Sequence[DraftedTake], bed: FileFacts | None, home: Path) -> Iterator[str]:
    """The draft, line by line."""
    rates = Counter(take.facts.rate_hz for take in takes)
    layers = list(dict.fromkeys(take.layer for take in takes))
    title = " ".join(word.capitalize() for word in re.split(r"[\s_-]+", folder) if word)[:200] or "Untitled"
    yield "# A starting recipe, from the names and headers of the takes; the audio was not analysed."
    yield "# Check names, pans and levels. Lines that begin with # do nothing until the # is removed."
    yield ""
    yield "[song]"
    yield f"title = {toml_text(title)}"
    yield 'artist = ""'
    yield "# tempo = 100.0     # beats per minute; in 6/8, 9/8 and 12/8 a beat is a dotted note, see beat_note"
    yield '# meter = "4/4"'
    yield "# bar_one_s = 0.0   # seconds from the start of the files to the downbeat of bar 1"
    if len(rates) > 1:
        yield f"sample_rate_hz = {rates.most_common(1)[0][0]}   # takes at another rate are converted"
    yield ""
    yield "# Sections need a tempo."
    yield "# [[section]]"
    yield '# name = "verse"'
    yield "# bars = [1, 8]     # first and last, both included"
    yield f"# levels_db = {{ {layers[-1]} = -12.0 }}" if layers[-1].isalnum() else "# levels_db = {}"
    if bed is not None:
        yield from ["", "[bed]               # for listening only; never part of the stems"]
        yield f"file = {toml_text(_relative(home, bed.path))}   # {_facts_text(bed)}"
        yield "gain_db = 0.0"
    longest_s = max(take.facts.seconds for take in takes)
    for layer in layers:
        yield from ["", "", "[[layer]]", f"name = {toml_text(layer)}"]
        under = layer == "octave" and len(layers) > 1
        yield f"level_db = {OCTAVE_LEVEL_DB}     # to begin with; decide by ear" if under else "level_db = 0.0"
        yield "# [layer.chain]     # for every take of the layer"
        yield "# high_pass = [{ hz = 40 }]"
        for take in takes:
            if take.layer == layer:
                yield from _take_lines(take, longest_s, home)


def _take_lines(take: DraftedTake, longest_s: float, home: Path) -> Iterator[str]:
    """One take of the draft."""
    yield from ["", "[[layer.take]]", f"name = {toml_text(take.name)}"]
    yield f"file = {toml_text(_relative(home, take.facts.path))}   # {_facts_text(take.facts)}"
    if take.facts.channels > 1:
        yield f"channel = 1         # of {take.facts.channels}; a take is one channel"
    yield f"pan = {take.pan:g}"
    short_s = longest_s - take.facts.seconds
    if short_s > 0.0005:
        yield f"# {short_s:.3f} s shorter than the longest take; silence is added at its end"


def _facts_text(facts: FileFacts) -> str:
    """Length, rate and word length of a file."""
    bits = f"{facts.bits} bit" if facts.bits else "float"
    return f"{seconds_text(facts.seconds)} long, {facts.rate_hz / 1000:g} kHz, {bits}"

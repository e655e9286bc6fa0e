"""The differences between two states of a take in words: its files and their places, passes, comp, edits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from layerpipe.outputs.settings_text import pan_words, rows_of
from layerpipe.outputs.verify.settings_diff import Table, by_name, settings_changes, table_in, without_keys
from layerpipe.recipe.model.types import TIME_REFERENCE

_OF_FILES = ("file", "channel", "mics", "starts", "shift_ms", "move")


def take_changes(old: Table, new: Table) -> Iterator[str]:
    """One take, without its chain."""
    if old.get("pan") != new.get("pan"):
        yield f"pan {pan_words(old.get('pan'))} -> {pan_words(new.get('pan'))}"
    for key, words in (("mute", ("muted", "no longer muted")),
                       ("invert_polarity", ("polarity inverted", "polarity as recorded"))):
        if old.get(key) != new.get(key):
            yield words[0] if new.get(key) else words[1]
    yield from _note_changes(old, new)
    yield from _file_changes(old, new)
    yield from _passes(by_name(rows_of(old, "passes")), by_name(rows_of(new, "passes")))
    if old.get("play") != new.get("play"):
        yield f"plays pass: {_or_first(old.get('play'))} -> {_or_first(new.get('play'))}"
    yield from _comp(rows_of(old, "comp"), rows_of(new, "comp"))
    others = ("name", "pan", "mute", "invert_polarity", "notes", "chain", "passes", "play", "comp")
    yield from settings_changes(*without_keys((old, new), *others, *_OF_FILES), "")


def file_words(take: Table) -> str:
    """What a take is played from."""
    passes, mics = rows_of(take, "passes"), rows_of(take, "mics")
    if passes:
        return f"passes {', '.join(by_name(passes))}"
    return ", ".join(dict.fromkeys(str(mic.get("file")) for mic in mics)) if mics else str(take.get("file"))


def _note_changes(old: Table, new: Table) -> Iterator[str]:
    """Notes on a take or pass."""
    notes = table_in(old, "notes"), table_in(new, "notes")
    for key in dict.fromkeys((*notes[0], *notes[1])):
        if notes[0].get(key) != notes[1].get(key):
            yield f'note on {key}: "{notes[0].get(key, "")}" -> "{notes[1].get(key, "")}"'


def _file_changes(old: Table, new: Table) -> Iterator[str]:
    """Where the sound of a take or pass comes from, where it begins, its microphones and its edits."""
    if (old.get("starts") or 0) != (new.get("starts") or 0):
        yield f"begins at {_place(old.get('starts'))} -> {_place(new.get('starts'))}"
    before, now = ({"file": side.get("file"), "channel": side.get("channel"), "shift_ms": side.get("shift_ms") or 0.0}
                   for side in (old, new))
    yield from settings_changes(before, now, "")
    olds, news = rows_of(old, "mics"), rows_of(new, "mics")
    for number, mic in enumerate(olds[len(news) :], start=len(news) + 1):
        yield f"microphone {number} removed ({mic.get('file')})"
    for number, mic in enumerate(news, start=1):
        if number > len(olds):
            yield f"microphone {number} added ({mic.get('file')})"
        else:
            yield from settings_changes(olds[number - 1], mic, f"microphone {number}: ")
    yield from _moves(rows_of(old, "move"), rows_of(new, "move"))


def _passes(olds: dict[str, Table], news: dict[str, Table]) -> Iterator[str]:
    """Passes, matched by name."""
    for name in [*olds, *(name for name in news if name not in olds)]:
        if name not in news:
            yield f"pass {name} removed"
        elif name not in olds:
            yield f"pass {name} added ({file_words(news[name])})"
        else:
            sides = olds[name], news[name]
            yield from (f"pass {name}: {line}" for line in (*_note_changes(*sides), *_file_changes(*sides)))
            yield from settings_changes(*without_keys(sides, "name", "notes", *_OF_FILES), f"pass {name}: ")


def _comp(old: Sequence[Table], new: Sequence[Table]) -> Iterator[str]:
    """Which pass is heard where, matched by the part of the song."""
    olds, news = ({(str(part.get("from")), str(part.get("to"))): part for part in parts} for parts in (old, new))
    for piece in [*olds, *(piece for piece in news if piece not in olds)]:
        words = f"{piece[0]} to {piece[1]}"
        if piece not in news:
            yield f"{words} no longer from pass {olds[piece].get('pass')}"
        elif piece not in olds:
            yield f"{words} from pass {news[piece].get('pass')}"
        else:
            yield from settings_changes(*without_keys((olds[piece], news[piece]), "from", "to"), f"{words}: ")


def _place(starts: Any) -> str:
    """Where a file begins."""
    if not starts:
        return "the start of the song"
    if isinstance(starts, int | float):
        return f"{starts:g} s"
    return "its time reference" if starts == TIME_REFERENCE else str(starts)


def _or_first(name: Any) -> str:
    """The pass that is played; the first if none is named."""
    return "the first" if name is None else str(name)


def _moves(old: Sequence[Table], new: Sequence[Table]) -> Iterator[str]:
    """Edits, matched by the piece they move."""
    olds, news = ({(str(move.get("from")), str(move.get("to"))): move for move in moves} for moves in (old, new))
    for piece in [*olds, *(piece for piece in news if piece not in olds)]:
        words = f"{piece[0]} to {piece[1]}"
        if piece not in news:
            yield f"{words} no longer moved (was {_later(olds[piece])})"
        elif piece not in olds:
            yield f"{words} moved {_later(news[piece])}"
        elif olds[piece] != news[piece]:
            if olds[piece].get("by_ms") != news[piece].get("by_ms"):
                yield f"{words} moved {_later(olds[piece])} -> {_later(news[piece])}"
            yield from settings_changes({"crossfade_ms": olds[piece].get("crossfade_ms")},
                                 {"crossfade_ms": news[piece].get("crossfade_ms")},
                                 f"{words}: ")


def _later(move: Table) -> str:
    """How far an edit moves."""
    by_ms = move.get("by_ms")
    if not isinstance(by_ms, int | float):
        return str(by_ms)
    return f"{abs(by_ms):g} ms {'later' if by_ms >= 0 else 'earlier'}"

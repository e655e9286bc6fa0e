"""What the artist sends back, read strictly: one line of text, or a small TOML file, into chosen levels.

The line, found anywhere in a message and free to be wrapped between its words::

    layerpipe levels 1: "Lantern on the Pier"; "chorus" "octave" -7.5 dB, remark "more"; "verse" "octave" off
    (check 3f2a)

    answer = "layerpipe levels 1:" title (";" entry)+ "(check" 4 hexadecimal digits ")"
    entry  = section layer level ("," layer level)* ("," "remark" text)?
    level  = "off" | number "dB"

Titles, sections, layers and texts are JSON strings in which the page writes all that mail programs like to change
(typographic quotes, dashes, odd spaces, invisible characters) as numbers. Before reading, runs of white space become
one space, typographic double quotes plain ones, long dashes hyphens. The check is the CRC-16 (polynomial 1021 hex,
start FFFF hex) of the UTF-8 line before " (check", NFC: it shows a line that was cut short or retyped.
The file holds the same: `format = "layerpipe levels 1"`, `title`, and for each section a `[[choice]]` with `section`,
`levels_db` and an optional `remark`.
Sources: RFC 8259 (strings), TOML 1.0.0, Unicode Standard Annex 15 (NFC).
"""

from __future__ import annotations

import binascii
import json
import math
import re
import tomllib
import unicodedata
from dataclasses import dataclass, field
from typing import Any, NoReturn

from layerpipe.core.errors import LayerpipeError

FORMAT = "layerpipe levels 1"
MOST_CHARACTERS = 1 << 16
MOST_CHOICES = 4096
# A recipe's names have 80 characters; NFC may make three of one (UAX 15).
LONGEST_NAME, LONGEST_REMARK = 240, 280
LOWEST_DB, HIGHEST_DB = -200.0, 60.0

_MARK = re.compile(r"layerpipe levels (\d{1,9}):")
_FILE = re.compile(r"""^[ \t]*format[ \t]*=[ \t]*["']layerpipe levels""", re.MULTILINE)
_TOKEN = re.compile(r'''"(?:[^"\\\x00-\x1f]|\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4}))*"|[;,]|off\b|remark\b|dB\b'''
                    r"|-?[0-9]{1,3}(?:\.[0-9]{1,2})?(?![0-9.])")
_CHECK = re.compile(r" ?\(check ([0-9a-f]{4})\)")
_ALIKE = {ord(mark): '"' for mark in "\u201c\u201d\u201e\u201f\u2033\u2036"} | {
    ord(dash): "-" for dash in "\u2010\u2011\u2012\u2013\u2014\u2015\u2212"}
_UNSEEN = frozenset({"Cc", "Zl", "Zp", "Cs", "Co", "Cn"})
_TURNING = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")


class AnswerError(LayerpipeError):
    """The text is not an answer of the artist's page, or did not arrive whole; exit code 2."""


@dataclass(frozen=True)
class ChosenLevel:
    """One layer's level in one section; -inf is off. Names are NFC."""

    section: str
    layer: str
    level_db: float


@dataclass(frozen=True)
class Answer:
    """Everything the artist chose. Remarks, by section, hold no control characters and are safe to print."""

    title: str
    levels: tuple[ChosenLevel, ...]
    remarks: dict[str, str] = field(default_factory=dict)


def read_answer(text: str) -> Answer:
    """Read what came back from the artist.

    Parameters
    ----------
    text : str
        The line, alone or inside a message, or the content of the saved file; at most 65536 characters.

    Returns
    -------
    Answer

    Raises
    ------
    AnswerError
        If it is anything else, is cut short, changed, contradicts itself, or goes past a limit.
    """
    if len(text) > MOST_CHARACTERS:
        _refuse(f"is longer than {MOST_CHARACTERS} characters; give the one line or the saved file alone")
    return _read_file(text) if _FILE.search(text) else _read_line(text)


def same_name(one: str, other: str) -> bool:
    """Whether a name of an answer is one of a recipe, however the accents were composed."""
    return unicodedata.normalize("NFC", one) == unicodedata.normalize("NFC", other)


def _read_line(text: str) -> Answer:
    """The plain line."""
    text = " ".join(unicodedata.normalize("NFC", text).translate(_ALIKE).split())
    mark = _MARK.search(text)
    if not mark:
        _refuse(f'holds no line that begins with "{FORMAT}:" and is no saved file either')
    if mark.group(1) != "1":
        _refuse(f"is of version {mark.group(1)}; this layerpipe reads version 1")
    words, end = _words(text, mark.end())
    told = _CHECK.match(text, end)
    if not told:
        _refuse(f"cannot be read past {_shown(text[max(mark.start(), end - 30) : end])}; it should go on, or end "
                "with its (check ....): copy it once more, whole")
    if _MARK.search(text, told.end()):
        _refuse("holds more than one answer; give one at a time")
    line = text[mark.start() : end]
    if f"{binascii.crc_hqx(line.encode('utf-8', 'surrogatepass'), 0xFFFF):04x}" != told.group(1):
        _refuse("was changed on its way: its check does not fit; copy it once more, whole")
    return _Sentence(words).answer()


def _words(text: str, at: int) -> tuple[list[str], int]:
    """Split from `at` on into strings, signs and numbers, as far as it goes."""
    words: list[str] = []
    while True:
        found = _TOKEN.match(text, at + 1 if text[at : at + 1] == " " else at)
        if not found:
            return words, at
        words.append(found.group())
        at = found.end()
        if len(words) > 8 * MOST_CHOICES:
            _refuse(f"holds more than {MOST_CHOICES} choices")


class _Sentence:
    """The words of a line, taken one after the other."""

    def __init__(self, words: list[str]) -> None:
        self._words = words
        self._at = 0

    def answer(self) -> Answer:
        """title (";" entry)+"""
        made = _Made(_name(self._string("the title"), "title"))
        while self._taken(";"):
            section = _name(self._string("a section"), "section")
            layer, remark = self._string("a layer"), None
            levels = {layer: self._level()}
            while remark is None and self._taken(","):
                if self._taken("remark"):
                    remark = self._string("the remark")
                else:
                    layer = self._string("a layer")
                    if layer in levels:
                        _refuse(f"names layer {_shown(layer)} twice in section {_shown(section)}")
                    levels[layer] = self._level()
            made.add(section, levels, remark)
        if self._at < len(self._words):
            _refuse(f"cannot be read at {_shown(self._words[self._at])}")
        return made.answer()

    def _taken(self, word: str) -> bool:
        """Take this word if it is next."""
        found = self._words[self._at : self._at + 1] == [word]
        self._at += found
        return found

    def _string(self, what: str) -> str:
        """Take a quoted string."""
        word = self._words[self._at] if self._at < len(self._words) else ""
        if not word.startswith('"'):
            _refuse(f"lacks {what} in quotes" + (f" before {_shown(word)}" if word else " at its end"))
        self._at += 1
        text: str = json.loads(word)
        return text

    def _level(self) -> float:
        """Take `off` or a number and `dB`."""
        if self._taken("off"):
            return -math.inf
        word = self._words[self._at] if self._at < len(self._words) else ""
        if not re.fullmatch(r"-?[\d.]+", word):
            _refuse('lacks a level, "off" or a number and dB, ' + (f"before {_shown(word)}" if word else "at its end"))
        self._at += 1
        if not self._taken("dB"):
            _refuse(f"lacks dB after {word}")
        return float(word)


class _Made:
    """An answer in the making; refuses what contradicts itself or passes a limit."""

    def __init__(self, title: str) -> None:
        self._title = title
        self._levels: list[ChosenLevel] = []
        self._remarks: dict[str, str] = {}
        self._sections: set[str] = set()

    def add(self, section: str, levels: dict[str, float], remark: str | None) -> None:
        """One section's choices."""
        if section in self._sections:
            _refuse(f"names section {_shown(section)} twice")
        self._sections.add(section)
        for layer, level_db in levels.items():
            if not (level_db == -math.inf or LOWEST_DB <= level_db <= HIGHEST_DB):
                _refuse(f"asks for {level_db:g} dB; levels lie between {LOWEST_DB:g} and {HIGHEST_DB:g} dB, or are off")
            self._levels.append(ChosenLevel(section, _name(layer, "layer"), level_db))
        if len(self._levels) > MOST_CHOICES:
            _refuse(f"holds more than {MOST_CHOICES} choices")
        if remark is not None:
            self._remarks[section] = _remark(remark)

    def answer(self) -> Answer:
        """The whole of it."""
        if not self._levels:
            _refuse("holds no choice")
        return Answer(self._title, tuple(self._levels), self._remarks)


def _read_file(text: str) -> Answer:
    """The saved file."""
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as refusal:
        # A number of thousands of digits is a plain ValueError; a text of brackets runs out of stack.
        reason = str(refusal) if isinstance(refusal, tomllib.TOMLDecodeError) else "it holds what no saved file holds"
        raise AnswerError(f"the answer is no file the page saved: {_printable(reason)[:200]}") from refusal
    _only(content, {"format", "title", "choice"}, "the file")
    if content.get("format") != FORMAT:
        _refuse(f'must have format = "{FORMAT}"')
    made = _Made(_name(content.get("title"), "title"))
    choices = content.get("choice", [])
    if not isinstance(choices, list) or len(choices) > MOST_CHOICES:
        _refuse(f"must hold [[choice]] tables, at most {MOST_CHOICES}")
    for choice in choices:
        if not isinstance(choice, dict):
            _refuse("must hold [[choice]] tables")
        _only(choice, {"section", "levels_db", "remark"}, "a choice")
        section = _name(choice.get("section"), "section")
        levels = choice.get("levels_db")
        if not isinstance(levels, dict) or not levels or not all(
                isinstance(level, int | float) and not isinstance(level, bool) for level in levels.values()):
            _refuse(f"must give section {_shown(section)} levels_db = {{ LAYER = LEVEL }}")
        # An integer too large for a float would not be a level either way.
        as_floats = {layer: float(max(-1000, min(1000, level))) if isinstance(level, int) else level
                     for layer, level in levels.items()}
        remark = choice.get("remark")
        if remark is not None and not isinstance(remark, str):
            _refuse(f"must give section {_shown(section)} a remark in quotes")
        made.add(section, as_floats, remark)
    return made.answer()


def _only(table: dict[str, Any], known: set[str], what: str) -> None:
    """Refuse unknown keys."""
    for key in table:
        if key not in known:
            _refuse(f"has {_shown(key)} in {what}, where only {', '.join(sorted(known))} may stand")


def _name(text: Any, what: str) -> str:
    """A title, section or layer: any text the recipe could have, NFC."""
    if not isinstance(text, str) or not 1 <= len(text) <= LONGEST_NAME:
        _refuse(f"must have a {what} of 1 to {LONGEST_NAME} characters in quotes")
    return unicodedata.normalize("NFC", text)


def _remark(text: str) -> str:
    """A remark that can be printed anywhere."""
    if len(text) > LONGEST_REMARK:
        _refuse(f"holds a remark of more than {LONGEST_REMARK} characters")
    if any(unicodedata.category(letter) in _UNSEEN or letter in _TURNING for letter in text):
        _refuse("holds a remark with control characters, which the page never writes")
    return text


def _printable(text: str) -> str:
    """Without anything a terminal would act on."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def _shown(text: str) -> str:
    """A piece of it for a message: short, quoted, printable."""
    return json.dumps(_printable(text[:60]), ensure_ascii=False)


def _refuse(problem: str) -> NoReturn:
    """The short letter."""
    raise AnswerError(f"the answer {problem}")

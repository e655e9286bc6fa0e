"""An artist's answer: the chosen levels, comments and blind comparisons, held inside stated limits.

`answer_reader` reads it from a line of text, `answer_file` from a saved file; the page's `answer.js` writes both.
Levels are dB, -inf is off.
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from dataclasses import dataclass, field
from typing import Any, NoReturn

from layerpipe.core.errors import LayerpipeError

FORMAT = "layerpipe levels 2"
MOST_CHARACTERS = 1 << 16
MOST_CHOICES = 4096
# A recipe's names have 80 characters; NFC may make three of one (UAX 15).
LONGEST_NAME, LONGEST_COMMENT = 240, 280
LOWEST_DB, HIGHEST_DB = -200.0, 60.0

_PAGE_ID = re.compile(r"[0-9a-f]{16}")
_INVISIBLE = frozenset({"Cc", "Zl", "Zp", "Cs", "Co", "Cn"})
_DIRECTION_MARKS = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")


class AnswerError(LayerpipeError):
    """The text is not an answer of the artist's page, or did not arrive complete; exit code 2."""


@dataclass(frozen=True)
class ChosenLevel:
    """One layer's level in one section, and the level the page proposed there. Names are NFC."""

    section: str
    layer: str
    level_db: float
    was_db: float


@dataclass(frozen=True)
class Answer:
    """Everything the artist chose.

    Attributes
    ----------
    title : str
    page_id : str
        Identifies takes, bars and reference layer of the song as the page had them (`page_id`).
    levels : tuple of ChosenLevel
    comments, comparisons : dict of str to str
        By section; free of control characters, safe to print.
    """

    title: str
    page_id: str
    levels: tuple[ChosenLevel, ...]
    comments: dict[str, str] = field(default_factory=dict)
    comparisons: dict[str, str] = field(default_factory=dict)


class AnswerBuilder:
    """Collects an answer; refuses what contradicts itself or passes a limit."""

    def __init__(self, page_id: Any, title: Any) -> None:
        if not isinstance(page_id, str) or not _PAGE_ID.fullmatch(page_id):
            refuse("must have a page id of 16 hexadecimal digits")
        self._page_id = page_id
        self._title = checked_name(title, "title")
        self._levels: list[ChosenLevel] = []
        self._comments: dict[str, str] = {}
        self._comparisons: dict[str, str] = {}
        self._sections: set[str] = set()

    def add(self, section: str, levels: dict[str, tuple[float, float]], comment: str | None,
            compared: str | None) -> None:
        """Add one section: by layer the chosen level and the one before, and the two texts."""
        if section in self._sections:
            refuse(f"names section {quoted(section)} twice")
        self._sections.add(section)
        for layer, (level_db, was_db) in levels.items():
            for value in (level_db, was_db):
                if not (value == -math.inf or LOWEST_DB <= value <= HIGHEST_DB):
                    refuse(f"asks for {value:g} dB; levels are between {LOWEST_DB:g} and {HIGHEST_DB:g} dB, or off")
            self._levels.append(ChosenLevel(section, checked_name(layer, "layer"), level_db, was_db))
        if len(self._levels) > MOST_CHOICES:
            refuse(f"holds more than {MOST_CHOICES} choices")
        for texts, text, what in ((self._comments, comment, "comment"), (self._comparisons, compared, "comparison")):
            if text is not None:
                texts[section] = _checked_text(text, what)

    def answer(self) -> Answer:
        """Finish."""
        if not self._levels:
            refuse("holds no choice")
        return Answer(self._title, self._page_id, tuple(self._levels), self._comments, self._comparisons)


def same_name(one: str, other: str) -> bool:
    """Whether a name of an answer is one of a recipe, however the accents were composed."""
    return unicodedata.normalize("NFC", one) == unicodedata.normalize("NFC", other)


def checked_name(text: Any, what: str) -> str:
    """A title, section or layer: any text a recipe could have, NFC."""
    if not isinstance(text, str) or not 1 <= len(text) <= LONGEST_NAME:
        refuse(f"must have a {what} of 1 to {LONGEST_NAME} characters in quotes")
    return unicodedata.normalize("NFC", text)


def _checked_text(text: str, what: str) -> str:
    """A comment that can be printed anywhere."""
    if len(text) > LONGEST_COMMENT:
        refuse(f"holds a {what} of more than {LONGEST_COMMENT} characters")
    if any(unicodedata.category(sign) in _INVISIBLE or sign in _DIRECTION_MARKS for sign in text):
        refuse(f"holds a {what} with control characters, which the page never writes")
    return text


def printable(text: str) -> str:
    """Replace everything a terminal would act on."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def quoted(text: str) -> str:
    """A part of the answer for a message: short, quoted, printable."""
    return json.dumps(printable(text[:60]), ensure_ascii=False)


def refuse(problem: str) -> NoReturn:
    """Raise the error."""
    raise AnswerError(f"the answer {problem}")

"""Reads what the artist sends back: one line of text anywhere in a message, or the saved file.

The line may be wrapped between its words::

    layerpipe levels 2: page 0f3a...; "Lantern on the Pier"; "chorus" "octave" -7.5 dB was -9 dB, comment "more";
    "verse" "octave" off was -12 dB (check 3f2a)

    answer = "layerpipe levels 2:" "page" 16 hexadecimal digits ";" title (";" entry)+ "(check" 4 hexadecimal digits ")"
    entry  = section layer level "was" level ("," layer level "was" level)* ("," "comment" text)? ("," "compared" text)?
    level  = "off" | number "dB"

Titles, sections, layers and texts are JSON strings in which the page writes everything that mail programs like to
change (typographic quotes, dashes, odd spaces, invisible characters, angle brackets) as numbers. The check is the
CRC-16 (polynomial 1021 hex, start FFFF hex) of the UTF-8 line before " (check", NFC: it detects a line that was cut
short or retyped. `mail_text` undoes what mail did. Sources: RFC 8259 (strings), Unicode Standard Annex 15 (NFC).
"""

from __future__ import annotations

import binascii
import json
import math
import re

from layerpipe.outputs.artist_page.answers.answer import (
    FORMAT,
    MOST_CHARACTERS,
    MOST_CHOICES,
    Answer,
    AnswerBuilder,
    AnswerError,
    checked_name,
    quoted,
    refuse,
)
from layerpipe.outputs.artist_page.answers.file import is_saved_file, read_saved_file
from layerpipe.outputs.artist_page.answers.mail_text import plain_text

# A message quotes a few earlier ones at most; each attempt costs one pass over the text.
_MOST_ATTEMPTS = 16
_START = re.compile(r"[Ll]ayerpipe levels (\d{1,9}):")
_TOKEN = re.compile(r'''"(?:[^"\\\x00-\x1f]|\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4}))*"|[;,]'''
                    r"|(?:page|off|comment|compared|was|dB)\b|[0-9a-f]{16}(?![0-9a-zA-Z])"
                    r"|-?[0-9]{1,3}(?:\.[0-9]{1,2})?(?![0-9.])")
_CHECK = re.compile(r" ?\(check ([0-9a-f]{4})\)")


def read_answer(text: str) -> Answer:
    """Read what came back from the artist.

    Parameters
    ----------
    text : str
        The line, alone or inside a message (plain or HTML, quoted or not), or the content of the saved file; at most
        65536 characters.

    Returns
    -------
    Answer

    Raises
    ------
    AnswerError
        If it is anything else, was cut short or changed, contradicts itself, or goes past a limit.
    """
    if len(text) > MOST_CHARACTERS:
        refuse(f"is longer than {MOST_CHARACTERS} characters; give the one line or the saved file alone")
    return read_saved_file(text) if is_saved_file(text) else _read_message(text)


def _read_message(text: str) -> Answer:
    """The one answer of a message; where a reply quotes an earlier answer, the less deeply quoted one."""
    message = plain_text(text)
    found: dict[int, dict[str, Answer]] = {}
    refusals: list[tuple[int, int, AnswerError]] = []
    at = 0
    for _ in range(_MOST_ATTEMPTS):
        start = _START.search(message.text, at)
        if not start:
            break
        words, end = _split(message.text, start.end())
        depth = message.depth_at(start.start())
        try:
            line, at = _checked_line(message.text, start, end)
            found.setdefault(depth, {})[line] = _LineParser(words).answer()
        except AnswerError as problem:
            at = start.end()
            # A title may look like the start of an answer; what goes on with a page is a damaged answer.
            refusals.append((depth if words[:1] == ["page"] else len(message.text), -end, problem))
    refusals.sort(key=lambda refusal: refusal[:2])
    if refusals and (not found or refusals[0][0] < min(found)):
        raise refusals[0][2]
    if not found:
        refuse(f'was not found: paste the whole text the artist sent, with the part that begins with "{FORMAT}:"')
    answers = found[min(found)]
    if len(answers) > 1:
        refuse("holds more than one answer; give one at a time")
    return next(iter(answers.values()))


def _checked_line(text: str, start: re.Match[str], end: int) -> tuple[str, int]:
    """The line from its start to `end`, if its version and check are right, and where the check ends."""
    if start.group(1) != FORMAT[-1]:
        refuse(f"is of version {start.group(1)}; this layerpipe reads version {FORMAT[-1]}: send a new page")
    check = _CHECK.match(text, end)
    if not check:
        refuse(f"cannot be read past {quoted(text[max(start.start(), end - 30) : end])}; it should go on, or end "
               "with its (check ....): copy it again, all of it")
    line = f"l{text[start.start() + 1 : end]}"  # mail programs begin a paragraph with a capital
    if f"{binascii.crc_hqx(line.encode('utf-8', 'surrogatepass'), 0xFFFF):04x}" != check.group(1):
        refuse("was altered in transit: the check code does not match; copy it again, all of it")
    return line, check.end()


def _split(text: str, at: int) -> tuple[list[str], int]:
    """Split from `at` on into strings, signs, words and numbers, as far as possible."""
    words: list[str] = []
    while True:
        found = _TOKEN.match(text, at + 1 if text[at : at + 1] == " " else at)
        if not found or len(words) > 12 * MOST_CHOICES:
            return words, at
        words.append(found.group())
        at = found.end()


class _LineParser:
    """Takes the words of a line one after the other."""

    def __init__(self, words: list[str]) -> None:
        self._words = words
        self._at = 0

    def answer(self) -> Answer:
        """Parse the whole line."""
        if not self._take("page"):
            refuse("lacks its page id")
        page_id = self._next()
        if not self._take(";"):
            refuse("lacks a title")
        builder = AnswerBuilder(page_id, self._string("the title"))
        while self._take(";"):
            section = checked_name(self._string("a section"), "section")
            levels = {self._string("a layer"): self._levels()}
            comment = compared = None
            while comment is None and compared is None and self._take(","):
                if self._take("comment"):
                    comment = self._string("the comment")
                elif self._take("compared"):
                    compared = self._string("the comparison")
                else:
                    layer = self._string("a layer")
                    if layer in levels:
                        refuse(f"names layer {quoted(layer)} twice in section {quoted(section)}")
                    levels[layer] = self._levels()
            if compared is None and self._take(","):
                if not self._take("compared"):
                    refuse(f"cannot be read at {quoted(self._next())}")
                compared = self._string("the comparison")
            builder.add(section, levels, comment, compared)
        if self._at < len(self._words):
            refuse(f"cannot be read at {quoted(self._words[self._at])}")
        return builder.answer()

    def _next(self) -> str:
        """The next word; empty at the end."""
        self._at += 1
        return self._words[self._at - 1] if self._at <= len(self._words) else ""

    def _take(self, word: str) -> bool:
        """Take this word if it is next."""
        found = self._words[self._at : self._at + 1] == [word]
        self._at += found
        return found

    def _string(self, what: str) -> str:
        """Take a quoted string."""
        word = self._next()
        if not word.startswith('"'):
            refuse(f"lacks {what} in quotes" + (f" before {quoted(word)}" if word else " at its end"))
        text: str = json.loads(word)
        return text

    def _levels(self) -> tuple[float, float]:
        """Take a level and the one before."""
        level_db = self._level()
        if not self._take("was"):
            refuse("lacks the level a layer had before")
        return level_db, self._level()

    def _level(self) -> float:
        """Take `off` or a number and `dB`."""
        if self._take("off"):
            return -math.inf
        word = self._next()
        if not word or word[0] not in "-0123456789":
            refuse("lacks a level" + (f" before {quoted(word)}" if word else " at its end"))
        if not self._take("dB"):
            refuse(f"lacks dB after {quoted(word)}")
        return float(word)

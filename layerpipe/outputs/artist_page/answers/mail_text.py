"""Undoes what mail programs do to text: HTML, quoting with "> ", typographic quotes and dashes, invisible characters.

Runs of white space become one space. Characters that the page itself writes as numbers inside its strings can be
replaced here without harm.
"""

from __future__ import annotations

import re
import unicodedata
from bisect import bisect_right
from dataclasses import dataclass
from html import unescape
from html.parser import HTMLParser

_HTML = re.compile(r"<(?:html|body|div|p|br|span|table|blockquote|pre|meta|a)\b[^<>]{0,2000}>", re.IGNORECASE)
_ENTITY = re.compile(r"&(?:quot|nbsp|gt|lt|amp|#\d{1,6}|#x[0-9a-fA-F]{1,6});")
_QUOTING = re.compile(r"(?:[ \t]*>)+")
_INVISIBLE = re.compile("[\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u206f\ufeff]")
_ALIKE = {ord(quote): '"' for quote in "\u201c\u201d\u201e\u201f\u2033\u2036\u00ab\u00bb"} | {
    ord(dash): "-" for dash in "\u2010\u2011\u2012\u2013\u2014\u2015\u2212"}
_BLOCKS = frozenset({"address", "blockquote", "body", "br", "dd", "div", "dl", "dt", "h1", "h2", "h3", "h4", "hr",
                     "html", "li", "ol", "p", "pre", "section", "table", "td", "tr", "ul"})
_UNSEEN_ELEMENTS = frozenset({"head", "script", "style", "title"})


@dataclass(frozen=True)
class MailText:
    """Text in one line, and how deeply each part of it was quoted."""

    text: str
    _starts: tuple[int, ...]
    _depths: tuple[int, ...]

    def depth_at(self, place: int) -> int:
        """How many quote signs stood before the line from which the character at `place` came."""
        return self._depths[bisect_right(self._starts, place) - 1]


def plain_text(message: str) -> MailText:
    """Read a message.

    Parameters
    ----------
    message : str
        Plain text or HTML.

    Returns
    -------
    MailText
        NFC, in one line.
    """
    if _HTML.search(message):
        parser = _HtmlText()
        # Comments and declarations are of no use here, and unfinished ones are more than the parser can read.
        parser.feed(message.replace("<!", " "))
        parser.close()
        message = "".join(parser.pieces)
    elif _ENTITY.search(message):
        message = unescape(message)
    message = unicodedata.normalize("NFC", _INVISIBLE.sub("", message))
    # The French style puts spaces inside the guillemets; in the German one they point the other way.
    french = message.find("\u00ab") < message.find("\u00bb")
    words: list[str] = []
    starts, depths, length = [0], [0], 0
    for line in message.splitlines():
        quoting = _QUOTING.match(line)
        if quoting:
            line = line[quoting.end() :]
        line = " ".join(line.split())
        if french:
            line = line.replace("\u00ab ", '"').replace(" \u00bb", '"')
        line = line.translate(_ALIKE)
        if line:
            starts.append(length)
            depths.append(quoting.group().count(">") if quoting else 0)
            words.append(line)
            length += len(line) + 1
    return MailText(" ".join(words), tuple(starts), tuple(depths))


class _HtmlText(HTMLParser):
    """Collects the text of HTML mail, a line for each block, with quote signs inside block quotes."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.pieces: list[str] = []
        self._depth = 0
        self._unseen = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Begin a line at a block."""
        self._depth += tag == "blockquote"
        self._unseen += tag in _UNSEEN_ELEMENTS
        if tag in _BLOCKS:
            self._begin_line()

    def handle_endtag(self, tag: str) -> None:
        """End the line of a block."""
        self._depth = max(0, self._depth - (tag == "blockquote"))
        self._unseen = max(0, self._unseen - (tag in _UNSEEN_ELEMENTS))
        if tag in _BLOCKS:
            self._begin_line()

    def handle_data(self, data: str) -> None:
        """Text; line ends in HTML are spaces."""
        if not self._unseen:
            self.pieces.append(re.sub(r"[\r\n]+", " ", data))

    def _begin_line(self) -> None:
        self.pieces.append("\n" + "> " * min(self._depth, 8))

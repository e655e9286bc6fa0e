"""On which line of a TOML text each key and each element stands; tomllib tells values but no places.

Only texts that tomllib has accepted are read here, so nothing is judged twice. TOML 1.0, toml.io.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from dataclasses import dataclass, field

Location = tuple[str | int, ...]
"""Keys and indices (from 0) from the top of a recipe: ("layer", 1, "take", 0, "pan")."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_INLINE_BLANK = re.compile(r"[ \t]*")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""(?:[^\\]|\\.)*?"""(?:"{0,2})', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''.*?'''(?:'{0,2})", re.DOTALL)
_PLAIN = re.compile(r"[^,\]}#\n]*")


@dataclass(frozen=True)
class Layout:
    """Lines, counted from 1, of what stands in a text."""

    first: dict[Location, int] = field(default_factory=dict)
    """Where every key, table and list element begins."""
    last: dict[Location, int] = field(default_factory=dict)
    """Where every value ends."""
    headers: dict[Location, int] = field(default_factory=dict)
    """Where every [table] and every entry of a [[list]] is opened."""


def layout_of(text: str) -> Layout:
    """Where everything stands in a valid TOML text; line ends are line feeds or carriage returns with them."""
    return _Scan(text.replace("\r\n", "\n")).layout


def lines_of(text: str) -> dict[Location, int]:
    """Line, counted from 1, of every key, table and list element of a valid TOML text."""
    return layout_of(text).first


class _Scan:
    """One walk through the text; `at` is where it has come to."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.layout = Layout()
        self.lines = self.layout.first
        self._breaks = [found.start() for found in re.finditer("\n", text)]
        self._counts: dict[Location, int] = {}
        """How many tables each [[list]] of tables holds so far."""
        table: Location = ()
        while self._skip(_BLANK) < len(text):
            if text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _line(self) -> int:
        return bisect_right(self._breaks, self.at - 1) + 1

    def _skip(self, pattern: re.Pattern[str]) -> int:
        """Go past what matches here; where that is."""
        found = pattern.match(self.text, self.at)
        self.at = found.end() if found else self.at
        return self.at

    def _header(self) -> Location:
        """[table] or [[list of tables]]."""
        is_list = self.text.startswith("[[", self.at)
        line = self._line()
        self.at += 2 if is_list else 1
        keys = self._keys()
        self.at += 2 if is_list else 1
        place: Location = ()
        for n, key in enumerate(keys):
            place = (*place, key)
            self.lines.setdefault(place, line)
            if is_list and n == len(keys) - 1:
                self._counts[place] = self._counts.get(place, 0) + 1
            if place in self._counts:
                place = (*place, self._counts[place] - 1)
                self.lines.setdefault(place, line)
        self.layout.headers[place] = line
        return place

    def _keys(self) -> list[str]:
        """A dotted key; stops at what follows it."""
        keys = []
        while True:
            self._skip(_INLINE_BLANK)
            start = self.at
            if self.text[start] in "\"'":
                self._skip(_BASIC if self.text[start] == '"' else _LITERAL)
                keys.append(next(iter(tomllib.loads(f"{self.text[start:self.at]} = 0"))))
            else:
                keys.append(self.text[start : self._skip(_BARE_KEY)])
            self._skip(_INLINE_BLANK)
            if self.text[self.at] != ".":
                return keys
            self.at += 1

    def _pair(self, table: Location) -> None:
        """key = value."""
        line = self._line()
        place = table
        for key in self._keys():
            place = (*place, key)
            self.lines.setdefault(place, line)
        self.at += 1
        self._skip(_INLINE_BLANK)
        self._value(place)

    def _value(self, place: Location) -> None:
        text = self.text
        if text[self.at] == "[":
            self._listed(place)
        elif text[self.at] == "{":
            self._inline_table(place)
        elif text[self.at] == '"':
            self._skip(_LONG_BASIC if text.startswith('"""', self.at) else _BASIC)
        elif text[self.at] == "'":
            self._skip(_LONG_LITERAL if text.startswith("'''", self.at) else _LITERAL)
        else:
            self._skip(_PLAIN)
        self.layout.last[place] = self._line()

    def _listed(self, place: Location) -> None:
        """[a, b]"""
        self.at += 1
        count = 0
        while self.text[self._skip(_BLANK)] != "]":
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self.lines[(*place, count)] = self._line()
            self._value((*place, count))
            count += 1
        self.at += 1

    def _inline_table(self, place: Location) -> None:
        """{ a = 1, b.c = 2 }"""
        self.at += 1
        while self.text[self._skip(_BLANK)] != "}":
            if self.text[self.at] == ",":
                self.at += 1
            else:
                self._pair(place)
        self.at += 1

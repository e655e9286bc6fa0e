"""A TOML text as text: the line of every key and value, and edits that keep comments, order and layout.

tomllib gives values without their lines, so `layout_of` reads the text again; it reads only texts that tomllib has
accepted. Existing values, and values inside { } and [ ], are set by tomlkit. New lines below a header are inserted by
line number, because tomlkit appends to the end of a table, below any comment above the next header. TOML 1.0, toml.io.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from typing import Any

from msgspec import Struct, field

Location = tuple[str | int, ...]
"""Keys and indices (from 0) from the top of a recipe: ("layer", 1, "take", 0, "pan")."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t\r\n]*+(?:#[^\n]*+[ \t\r\n]*+)*+")
_INLINE_BLANK = re.compile(r"[ \t]*")
_BASIC = re.compile(r'"[^"\\\n]*+(?:\\.[^"\\\n]*+)*+"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""[^"\\]*+(?:(?:\\.|"(?!""))[^"\\]*+)*+"""(?:"{0,2})', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''.*?'''(?:'{0,2})", re.DOTALL)
_PLAIN = re.compile(r"[^,\]}#\n]*")


class Layout(Struct, frozen=True):
    """Lines, counted from 1, of the keys, values and headers of a text."""

    first: dict[Location, int] = field(default_factory=dict)
    """Where every key, table and list element begins."""
    last: dict[Location, int] = field(default_factory=dict)
    """Where every value ends."""
    headers: dict[Location, int] = field(default_factory=dict)
    """Where every [table] and every entry of a [[list]] is opened."""


def layout_of(text: str) -> Layout:
    """The layout of a valid TOML text; lines end with a line feed, or a carriage return and a line feed."""
    return _Scan(text.replace("\r\n", "\n")).layout


def lines_of(text: str) -> dict[Location, int]:
    """Line, counted from 1, of every key, table and list element of a valid TOML text."""
    return layout_of(text).first


class _Scan:
    """One pass through the text; `at` is the current position."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.layout = Layout()
        self.lines = self.layout.first
        self._line_number, self._counted_to = 1, 0
        self._counts: dict[Location, int] = {}
        """How many tables each [[list]] of tables holds so far."""
        table: Location = ()
        while self._skip(_BLANK) < len(text):
            if text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _line(self) -> int:
        self._line_number += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        return self._line_number

    def _skip(self, pattern: re.Pattern[str]) -> int:
        """Move past what matches here; returns the new position."""
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
                written = self.text[start : self.at]
                escaped = written[0] == '"' and "\\" in written
                keys.append(next(iter(tomllib.loads(f"{written} = 0"))) if escaped else written[1:-1])
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


class Unsafe(Exception):  # noqa: N818 - it says what the edit would be
    """A text is written in a way that cannot be edited safely."""


def value_at(tree: Any, location: Location) -> Any:
    """The value at one place of nested tables and lists."""
    for step in location:
        tree = tree[step]
    return tree


def set_in_place(text: str, table: Location, key: str, value_of: Callable[[Any], str | None]) -> str:
    """Set or remove one key of a table.

    Parameters
    ----------
    text : str
        Valid TOML.
    table : tuple of str and int
        Location of the table.
    key : str
    value_of : function
        Gets the present value as a tomlkit item (None if there is none); returns the new one as TOML text, or None to
        remove the key.

    Raises
    ------
    Unsafe
        If tomlkit cannot do it.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError
    from tomlkit.items import InlineTable, Table

    try:
        document = tomlkit.parse(text)
        holder: Any = value_at(document, table)
        wanted = value_of(holder.get(key))
        dotted = any(isinstance(inner, Table) for inner in holder.values())
        if isinstance(holder, InlineTable) and (key not in holder or wanted is None) and not dotted:
            # tomlkit loses the space before the brace when it adds to an inline table or removes from it; so the whole
            # table is written again.
            items = {**holder, key: None if wanted is None else tomlkit.value(wanted)}
            texts = [f"{toml_key(name)} = {tomlkit.item(item).as_string()}"
                     for name, item in items.items() if item is not None]
            value_at(document, table[:-1])[table[-1]] = tomlkit.value("{ " + ", ".join(texts) + " }")
        elif wanted is None:
            del holder[key]
        else:
            holder[key] = tomlkit.value(wanted)
        return tomlkit.dumps(document)
    except TOMLKitError as refusal:
        raise Unsafe(str(refusal)) from refusal


def insert_lines(text: str, line: int, lines: Sequence[str]) -> str:
    """Insert lines below line `line`, counted from 1."""
    written = text.split("\n")
    # Where the text ends without a line feed, it gets one.
    return "\n".join([*written[:line], *lines, *(written[line:] or [""])])


def last_line(layout: Layout, within: Location) -> int:
    """Last line of everything inside a place."""
    size = len(within)
    return max(line for lines in (layout.last, layout.headers) for place, line in lines.items()
               if place[:size] == within)


def last_own_line(layout: Layout, table: Location) -> int:
    """Last line of a table's own settings, before the next header."""
    header = layout.headers[table]
    following = min((line for line in layout.headers.values() if line > header), default=None)
    own = [line for place, line in layout.last.items()
           if place[: len(table)] == table and line > header and (following is None or line < following)]
    return max(own, default=header)


def toml_text(value: Any) -> str:
    """A value in TOML, on one line."""
    import tomlkit

    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml_key(key)} = {toml_text(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        # A list of tables would become [[tables]].
        return f"[{', '.join(map(toml_text, value))}]"
    return str(tomlkit.item(value).as_string())


def toml_key(key: str) -> str:
    """A key in TOML, quoted where it must be."""
    import tomlkit

    bare = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
    return key if bare else str(tomlkit.item(key).as_string())

"""Text that is safe to print: names, keys and values from files must not steer a terminal or look like another name."""

from __future__ import annotations

import re

# Controls, surrogates, line and paragraph separators; marks of direction and the byte order mark disguise a name.
_INVISIBLE = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")
_SHORT = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r"}


def first_invisible(text: str) -> str | None:
    """The first character that acts on a text without being seen in it; None if there is none."""
    found = _INVISIBLE.search(text)
    return found[0] if found else None


def printable(text: str) -> str:
    """A text on one line, with every invisible character written as TOML escapes it.

    Parameters
    ----------
    text : str
        Anything: a file name (undecodable bytes included), a key, a value, a message.

    Returns
    -------
    str
        Can be encoded as UTF-8; holds no line break, no control character and no mark of direction.

    Examples
    --------
    >>> print(printable("left\\x1b[2J\\nright"))
    left\\u001B[2J\\nright
    """
    return _INVISIBLE.sub(lambda found: _SHORT.get(found[0], f"\\u{ord(found[0]):04X}"), text)


def one_line(text: str) -> str:
    """A text with spaces in place of everything that breaks a line or cannot be seen."""
    return " ".join(_INVISIBLE.sub(" ", text).split())

"""Names that become parts of file names: what is refused on any system, and when two of them would be one file.
Also how a refusal shows the value it found.

Spaces and letters of any script are fine. Refused is what leads out of a folder, hides a file, or cannot be stored on
some system: the reserved characters and device names are those of Microsoft's "Naming Files, Paths, and Namespaces".
"""

from __future__ import annotations

import re
import unicodedata

MOST_BYTES = 100
"""Two names, a hyphen and an ending must fit the 255 bytes that common file systems allow."""
_SHOWN = 60
_RESERVED = frozenset('/\\:*?"<>|')
_DEVICES = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])(\..*)?", re.IGNORECASE)
# Controls, surrogates, line and paragraph separators; the marks that turn the direction of writing hide what a name is.
_CONTROL_KINDS = frozenset(("Cc", "Cs", "Zl", "Zp"))
_TURNS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")


def refuse_control(text: str) -> str:
    """Hand a one-line text back.

    Raises
    ------
    ValueError
        If it holds a character that cannot be seen: controls, line breaks, marks that turn the writing.
    """
    for character in text:
        if _unseen(character):
            raise ValueError(f"found the unseen character U+{ord(character):04X}, allowed is text on one line")
    return text


def refuse_name(name: str) -> str:
    """Hand back a name that makes a good part of a file name everywhere.

    Raises
    ------
    ValueError
        Otherwise, saying what was found and what is allowed.
    """
    refuse_control(name)
    bad = next((character for character in name if character in _RESERVED), None)
    if bad is not None:
        raise ValueError(f'found {found_text(name)}, which becomes a file name; it cannot hold {bad}')
    if name.startswith("."):
        raise ValueError(f'found {found_text(name)}, which becomes a file name; it cannot begin with a full stop')
    if name.endswith("."):
        raise ValueError(f'found {found_text(name)}, which becomes a file name; it cannot end with a full stop')
    if name != name.strip():
        raise ValueError(f'found {found_text(name)}, which becomes a file name; it cannot begin or end with a space')
    if _DEVICES.fullmatch(name):
        raise ValueError(f'found {found_text(name)}, which some systems keep for a device; choose another name')
    if len(name.encode()) > MOST_BYTES:
        raise ValueError(f"found {len(name.encode())} bytes, allowed are {MOST_BYTES}: it becomes a file name")
    return name


def file_key(name: str) -> str:
    """Equal for names that some system would take for the same file, or a reader for the same word.

    Case, composed or separate accents, kinds of the same letter and the length of a space do not count.
    """
    return unicodedata.normalize("NFKC", " ".join(unicodedata.normalize("NFKC", name).split()).casefold())


def _unseen(character: str) -> bool:
    """Whether a character does something to a text without being seen in it."""
    return unicodedata.category(character) in _CONTROL_KINDS or character in _TURNS


def found_text(value: object) -> str:
    """A value of a recipe as a refusal shows it: as TOML writes it, long ones cut."""
    if isinstance(value, str):
        seen = "".join("\ufffd" if _unseen(character) else character for character in value[: _SHOWN + 1])
        return f'"{seen}"' if len(value) <= _SHOWN else f'"{seen[:_SHOWN]}..."'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        # Python refuses to write out whole numbers of thousands of digits.
        return str(value) if abs(value) < 10**_SHOWN else f"a whole number of more than {_SHOWN} digits"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    return f"the date {value}"


def one_line(text: str) -> str:
    """A text with nothing in it that breaks a line or cannot be seen."""
    return " ".join("".join(" " if _unseen(character) else character for character in text).split())

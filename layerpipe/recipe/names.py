"""Names that become parts of file names, the names a bounce's files get, and how a message shows a value.

Spaces and letters of any script are allowed. Refused is what leaves a folder, hides a file, or cannot be stored on some
system: reserved characters and device names are those of Microsoft's "Naming Files, Paths, and Namespaces".

A template of `[bounce] names` such as "{artist}_{song}_{layer}_{take}" is filled with the recipe's words. Letters of
any script stay, spaces and punctuation become an underscore, an empty word (a layer has no take) is dropped with the
separator before it: after the Recording Academy's "Delivery Recommendations for Recorded Music Projects" (2018).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

from layerpipe.core.text import first_invisible, printable

WHOLE_SONG = "whole song"
"""What files, tables and options call the whole song; no section may have this name."""
ALL_LAYERS = ("blend", "in the track", "with the track")
"""What files and tables call all layers together; no layer may have one of these names."""

FIELDS = ("artist", "initials", "song", "layer", "take", "kind", "rate", "bits")
MOST_NAME_BYTES = 100
"""Two names, a hyphen and an ending must fit the 255 bytes that common file systems allow."""
MOST_FILE_NAME_BYTES = 180
"""A filled template, with room for a number and an ending in those 255 bytes."""
_PIECE_BYTES = 60
_SHOWN = 60
_FIELD = re.compile(r"\{([a-z]*)\}")
_KEPT = "-+"
_RESERVED = frozenset('/\\:*?"<>|')
_DEVICES = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])(\..*)?", re.IGNORECASE)


def refuse_control(text: str) -> str:
    """Return a one-line text.

    Raises
    ------
    ValueError
        If it contains an invisible character: a control, a line break, a mark of direction.
    """
    found = first_invisible(text)
    if found is not None:
        raise ValueError(f"found the invisible character U+{ord(found):04X}, allowed is text on one line")
    return text


def refuse_name(name: str) -> str:
    """Return a name that can be part of a file name on every system.

    Raises
    ------
    ValueError
        Otherwise, with what was found and what is allowed.
    """
    refuse_control(name)
    bad = next((character for character in name if character in _RESERVED), None)
    if bad is not None:
        raise ValueError(f'found {found_text(name)}, which becomes a file name; it cannot contain {bad}')
    if name.startswith("."):
        raise ValueError(f'found {found_text(name)}, which becomes a file name; it cannot begin with a full stop')
    if name.endswith("."):
        raise ValueError(f'found {found_text(name)}, which becomes a file name; it cannot end with a full stop')
    if name != name.strip():
        raise ValueError(f'found {found_text(name)}, which becomes a file name; it cannot begin or end with a space')
    if _DEVICES.fullmatch(name):
        raise ValueError(f'found {found_text(name)}, which some systems keep for a device; choose another name')
    if len(name.encode()) > MOST_NAME_BYTES:
        raise ValueError(f"found {len(name.encode())} bytes, allowed are {MOST_NAME_BYTES}: it becomes a file name")
    return name


def file_key(name: str) -> str:
    """A key that is equal for names that some system takes for the same file, or a reader for the same word.

    Case, composed or separate accents, kinds of the same letter and the length of a space do not count.
    """
    return unicodedata.normalize("NFKC", " ".join(unicodedata.normalize("NFKC", name).split()).casefold())


def found_text(value: object) -> str:
    """A value of a recipe as a message shows it: as TOML writes it, long ones cut."""
    if isinstance(value, str):
        return f'"{printable(value)}"' if len(value) <= _SHOWN else f'"{printable(value[:_SHOWN])}..."'
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
    return "nothing" if value is None else f"the date {value}"


def found_key(key: str) -> str:
    """A key as a message shows it: long ones cut."""
    return printable(key) if len(key) <= _SHOWN else f"{printable(key[:_SHOWN])}..."


def template_problem(template: str) -> str | None:
    """What is wrong with a template; None if nothing is."""
    unknown = [name for name in _FIELD.findall(template) if name not in FIELDS]
    if unknown:
        return f'found "{{{unknown[0]}}}", allowed are {", ".join(f"{{{name}}}" for name in FIELDS)}'
    plain = _FIELD.sub("", template)
    if "{" in plain or "}" in plain:
        return 'a brace is not closed; fields are written "{song}"'
    try:
        refuse_name(f"a{plain}a")
    except ValueError as refusal:
        return str(refusal)
    if template and "{layer}" not in template:
        return "{layer} is missing; without it every layer's file would have one name"
    return None


def fill(template: str, words: Mapping[str, str]) -> str:
    """One name, without its ending.

    Parameters
    ----------
    template : str
        As `template_problem` finds nothing wrong with.
    words : mapping of field to text
        An empty text goes with the separator before it (or after it, at the beginning).
    """
    name, pending = "", ""
    for n, part in enumerate(_FIELD.split(template)):
        if n % 2 == 0:
            pending += part
            continue
        piece = safe_piece(words.get(part, ""))
        if piece:
            # A separator between a word and nothing is none.
            name += (pending if name or pending.strip(" _-.") else "") + piece
            pending = ""
        else:
            pending = pending.rstrip(" _-.")
    name = _cut(name + pending.rstrip(" _-."), MOST_FILE_NAME_BYTES).strip(" .")
    try:
        return refuse_name(name) if name else "stem"
    except ValueError:
        return f"stem_{name}"


def safe_piece(text: str) -> str:
    """A text as part of a file name: letters, digits, marks and a few signs; everything else is one underscore."""
    kept = "".join(letter if letter in _KEPT or unicodedata.category(letter)[0] in "LNM" else " "
                   for letter in unicodedata.normalize("NFC", text))
    return _cut("_".join(kept.split()), _PIECE_BYTES).strip("_.")


def initials_of(artist: str) -> str:
    """First letters of the artist's words."""
    return "".join(word[0].upper() for word in safe_piece(artist).split("_") if word)


def told_apart(names: Sequence[str]) -> list[str]:
    """The same names, later ones numbered where a system would take two of them for one file."""
    taken: set[str] = set()
    found = []
    for name in names:
        unique, n = name, 2
        while file_key(unique) in taken:
            unique, n = f"{_cut(name, MOST_FILE_NAME_BYTES - 4)}-{n}", n + 1
        taken.add(file_key(unique))
        found.append(unique)
    return found


def _cut(text: str, most_bytes: int) -> str:
    """Cut between letters, marks kept with theirs, to fit a number of bytes."""
    if len(text.encode()) <= most_bytes:
        return text
    while len(text.encode()) > most_bytes or (text and unicodedata.combining(text[-1])):
        text = text[:-1]
    return text

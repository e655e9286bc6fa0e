"""How the files of a bounce are called: `[bounce] names`, safe on every system, no two alike.

A template such as "{artist}_{song}_{layer}_{take}" is filled with the recipe's words: letters of any script stay as
they are, spaces and everything a system keeps for itself become an underscore, and what stands for nothing (a layer has
no take) goes with the separator before it. Two files never share a name, also where case does not count.
No spaces, no punctuation, common separators: after the Recording Academy's "Delivery Recommendations for Recorded Music
Projects" (2018). Reserved characters and devices: Microsoft, "Naming Files, Paths, and Namespaces".
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

from layerpipe.recipe.names import file_key, refuse_name

FIELDS = ("artist", "initials", "song", "layer", "take", "kind", "rate", "bits")
MOST_BYTES = 180
_PIECE_BYTES = 60
_FIELD = re.compile(r"\{([a-z]*)\}")
_KEPT = "-+"


def template_problem(template: str) -> str | None:
    """What is wrong with a template; None if nothing is."""
    unknown = [name for name in _FIELD.findall(template) if name not in FIELDS]
    if unknown:
        return f'found "{{{unknown[0]}}}", allowed are {", ".join(f"{{{name}}}" for name in FIELDS)}'
    plain = _FIELD.sub("", template)
    if "{" in plain or "}" in plain:
        return 'a brace has no partner; fields are written "{song}"'
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
    name = _cut(name + pending.rstrip(" _-."), MOST_BYTES).strip(" .")
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
            unique, n = f"{_cut(name, MOST_BYTES - 4)}-{n}", n + 1
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

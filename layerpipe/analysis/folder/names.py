"""What the names of a folder's files say: part, side, number of the pass, microphone, role.

All names are read together, since many are only clear by comparison: a leading number that is different in every name
counts tracks, the same words before every name are the song, "G" is a side where another file has "D" instead.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from layerpipe.analysis.folder.words import NEUTRAL, ROLES, is_one_of, names_role, side_pairs

CERTAIN_SIDES = frozenset({"l", "r", "left", "right", "links", "rechts", "izquierda", "derecha", "gauche", "droite",
                           "sx", "dx", "sinistra", "destra", "hidari", "migi", "esquerda", "direita", "vanster",
                           "hoger", "venstre", "hojre", "hoyre", "vasen", "oikea", "lt", "rt"})
"""Sides that need no second file to be believed."""
_WORD = re.compile(r"8va|[^\W\d_]+|\d+")
_CAMEL = re.compile(r"(?<=[^\W\d_A-Z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_DATE = re.compile(r"(?<!\d)(?:19|20)\d\d([-_. ]?)(?:0[1-9]|1[0-2])\1(?:0[1-9]|[12]\d|3[01])(?!\d)")
_RATE = re.compile(r"(?<![^\W_])(?:44|48|88|96|176|192)(?:[.,][12])?\s?k(?:hz)?[-_ ]?(?:16|24|32)?(?:bit|b)?(?![^\W_])"
                   r"|(?<![^\W_])(?:16|24|32)\s?bit(?![^\W_])", re.IGNORECASE)
_LETTERS = "abcdef"
_LARGEST_NUMBER = 999


@dataclass(frozen=True)
class NameParts:
    """What one name says."""

    part: tuple[str, ...]
    """The words that name the part."""
    role: str
    """One of `words.ROLES`, or empty."""
    side: int = 0
    """-1 left, 1 right, 0 unknown."""
    number: int = 0
    """Number of the pass; 0 where there is none."""
    by_take_word: bool = False
    """Whether a word for a take or pass is in the name."""
    distance: int = 0
    """-1 a close microphone, 1 a distant one."""
    double: bool = False

    @property
    def key(self) -> str:
        """Equal in files of one part, however its words are joined."""
        return "".join(self.part)


def read_names(paths: Sequence[PurePath], folder: str = "") -> list[NameParts]:
    """Read the names of files.

    Parameters
    ----------
    paths : sequence of PurePath
        Relative to the folder; names of folders inside it count as words before the name.
    folder : str
        Name of the folder itself, often the song's.

    Returns
    -------
    list of NameParts
        In the order of `paths`.

    Example
    -------
    >>> [(one.part, one.side, one.number) for one in read_names([PurePath("Gtr Steel L 02.wav")])]
    [(('gtr', 'steel'), -1, 2)]
    """
    words = _without_song([split_words(" ".join(path.with_suffix("").parts)) for path in paths],
                          set(split_words(folder)))
    words = _without_track_numbers(words)
    words = [_letter_as_number(one, words) for one in words]
    sides = _sides(words)
    return [_parts(one, side) for one, side in zip(words, sides, strict=True)]


def split_words(name: str) -> tuple[str, ...]:
    """Words and numbers of a name in small letters without accents; dates, rates and word lengths are left out.

    Example
    -------
    >>> split_words("2021-03-04_GtrÉlectriqueL02_48k24")
    ('gtr', 'electrique', 'l', '02')
    """
    special = name.translate({ord(a): b for a, b in zip("øØłŁßæÆœŒ", ("o", "O", "l", "L", "ss", "ae", "Ae", "oe", "Oe"),
                                                        strict=True)})
    plain = "".join(one for one in unicodedata.normalize("NFKD", special) if not unicodedata.combining(one))
    cleaned = _RATE.sub(" ", _DATE.sub(" ", plain))
    return tuple(_WORD.findall(_CAMEL.sub(" ", cleaned).lower()))


def _without_song(names: Sequence[tuple[str, ...]], folder: set[str]) -> list[tuple[str, ...]]:
    """Names without the words that all begin with, unless those words mean something."""
    shared = 0
    while len(names) > 1 and all(len(one) > shared + 1 for one in names) and len({one[shared] for one in names}) == 1:
        shared += 1
    while shared and _means_something(names[0][:shared]) and not set(names[0][:shared]) <= folder:
        shared -= 1
    return [one[shared:] for one in names]


def _means_something(words: tuple[str, ...]) -> bool:
    """Whether words mean a role, a side or a number."""
    return bool(_role(words)) or any(one.isdecimal() or one in CERTAIN_SIDES for one in words)


def _without_track_numbers(names: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Names without their leading numbers, where every file has another one and a name of its own besides."""
    numbers = [one[0] for one in names if len(one) > 1 and one[0].isdecimal()]
    rests = [one[1:] for one in names]
    if len(numbers) == len(names) == len(set(numbers)) == len(set(rests)):
        return rests
    return names


def _letter_as_number(name: tuple[str, ...], names: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """A name whose last word is a letter that other files have another letter for: "gtr a" beside "gtr b"."""
    if not name or name[-1] not in _LETTERS:
        return name
    others = {one[-1] for one in names if len(one) == len(name) and one[:-1] == name[:-1] and one[-1] in _LETTERS}
    return (*name[:-1], str(_LETTERS.index(name[-1]) + 1)) if len(others) > 1 and "a" in others else name


def _sides(names: Sequence[tuple[str, ...]]) -> list[tuple[int, int]]:
    """Side of every name, and the place of its word; a short word counts where another file has its opposite."""
    found = []
    remainders = {(_bare(one, n), one[n]) for one in names for n in range(len(one))}
    for one in names:
        best = (0, -1)
        for n, word in enumerate(one):
            for left, right in side_pairs():
                if word not in (left, right):
                    continue
                opposite = right if word == left else left
                is_side = word in CERTAIN_SIDES or (_bare(one, n), opposite) in remainders
                if is_side and (len(one) > 1 or word in CERTAIN_SIDES):
                    best = (-1 if word == left else 1, n)
        found.append(best)
    return found


def _bare(name: tuple[str, ...], without: int) -> str:
    """A name without one of its words and without what differs between the two sides of a part."""
    return "".join(word for n, word in enumerate(name) if n != without and not _is_incidental(word))


def _is_incidental(word: str) -> bool:
    """Whether a word is no part of a part's name."""
    return word.isdecimal() or word in NEUTRAL or any(
        _exactly(word, role) for role in ("take", "near", "far", "double"))


def _exactly(word: str, role: str) -> bool:
    """Whether a word is one of a role's, not only contains one."""
    return is_one_of(word, role) and not any(is_one_of(word, other) for other in ("guitar", "mix", "lead", "choir"))


def _role(words: Iterable[str]) -> str:
    """The most certain role of some words. A "lead" is a voice unless another word says what leads."""
    plain = tuple(word.rstrip("0123456789") for word in words)
    role = next((role for role in ROLES if names_role(plain, role)), "")
    return role or ("lead" if "lead" in plain else "")


def _number_into_part(name: tuple[str, ...], side_at: int) -> tuple[str, ...]:
    """A name whose number before its side belongs to the part: "gtr 2 L" is the second guitar, "gtr L 2" a pass."""
    joined = list(name)
    for n in range(1, side_at):
        if name[n].isdecimal() and not name[n - 1].isdecimal() and not _exactly(name[n - 1], "take"):
            joined[n - 1 : n + 1] = [name[n - 1] + name[n].lstrip("0"), ""]
    return tuple(joined)


def _parts(name: tuple[str, ...], side: tuple[int, int]) -> NameParts:
    """Sort the words of a name."""
    name = _number_into_part(name, side[1])
    left = [word for n, word in enumerate(name) if n != side[1] and word]
    numbers = [int(word) for word in left if word.isdecimal() and int(word[:9]) <= _LARGEST_NUMBER]
    take_word = any(_exactly(word, "take") for word in left)
    part = tuple(word for word in left if not _is_incidental(word))
    # A word that is neutral elsewhere is the part where it is all there is: a Dutch "stem" is a voice.
    part = part or tuple(word for word in left if word in NEUTRAL and _role([word]))
    distance = -1 if any(_exactly(word, "near") for word in left) else 0
    distance = 1 if any(_exactly(word, "far") for word in left) else distance
    double = any(_exactly(word, "double") for word in left)
    return NameParts(part, _role(part), side[0], numbers[-1] if numbers else 0, take_word, distance, double)

"""Positions as musicians say them, "bar 3 beat 2.5", and how a meter divides a bar into beats.

Bars and beats count from 1; the bar before bar 1 is bar 0, then -1. What follows the beat's number is the part of the
beat that has gone by: "2.5" is half of it, "2+1/3" a third of it, exactly. A beat is `beat_note`; by default the note
of the meter's lower number (7/8: an eighth), in compound meters the dotted one: 6/8, 9/8, 12/8, and likewise over 2, 4
and 16; 3/8 is simple. Meter and beat: common practice, no source.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple

from msgspec import Struct

from layerpipe.core.errors import ParameterError
from layerpipe.recipe.names import found_text

POSITION_WORDS = '"bar 3", "bar 3 beat 2", "bar 3 beat 2.5", "bar 3 beat 2+1/3" or a number of seconds without quotes'
"""What a position can be, for messages."""
_NUMBER = "[0-9]{1,9}"
_POSITION = re.compile(
    rf"\s*bar\s+(-?{_NUMBER})(?:\s+beat\s+({_NUMBER})(?:\.({_NUMBER})|\s*\+\s*({_NUMBER})/({_NUMBER}))?)?\s*",
    re.ASCII | re.IGNORECASE)
_DOTTED = re.compile(rf"\s*(-?{_NUMBER})(?:\.({_NUMBER}))?(?:\.({_NUMBER}))?\s*", re.ASCII)
_NOTES = {1: "whole", 2: "half", 4: "quarter", 8: "eighth", 16: "sixteenth", 32: "thirty-second"}
_DECIMALS = {Fraction(1, 4): ".25", Fraction(1, 2): ".5", Fraction(3, 4): ".75"}


class Position(NamedTuple):
    """A place of the grid: a bar, a beat of it, and the part of the beat that has gone by, from 0 to below 1."""

    bar: int
    beat: int
    part: Fraction

    @property
    def text(self) -> str:
        """The position as a recipe writes it, exactly: "bar 5 beat 2", "bar 5 beat 2.5", "bar 5 beat 2+1/3"."""
        part = _DECIMALS.get(self.part, f"+{self.part}" if self.part else "")
        return f"bar {self.bar} beat {self.beat}{part}"


class BarShape(Struct, frozen=True, dict=True):
    """How a meter divides a bar."""

    meter: str
    """As written, "6/8"."""
    beat_note: Fraction
    """Length of a beat as a part of a whole note: 1/4 is a quarter, 3/8 a dotted quarter."""

    @classmethod
    def of(cls, meter: str, beat_note: str | None = None) -> BarShape:
        """Read a meter such as "6/8" and a beat such as "1/8"; by default the beat is the meter's own.

        Raises
        ------
        ParameterError
            If one of them is not two numbers with a slash between, or a bar is no whole number of beats.
        """
        upper, lower = _two_numbers(meter, "meter")
        if beat_note is None:
            is_compound = upper > 3 and upper % 3 == 0
            return cls(meter, Fraction(3 if is_compound else 1, lower))
        beat = Fraction(*_two_numbers(beat_note, "beat_note"))
        if (Fraction(upper, lower) / beat).denominator != 1:
            raise ParameterError(f'found beat_note "{beat_note}", which does not divide a bar of {meter}; '
                                 f'allowed is a note that does, such as "1/{lower}"')
        return cls(meter, beat)

    @cached_property
    def beats(self) -> int:
        """Beats in a bar."""
        upper, lower = _two_numbers(self.meter, "meter")
        return int(Fraction(upper, lower) / self.beat_note)

    @property
    def beat_notes(self) -> float:
        """Length of a beat in whole notes."""
        return float(self.beat_note)

    @property
    def compound(self) -> bool:
        """Whether a beat is a dotted note, so that it divides into three."""
        return self.beat_note.numerator == 3

    @property
    def beat_words(self) -> str:
        """The beat as musicians call it: "quarter note", "dotted quarter note"."""
        dotted, note = self.beat_note.numerator == 3, self.beat_note.denominator
        return f"dotted {_NOTES[note // 2]} note" if dotted else f"{_NOTES[note]} note"

    @cached_property
    def sixteenths(self) -> int:
        """Sixteenths that begin inside a beat: 4 in a quarter, 6 in a dotted quarter."""
        return math.ceil(self.beat_note * 16)

    @cached_property
    def parts(self) -> tuple[Fraction, ...]:
        """The part of the beat that has gone by at each of its sixteenths; the first is 0."""
        return tuple(Fraction(n, 16) / self.beat_note for n in range(self.sixteenths))


def parse_position(text: str) -> Position:
    """Read a position.

    Raises
    ------
    ParameterError
        If the text is no position; the old spelling with dots is answered with the new one.
    """
    found = _POSITION.fullmatch(text)
    if found is None:
        raise ParameterError(f"found {found_text(text)}, allowed is {POSITION_WORDS}")
    bar, beat, decimals, over, under = found.groups()
    part = Fraction(0)
    if decimals is not None:
        part = Fraction(int(decimals), 10 ** len(decimals))
    elif over is not None:
        if int(over) >= int(under):
            raise ParameterError(f"found {found_text(text)}, allowed is a part of the beat below 1, such as +1/3")
        part = Fraction(int(over), int(under))
    return Position(int(bar), int(beat or 1), part)


def dotted_position(text: str) -> tuple[int, int, int] | None:
    """Bar, beat and sixteenth of a position in the old spelling "3.2.1"; None if it is not one."""
    found = _DOTTED.fullmatch(text)
    return None if found is None else (int(found[1]), int(found[2] or 1), int(found[3] or 1))


def _two_numbers(text: str, key: str) -> tuple[int, int]:
    """The numbers of "6/8"."""
    upper, slash, lower = text.partition("/")
    if not (slash and upper.isdecimal() and lower.isdecimal() and int(upper) and int(lower)):
        raise ParameterError(f'a {key} is two numbers such as "6/8", not {found_text(text)}')
    return int(upper), int(lower)

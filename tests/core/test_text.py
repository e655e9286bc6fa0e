"""Text from files and names cannot steer a terminal, break a line or be written in the wrong direction."""

from __future__ import annotations

import doctest
import unicodedata

import pytest

from layerpipe.core import text
from layerpipe.core.text import first_invisible, one_line, printable
from tests.support.examples import slow

# Bidi_Control in PropList.txt of the Unicode Character Database; and the zero width no-break space, our addition.
DIRECTION_MARKS = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff"


@pytest.mark.parametrize("step", [97, slow(1)])
def test_every_control_separator_and_direction_mark_is_found(step):
    # All of the small numbers, where controls and separators lie, those around the surrogates, and some of the rest.
    for code in {*range(0x3000), *range(0xD7F0, 0xE010), 0xFEFF, *range(0, 0x110000, step)}:
        character = chr(code)
        acts = unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp") or character in DIRECTION_MARKS
        assert (first_invisible(character) == character) == acts
        assert (printable(character) != character) == acts


def test_what_is_printable_is_one_line_of_utf_8():
    for found in ("\x1b[31mred", "a\nb\r\nc\u2028d", "\udcff.wav", "\u202egnp.exe", "\x9b1m", "\x00"):
        shown = printable(found)
        assert len(shown.splitlines()) == 1
        assert "\x1b" not in shown
        assert shown.encode("utf-8").decode("utf-8") == shown


def test_invisible_characters_are_written_as_toml_escapes_them():
    # TOML 1.0.0, "String": the short escapes and \uXXXX.
    assert printable("a\tb\nc\x1bd\u202ee") == "a\\tb\\nc\\u001Bd\\u202Ee"
    assert printable("caf\u00e9 \u97f3 \U0001f3b8") == "caf\u00e9 \u97f3 \U0001f3b8"


def test_one_line_puts_spaces_for_what_cannot_be_seen():
    assert one_line(" a\r\n\x1bb\u202e  c ") == "a b c"


def test_the_example_is_true():
    assert doctest.testmod(text).failed == 0

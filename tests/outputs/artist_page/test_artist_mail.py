"""An answer is found in a message, whatever the mail program has made of it."""

from __future__ import annotations

import binascii
import html
import textwrap

import pytest

from layerpipe.outputs.artist_page import AnswerError, ChosenLevel, read_answer

BODY = ('layerpipe levels 2: page 0123456789abcdef; "Lantern on the Pier"; '
        '"last chorus" "octave" -7.5 dB was -9 dB, comment "a \\u003cb\\u003e \\u0026 c"')
OTHER = BODY.replace("-7.5", "-3")


def checked(body):
    """The line with its check."""
    return f"{body} (check {binascii.crc_hqx(body.encode(), 0xFFFF):04x})"


LINE, OLDER = checked(BODY), checked(OTHER)
SENTENCE = "My levels for Lantern on the Pier\nIn last chorus, please set octave to \u22127.5\u00a0dB."
TEXT = f"{SENTENCE}\n\n{LINE}\n"


def quoted(text, sign="> "):
    return "".join(f"{sign}{line}\n" for line in text.splitlines())


def wrapped(text, width=60):
    return "\n".join(textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False))


MESSAGES = {
    "alone": LINE,
    "with the sentence": TEXT,
    "in a message": f"Hi! Here it is:\n\n{TEXT}\nSee you on Friday, M.\n",
    "wrapped": wrapped(LINE),
    "quoted": quoted(TEXT),
    "quoted twice": quoted(quoted(TEXT)),
    "quoted without spaces": quoted(TEXT, ">"),
    "quoted and wrapped": quoted(wrapped(LINE)),
    "with the original below": f"{TEXT}\nOn Monday you wrote:\n{quoted('Here is the page. ' + OLDER)}",
    "with itself below": f"{TEXT}\n{quoted(TEXT)}",
    "quoted over an older one": quoted(TEXT) + quoted(quoted(OLDER)),
    "capital letter": TEXT.replace("layerpipe", "Layerpipe"),
    "guillemets": LINE.replace(' "', " \u00ab").replace('"', "\u00bb"),
    "French guillemets": LINE.replace(' "', " \u00ab\u00a0").replace('"', "\u202f\u00bb"),
    "German guillemets": LINE.replace(' "', " \u00bb").replace('"', "\u00ab"),
    "curly quotes": LINE.replace('"', "\u201c"),
    "low quotes": LINE.replace(' "', " \u201e").replace('"', "\u201c"),
    "typographic minus": LINE.replace("-7.5", "\u22127.5"),
    "no-break spaces": LINE.replace(" ", "\u00a0"),
    "Windows line ends": LINE.replace(" ", "\r\n", 3),
    "zero-width spaces": LINE.replace(" ", " \u200b").replace("-", "\u2060-") + "\ufeff",
    "soft hyphens": LINE.replace("octave", "oc\u00adtave"),
    "HTML entities": html.escape(TEXT),
    "HTML mail": f"<html><head><style>p {{ x: 1 }}</style></head><body><div dir='ltr'>{html.escape(SENTENCE)}<br><br>"
                 f"<span>{html.escape(LINE[:70])}</span><b>{html.escape(LINE[70:])}</b></div></body></html>",
    "HTML mail in paragraphs": "".join(f"<p class=x>{html.escape(line)}</p>" for line in wrapped(LINE).splitlines()),
    "HTML mail with the original below": f"<div>{html.escape(LINE)}</div><blockquote type='cite'><div>"
                                         f"{html.escape(OLDER)}</div></blockquote>",
}


@pytest.mark.parametrize("message", MESSAGES.values(), ids=MESSAGES)
def test_the_answer_is_found(message):
    answer = read_answer(message)
    assert answer.title == "Lantern on the Pier"
    assert answer.levels == (ChosenLevel("last chorus", "octave", -7.5, -9.0),)
    assert answer.comments == {"last chorus": "a <b> & c"}


@pytest.mark.parametrize("message", [f"{LINE}\n{OLDER}", quoted(f"{LINE}\n{OLDER}"),
                                     f"<div>{html.escape(LINE)}</div><div>{html.escape(OLDER)}</div>"])
def test_two_different_answers_side_by_side_are_refused(message):
    with pytest.raises(AnswerError, match="more than one"):
        read_answer(message)


def test_a_damaged_answer_above_an_older_one_does_not_bring_the_older_one_back():
    damaged = LINE.replace("-7.5", "-6.5")
    with pytest.raises(AnswerError, match="altered in transit"):
        read_answer(f"{damaged}\n{quoted(OLDER)}")

"""What the artist sends back is read strictly, whatever mail has done to it and whoever wrote it."""

from __future__ import annotations

import binascii
import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.outputs.artist_page import AnswerError, ChosenLevel, read_answer
from layerpipe.outputs.artist_page.answer import MOST_CHARACTERS, same_name

BODY = ('layerpipe levels 1: "Lantern on the Pier"; "verse" "octave" off; '
        '"chorus" "octave" -7.5 dB, "rakes" 0 dB, remark "more, please; it\'s (nearly) there"')


def checked(body: str) -> str:
    """The line with its check; binascii's crc_hqx is the CRC-16 of polynomial 0x1021."""
    return f"{body} (check {binascii.crc_hqx(body.encode(), 0xFFFF):04x})"


LINE = checked(BODY)
FILE = '''# saved
format = "layerpipe levels 1"
title = "Lantern on the Pier"

[[choice]]
section = "verse"
levels_db = { octave = -inf }

[[choice]]
section = "chorus"
levels_db = { octave = -7.5, rakes = 0 }
remark = "more, please; it's (nearly) there"
'''
CHOSEN = (ChosenLevel("verse", "octave", -math.inf), ChosenLevel("chorus", "octave", -7.5),
          ChosenLevel("chorus", "rakes", 0.0))


@pytest.mark.parametrize("text", [
    LINE,
    f"Hi! Here it is:\n\n{LINE}\n\nSee you on Friday, M.\n",
    LINE.replace(" ", "\r\n", 3),
    LINE.replace(" ", "\u00a0"),
    LINE.replace('"', "\u201c"),
    LINE.replace("-7.5", "\u22127.5"),
    FILE,
    FILE.replace("\n", "\r\n"),
])
def test_line_and_file_say_the_same_however_they_travelled(text):
    answer = read_answer(text)
    assert answer.title == "Lantern on the Pier"
    assert answer.levels == CHOSEN
    assert answer.remarks == {"chorus": "more, please; it's (nearly) there"}


def test_the_check_is_that_of_the_published_example():
    # CRC-16 with polynomial 0x1021 and start 0xffff of "123456789" is 0x29b1: the "check" value of CRC-16/IBM-3740 in
    # Greg Cook's catalogue of parametrised CRC algorithms.
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1


@pytest.mark.parametrize(("text", "told"), [
    ("", "holds no line"),
    ("please turn it up", "holds no line"),
    (LINE[:-1], "copy it once more"),
    (LINE[: len(LINE) // 2], "copy it once more"),
    (LINE.replace("-7.5", "-6.5"), "check does not fit"),
    (LINE.replace("levels 1", "levels 2"), "version 2"),
    (f"{LINE}\n{LINE}", "more than one"),
    (checked('layerpipe levels 1: "x"'), "no choice"),
    (checked('layerpipe levels 1: "x"; "a" "b"'), "lacks a level"),
    (checked('layerpipe levels 1: "x"; "a" "b" -7.5'), "lacks dB"),
    (checked('layerpipe levels 1: "x"; "a" off'), "lacks a layer"),
    (checked('layerpipe levels 1: "x"; "a" "b" off; "a" "b" off'), 'section "a" twice'),
    (checked('layerpipe levels 1: "x"; "a" "b" off, "b" off'), 'layer "b" twice'),
    (checked('layerpipe levels 1: "x"; "a" "b" 61 dB'), "between -200 and 60"),
    (checked('layerpipe levels 1: "x"; "a" "b" 7.555 dB'), "cannot be read"),
    (checked('layerpipe levels 1: "x"; "a" "b" off off'), "cannot be read at"),
    (checked('layerpipe levels 1: ""; "a" "b" off'), "title of 1 to"),
    (checked(f'layerpipe levels 1: "x"; "a" "b" off, remark "{"m" * 281}"'), "281|more than 280"),
    (checked('layerpipe levels 1: "x"; "a" "b" off, remark "\\u001b[2J"'), "control characters"),
    (checked('layerpipe levels 1: "x"; "a" "b" off, remark "\\u202eabc"'), "control characters"),
    ("x" * (MOST_CHARACTERS + 1), "longer than"),
    (FILE.replace('levels 1"', 'levels 9"'), "must have format"),
    (FILE.replace("[[choice]]", "[[choise]]"), "choise"),
    (FILE.replace("remark", "remarks"), "remarks"),
    (FILE.replace("-inf", "nan"), "asks for nan dB"),
    (FILE.replace("-inf", "inf"), "asks for inf dB"),
    (FILE.replace("-inf", "true"), "levels_db"),
    (FILE.replace("-inf", "9" * 5000), "no saved file|asks for"),
    (FILE.replace("-inf", "9" * 900), "asks for 1000 dB"),
    (FILE.replace("{ octave = -inf }", "{}"), "levels_db"),
    (FILE.replace("{ octave = -inf }", "[" * 20000), "is no file|holds what no saved file holds"),
    (FILE.replace('"verse"', '"chorus"'), "twice"),
    ('format = "layerpipe levels 1"\ntitle = "x"\n', "no choice"),
    ('format = "layerpipe levels 1"\ntitle = "x"\nchoice = 3\n', "tables"),
    ('format = "layerpipe levels 1"\ntitle = "x"\nchoice = [3]\n', "tables"),
])
def test_anything_else_is_refused_and_says_why(text, told):
    with pytest.raises(AnswerError, match=told) as refusal:
        read_answer(text)
    letter = str(refusal.value)
    assert len(letter) < 400
    assert letter.isprintable()
    assert refusal.value.exit_code == 2


def test_a_title_may_look_like_an_answer():
    body = f"layerpipe levels 1: {json.dumps('layerpipe levels 1: ' + chr(34))}; \"a\" \"b\" off"
    assert read_answer(checked(body)).title == 'layerpipe levels 1: "'


@settings(max_examples=150, deadline=None)
@given(st.one_of(
    st.text(max_size=300),
    st.text(alphabet='";,off remark dB-0123456789.\\u(check)', max_size=200).map(lambda t: "layerpipe levels 1:" + t),
    st.text(alphabet='";,off remark dB-0123456789.abc', max_size=200).map(lambda t: checked("layerpipe levels 1:" + t)),
    st.text(max_size=200).map(lambda t: 'format = "layerpipe levels 1"\n' + t),
    st.tuples(st.integers(0, len(LINE)), st.characters()).map(lambda p: LINE[: p[0]] + p[1] + LINE[p[0] :]),
))
def test_no_text_does_anything_but_be_read_or_refused(text):
    try:
        answer = read_answer(text)
    except AnswerError:
        return
    assert answer.levels


def test_many_brackets_and_marks_cost_no_time():
    # Work grows with the text, not with its square: the longest allowed text of marks is refused in an instant.
    with pytest.raises(AnswerError):
        read_answer(("layerpipe levels 1:" * 4000)[:MOST_CHARACTERS])
    with pytest.raises(AnswerError):
        read_answer(('layerpipe levels 1: "' + "\\\\" * 40000)[:MOST_CHARACTERS])


def test_names_are_the_same_however_accents_were_composed():
    assert same_name("caf\u00e9", "cafe\u0301")
    assert not same_name("cafe", "caf\u00e9")

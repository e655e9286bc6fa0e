"""What the artist sends back is read strictly, whoever wrote it, and costs neither time nor memory."""

from __future__ import annotations

import binascii
import json
import math
import time
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.outputs.artist_page import AnswerError, ChosenLevel, read_answer
from layerpipe.outputs.artist_page.answers.answer import MOST_CHARACTERS, same_name
from tests.support.examples import few, slow

PAGE = "0123456789abcdef"
START = f"layerpipe levels 2: page {PAGE};"
BODY = (f'layerpipe levels 2: page {PAGE}; "Lantern on the Pier"; "verse" "octave" off was -12 dB; '
        '"chorus" "octave" -7.5 dB was -9 dB, "rakes" 0 dB was 0 dB, comment "more, please; it (nearly) is there", '
        'compared "octave -7.5 dB chosen once"')


def checked(body: str) -> str:
    """The line with its check; binascii's crc_hqx is the CRC-16 of polynomial 0x1021."""
    return f"{body} (check {binascii.crc_hqx(body.encode(), 0xFFFF):04x})"


def short(rest: str) -> str:
    """A line with some rest after the title."""
    return checked(f'layerpipe levels 2: page {PAGE}; "x"; {rest}')


LINE = checked(BODY)
FILE = f'''# saved
format = "layerpipe levels 2"
page = "{PAGE}"
title = "Lantern on the Pier"

[[choice]]
section = "verse"
levels_db = {{ octave = -inf }}
was_db = {{ octave = -12.0 }}

[[choice]]
section = "chorus"
levels_db = {{ octave = -7.5, rakes = 0 }}
was_db = {{ octave = -9.0, rakes = 0.0 }}
comment = "more, please; it (nearly) is there"
compared = "octave -7.5 dB chosen once"
'''
CHOSEN = (ChosenLevel("verse", "octave", -math.inf, -12.0), ChosenLevel("chorus", "octave", -7.5, -9.0),
          ChosenLevel("chorus", "rakes", 0.0, 0.0))


@pytest.mark.parametrize("text", [LINE, FILE, FILE.replace("\n", "\r\n")])
def test_line_and_file_say_the_same(text):
    answer = read_answer(text)
    assert (answer.title, answer.page_id) == ("Lantern on the Pier", PAGE)
    assert answer.levels == CHOSEN
    assert answer.comments == {"chorus": "more, please; it (nearly) is there"}
    assert answer.comparisons == {"chorus": "octave -7.5 dB chosen once"}


def test_the_check_is_that_of_the_published_example():
    # CRC-16 with polynomial 0x1021 and start 0xffff of "123456789" is 0x29b1: the "check" value of CRC-16/IBM-3740 in
    # Greg Cook's catalogue of parametrised CRC algorithms.
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1


@pytest.mark.parametrize(("text", "told"), [
    ("", "was not found"),
    ("please turn it up", "was not found"),
    (LINE[:-1], "copy it again"),
    (LINE[: len(LINE) // 2], "copy it again"),
    (LINE.replace("-7.5", "-6.5"), "altered in transit"),
    (LINE.replace("levels 2", "levels 1"), "version 1"),
    (LINE + "\n" + short('"a" "b" off was off'), "more than one"),
    (checked('layerpipe levels 2: "x"; "a" "b" off was off'), "lacks its page id"),
    (checked('layerpipe levels 2: page 12; "x"; "a" "b" off was off'), "page id of 16"),
    (checked(f'layerpipe levels 2: page {PAGE}; "x"'), "no choice"),
    (short('"a" "b"'), "lacks a level"),
    (short('"a" "b" off'), "level a layer had before"),
    (short('"a" "b" -7.5'), "lacks dB"),
    (short('"a" off'), "lacks a layer"),
    (short('"a" "b" off was off; "a" "b" off was off'), 'section "a" twice'),
    (short('"a" "b" off was off, "b" off was off'), 'layer "b" twice'),
    (short('"a" "b" 61 dB was off'), "between -200 and 60"),
    (short('"a" "b" off was 61 dB'), "between -200 and 60"),
    (short('"a" "b" 7.555 dB was off'), "cannot be read"),
    (short('"a" "b" off was off off'), "cannot be read at"),
    (short('"a" "b" off was off, compared "x", comment "y"'), "cannot be read at"),
    (checked(f'layerpipe levels 2: page {PAGE}; ""; "a" "b" off was off'), "title of 1 to"),
    (short(f'"a" "b" off was off, comment "{"m" * 281}"'), "more than 280"),
    (short('"a" "b" off was off, comment "\\u001b[2J"'), "control characters"),
    (short('"a" "b" off was off, compared "\\u202eabc"'), "control characters"),
    ("x" * (MOST_CHARACTERS + 1), "longer than"),
    (FILE.replace('levels 2"', 'levels 9"'), "must have format"),
    (FILE.replace(PAGE, "x"), "page id of 16"),
    (FILE.replace("[[choice]]", "[[choise]]"), "brackets other than"),
    (FILE.replace("comment", "comments"), "comments"),
    (FILE.replace("was_db = { octave = -12.0 }", ""), "was_db"),
    (FILE.replace("{ octave = -12.0 }", "{ rakes = -12.0 }"), "the same layers"),
    (FILE.replace("-inf", "nan"), "asks for nan dB"),
    (FILE.replace("-inf", "inf"), "asks for inf dB"),
    (FILE.replace("-inf", "true"), "levels_db"),
    (FILE.replace("-inf", "9" * 5000), "not a saved reply|asks for"),
    (FILE.replace("-inf", "9" * 900), "asks for 1000 dB"),
    (FILE.replace("{ octave = -inf }", "{}"), "levels_db"),
    (FILE.replace("{ octave = -inf }", "[" * 20000), "brackets other than"),
    (FILE.replace("{ octave = -inf }", "{ a = { b = 1 } }"), "tables inside tables"),
    (FILE.replace('"verse"', '"chorus"'), "twice"),
    (f'format = "layerpipe levels 2"\npage = "{PAGE}"\ntitle = "x"\n', "no choice"),
    (f'format = "layerpipe levels 2"\npage = "{PAGE}"\ntitle = "x"\nchoice = 3\n', "tables"),
])
def test_anything_else_is_refused_and_says_why(text, told):
    with pytest.raises(AnswerError, match=told) as refusal:
        read_answer(text)
    message = str(refusal.value)
    assert len(message) < 400
    assert message.isprintable()
    assert refusal.value.exit_code == 2


HEAD = f'format = "layerpipe levels 2"\npage = "{PAGE}"\ntitle = "x"\n'
HOSTILE = {
    "dotted key": HEAD + "a." * 30_000 + "a = 1\n",
    "dotted key with spaces": HEAD + "a . " * 15_000 + "a = 1\n",
    "quoted dotted key": HEAD + '"a".' * 15_000 + "a = 1\n",
    "dotted number key": HEAD + "1." * 30_000 + "1 = 1\n",
    "dotted key in a table": HEAD + "[[choice]]\nlevels_db = { " + "a." * 30_000 + "a = 1 }\n",
    "dotted header": HEAD + "[" + "a." * 30_000 + "a]\n",
    "many headers": HEAD + "[[choice]]\n" * 5_000,
    "many nested tables": HEAD + "x = " + "{a=" * 15_000 + "\n",
    "many arrays": HEAD + "x = " + "[" * 60_000 + "\n",
    "many keys": HEAD + "".join(f"a{n}=1\n" for n in range(8_000)),
    "long text": HEAD + 'x = """' + "a.b=" * 15_000 + '"""\n',
    "many starts": ("layerpipe levels 2:" * 4000)[:MOST_CHARACTERS],
    "many starts with strings": ('layerpipe levels 2: "' + "a" * 50) * 900,
    "escapes": ('layerpipe levels 2: "' + "\\\\" * 40000)[:MOST_CHARACTERS],
    "many quotes": ">" * MOST_CHARACTERS,
    "spaces and guillemets": "\u00ab" + " " * 65_000 + "\u00bb",
    "open tags": "<div " * 13_000,
    "tags": "<div>" * 13_000,
    "comments": "<div><!--" * 7_000,
    "declarations": "<div><![" * 8_000,
    "combining": "a" + "\u0301" * 65_000,
}


@pytest.mark.parametrize("name", [slow(name) if name in ("comments", "tags") else name for name in HOSTILE])
def test_no_answer_costs_much_time_or_memory(name):
    text = HOSTILE[name]
    tracemalloc.start()
    started = time.process_time()
    with pytest.raises(AnswerError):
        read_answer(text[:MOST_CHARACTERS])
    spent_s = time.process_time() - started
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # Our own limits: a second on an idle core, with room for slow and loaded machines, and 50 MB.
    assert spent_s < 30
    assert peak < 50_000_000


def test_a_title_may_look_like_an_answer():
    title = 'layerpipe levels 2: "'
    body = f"layerpipe levels 2: page {PAGE}; {json.dumps(title)}; \"a\" \"b\" off was off"
    assert read_answer(f"My levels for {title}\n\n{checked(body)}").title == title


@settings(max_examples=few(40, 150))
@given(st.one_of(
    st.text(max_size=300),
    st.text(alphabet='";,off comment was dB-0123456789.\\u(check)', max_size=200).map(lambda t: f"{START}{t}"),
    st.text(alphabet='";,off comment was dB-0123456789.abc', max_size=200).map(lambda t: checked(f"{START}{t}")),
    st.text(max_size=200).map(lambda t: 'format = "layerpipe levels 2"\n' + t),
    st.tuples(st.integers(0, len(LINE)), st.characters()).map(lambda p: LINE[: p[0]] + p[1] + LINE[p[0] :]),
))
def test_no_text_does_anything_but_be_read_or_refused(text):
    try:
        answer = read_answer(text)
    except AnswerError:
        return
    assert answer.levels


def test_names_are_the_same_however_accents_were_composed():
    assert same_name("caf\u00e9", "cafe\u0301")
    assert not same_name("cafe", "caf\u00e9")

"""The line that the review page gives back: which findings were accepted, of which state of which song.

    layerpipe review 1: page 0f3a5b6c1d2e7f80; accept 1, 3-5, 9 (check 3f2a)

Numbers count from 1 in the order of the page. The page's first eight digits are of the song, the others of its state:
recipe, files and findings. The check is the one of an artist's answer (`answer_reader`).
"""

from __future__ import annotations

import binascii
import re

from layerpipe.outputs.artist_page.answers.answer import MOST_CHARACTERS, refuse
from layerpipe.outputs.artist_page.answers.mail_text import plain_text

FORMAT = "layerpipe review 1"
_RUN = "[0-9]{1,4}(?:-[0-9]{1,4})?"
_LINE = re.compile(rf"layerpipe review ([0-9]{{1,9}}): page ([0-9a-f]{{16}}); accept ({_RUN}(?:, {_RUN})*) "
                   r"\(check ([0-9a-f]{4})\)", re.IGNORECASE)


def line_of(page_id: str, numbers: list[int]) -> str:
    """The line for some findings, numbered from 1; the page's script writes the same."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    listed = ", ".join(f"{first}-{last}" if last > first else str(first) for first, last in runs)
    line = f"{FORMAT}: page {page_id}; accept {listed}"
    return f"{line} (check {_check_of(line)})"


def read_line(text: str) -> tuple[str, list[int]]:
    """Read a line anywhere in a text, as mail programs leave it.

    Returns
    -------
    (str, list of int)
        The page's id, and numbers from 1, ascending.

    Raises
    ------
    AnswerError
        If there is none, it was cut short or changed, or there are several different ones.
    """
    if len(text) > MOST_CHARACTERS:
        refuse(f"is longer than {MOST_CHARACTERS} characters; give the one line alone")
    found = {match.groups() for match in _LINE.finditer(plain_text(text).text)}
    if not found:
        refuse(f'was not found: paste the whole line of the page, from "{FORMAT}:" to its check')
    if len(found) > 1:
        refuse("holds more than one line; give one at a time")
    version, page_id, listed, check = next(iter(found))
    if version != FORMAT[-1]:
        refuse(f"is of version {version}; this layerpipe reads version {FORMAT[-1]}: make a new page")
    if _check_of(f"layerpipe review {version}: page {page_id}; accept {listed}") != check:
        refuse("was altered in transit: the check code does not match; copy it again, all of it")
    numbers: set[int] = set()
    for run in listed.split(", "):
        first, _, last = run.partition("-")
        numbers |= set(range(int(first), int(last or first) + 1))
    return page_id, sorted(numbers)


def _check_of(line: str) -> str:
    return f"{binascii.crc_hqx(line.encode(), 0xFFFF):04x}"

"""Reads the file the artist's page saves.

TOML 1.0.0 with `format = "layerpipe levels 2"`, `page` and `title`, and for each section a `[[choice]]` table with
`section`, `levels_db`, `was_db` and the optional texts `comment` and `compared`. A TOML parser builds whatever nesting
a text asks for, so the shape is checked before parsing: 64 KB of dotted keys would take gigabytes.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

from layerpipe.outputs.artist_page.answers.answer import (
    FORMAT,
    MOST_CHOICES,
    Answer,
    AnswerBuilder,
    AnswerError,
    checked_name,
    printable,
    quoted,
    refuse,
)

_FORMAT_LINE = re.compile(r"""^[ \t]*format[ \t]*=[ \t]*["']layerpipe levels""", re.MULTILINE)
_STRING_OR_COMMENT = re.compile(r'''"(?:[^"\\\n]|\\.)*"|'[^'\n]*'|#[^\n]*''')
_KEY_START = re.compile(r"[,{\n]")


def is_saved_file(text: str) -> bool:
    """Whether a text calls itself a saved file."""
    return bool(_FORMAT_LINE.search(text))


def read_saved_file(text: str) -> Answer:
    """Read a saved file.

    Raises
    ------
    AnswerError
        If the page could not have written it.
    """
    _check_shape(text)
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError) as problem:
        # A number of thousands of digits is a plain ValueError.
        reason = str(problem) if isinstance(problem, tomllib.TOMLDecodeError) else "it holds a number without end"
        raise AnswerError(f"the answer is not a saved reply: {printable(reason)[:200]}") from problem
    _only(content, {"format", "page", "title", "choice"}, "the file")
    if content.get("format") != FORMAT:
        refuse(f'must have format = "{FORMAT}"')
    builder = AnswerBuilder(content.get("page"), content.get("title"))
    choices = content.get("choice", [])
    if not isinstance(choices, list) or not all(isinstance(choice, dict) for choice in choices):
        refuse("must hold [[choice]] tables")
    for choice in choices:
        _only(choice, {"section", "levels_db", "was_db", "comment", "compared"}, "a choice")
        section = checked_name(choice.get("section"), "section")
        levels, was = (_levels(choice.get(key), section, key) for key in ("levels_db", "was_db"))
        if levels.keys() != was.keys():
            refuse(f"must name the same layers in levels_db and was_db of section {quoted(section)}")
        texts = [choice.get(key) for key in ("comment", "compared")]
        if not all(text is None or isinstance(text, str) for text in texts):
            refuse(f"must give section {quoted(section)} its texts in quotes")
        builder.add(section, {layer: (level, was[layer]) for layer, level in levels.items()}, *texts)
    return builder.answer()


def _check_shape(text: str) -> None:
    """Refuse everything but flat [[choice]] tables, before anything is built from it."""
    if '"""' in text or "'''" in text:
        refuse("is not a saved reply: it holds texts of several lines")
    bare = _STRING_OR_COMMENT.sub("s", text)
    tables = 0
    for line in bare.split("\n"):
        if line.strip() == "[[choice]]":
            tables += 1
        elif "[" in line:
            refuse("is not a saved reply: it holds brackets other than [[choice]] tables")
        elif line.count("{") > 1:
            refuse("is not a saved reply: it holds tables inside tables")
    if tables > MOST_CHOICES or bare.count("=") > 6 * MOST_CHOICES:
        refuse(f"holds more than {MOST_CHOICES} choices")
    for before in bare.split("=")[:-1]:
        # A dot in a key would open a table in a table.
        if "." in _KEY_START.split(before)[-1]:
            refuse("is not a saved reply: it holds dotted keys")


def _levels(levels: Any, section: str, key: str) -> dict[str, float]:
    """Levels by layer, dB."""
    if not isinstance(levels, dict) or not levels or not all(
            isinstance(level, int | float) and not isinstance(level, bool) for level in levels.values()):
        refuse(f"must give section {quoted(section)} {key} = {{ LAYER = LEVEL }}")
    # An integer too large for a float would not be a level either way.
    return {layer: float(max(-1000, min(1000, level))) if isinstance(level, int) else level
            for layer, level in levels.items()}


def _only(table: dict[str, Any], known: set[str], what: str) -> None:
    """Refuse unknown keys."""
    for key in table:
        if key not in known:
            refuse(f"has {quoted(key)} in {what}; only {', '.join(sorted(known))} are allowed")

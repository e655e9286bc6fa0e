"""Words that readers stumbled over do not come back into anything they see.

Visible text: strings of the package (docstrings only where a command prints them), pages, pictures, README and recipes.
"""

from __future__ import annotations

import ast
import functools
import re
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
PACKAGE = PROJECT / "layerpipe"

GONE = [
    # positions and commands
    r"bar\.beat", r"\blayerpipe (clock|sheet)\b", r"\bletter for\b", r"\bThis letter\b",
    # verdicts and headings
    r"\brecord again\b", r"\bplay(ed)? again\b", r"\btouch up\b", r"\bcannot be told\b", r"\bfeel ms\b", r"\bscatter\b",
    r"\bhow far apart\b", r"\bas one, \|", r"\bnever heard here\b", r"\bfirst heard at\b",
    r"\bmono loses\b",
    r"\bheard bands\b", r"\bagainst rest\b", r"\bsays so already\b", r"\bas bounced\b", r"\brendered anew\b",
    r"\bits digest is another\b", r"\bdiffers from frame\b", r"\bthe bounce did not write it\b",
    r"\bits sound is the same\b",
    r"\bsame here\b", r"\bWhat is left of every file\b",
    # messages and advice
    r"\bflat tops?\b", r"\bthe wave stands off\b", r"\bhave the converter looked at\b", r"\bfirst-generation file\b",
    r"\bthe pair leans\b", r"\bare ever used\b", r"\bis no (bounce|sound file)\b", r"\bdoes not call itself\b",
    r"\bholds no sound file\b", r"\bis not a sound file known here\b", r"\bsamples that are no sound\b",
    r"\bclaims to be\b", r"\bthere is no such setting\b.*\ballowed is\b", r"\bunseen character\b",
    r"\bwas changed on its way\b",
    r"\bentry of the store\b", r"\bstore of processed takes\b", r"\bmade a mistake of its own\b",
    r"\bturned upside down\b",
    r"\bnothing was kept\b", r"\bnothing half-written\b",
    # how things are told
    r"\bis told\b", r"\bare told\b", r"\bwhat is told\b", r"\btells? all\b", r"\bof its own is\b", r"\bis wanted of\b",
    r"\bwhere a Chromium is found\b", r"\bleft out, it is\b", r"\bsound file\b", r"\bpartner\b",
    r"\bthe joint\b", r"\bjoint_ms\b", r"\bflip_polarity\b", r"\bring_out_s\b(?!=)",
]
"""Left-hand words of the word list that can be searched for."""
ALLOWED = {
    # A refusal names the old key to say what it is called now.
    "recipe/faults/renamed.py",
}


def _strings(path: Path) -> list[tuple[int, str]]:
    """Strings of a module that can be printed: all but docstrings, and those too where they are a command's help."""
    docs, strings = set(), []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Constant):
            if isinstance(node.value, str):
                strings.append(node)
        elif isinstance(body := getattr(node, "body", None), list):
            is_help = path.parent.name == "cli" and isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
            # A string that stands alone explains the name before it.
            docs |= {id(part.value) for part in body[is_help:] if isinstance(part, ast.Expr)}
    return [(node.lineno, node.value) for node in strings if id(node) not in docs]


@functools.cache
def _visible() -> list[tuple[str, str]]:
    """Place and text of everything that a reader can see."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).as_posix()
        if name not in ALLOWED:
            found += [(f"{name}:{line}", text) for line, text in _strings(path)]
    for pattern in ("**/*.html", "**/*.j2", "**/*.json"):
        found += [(path.relative_to(PACKAGE).as_posix(), path.read_text("utf-8")) for path in PACKAGE.glob(pattern)]
    for path in (PROJECT / "README.md", *sorted((PROJECT / "recipes").glob("*"))):
        found.append((path.relative_to(PROJECT).as_posix(), path.read_text("utf-8")))
    return found


def test_words_that_were_replaced_are_seen_nowhere():
    everything = "\n".join(text for _, text in _visible())
    patterns = [pattern for gone in GONE if (pattern := re.compile(gone, re.IGNORECASE)).search(everything)]
    found = [f"{place}: ...{text[max(hit.start() - 30, 0) : hit.end() + 30]!r}" for place, text in _visible()
             for pattern in patterns for hit in pattern.finditer(text)]
    assert not found, "\n".join(found)


def test_positions_of_three_dotted_numbers_are_written_nowhere():
    pattern = re.compile(r"\"-?\d+\.\d+\.\d+\"")
    found = [f"{place}: {hit[0]}" for place, text in _visible() for hit in pattern.finditer(text)
             if "version" not in text[max(hit.start() - 20, 0) : hit.start()]]
    assert not found, "\n".join(found)

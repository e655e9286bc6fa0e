"""Any text, any value in any place: told with its line, and refused in words if it must be."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.core.errors import RecipeError
from layerpipe.recipe.edit.toml_text import lines_of
from layerpipe.recipe.reader import parse_recipe
from tests.support.examples import few

GOOD = (Path(__file__).resolve().parents[2] / "recipes" / "lantern.toml").read_text("utf-8")
A_FAULT = re.compile(r"  (line \d+, )?.*\S")


def refusal_of(text: str) -> str | None:
    """What is said about a text; None if it is a good recipe. Anything else that is raised fails the test."""
    try:
        parse_recipe(Path("song.toml"), text)
    except RecipeError as refusal:
        return str(refusal)
    return None


def is_a_letter(said: str | None) -> bool:
    """A heading and as many faults as it promises, in words of our own."""
    if said is None:
        return True
    heading, *faults = said.split("\n")
    counted = re.fullmatch(r"song\.toml: (\d+) faults?", heading)
    return (counted is not None and int(counted[1]) == len(faults) and all(map(A_FAULT.fullmatch, faults))
            and "Expected `" not in said)


def test_lines_are_found_in_every_way_of_writing_toml():
    text = '''\
# comment [not.a.table]
top = 1
a.b."c.d" = """
[no.table]
x = "\\"""
"""
[t] # [x]
k = [ # ]
  1, "]",
  [2, 3], { p = 4,  q.r = """a
""" },
  5,
]
'lit "key"' = \'\'\'
z = 1
\'\'\'\'\'
after = 6
[[list]]
[[list]]
v = 7
[list.sub]
w = 2020-01-01 # , ]
[[list.deep]]
[[list.deep]]
u = 8
'''
    assert tomllib.loads(text)
    lines = lines_of(text)
    wanted = {
        ("top",): 2, ("a", "b", "c.d"): 3, ("t",): 7, ("t", "k"): 8, ("t", "k", 0): 9, ("t", "k", 2): 10,
        ("t", "k", 2, 1): 10, ("t", "k", 3, "p"): 10, ("t", "k", 3, "q", "r"): 10, ("t", "k", 4): 12,
        ("t", 'lit "key"'): 14, ("t", "after"): 17,
        ("list", 0): 18, ("list", 1): 19, ("list", 1, "v"): 20, ("list", 1, "sub"): 21, ("list", 1, "sub", "w"): 22,
        ("list", 1, "deep", 0): 23, ("list", 1, "deep", 1): 24, ("list", 1, "deep", 1, "u"): 25,
    }
    assert {place: lines.get(place) for place in wanted} == wanted


def leaves(value: Any, place: tuple[str | int, ...] = ()) -> list[tuple[tuple[str | int, ...], Any]]:
    """Every number of nested tables and lists with its place."""
    if isinstance(value, dict):
        return [leaf for key, inner in value.items() for leaf in leaves(inner, (*place, key))]
    if isinstance(value, list):
        return [leaf for n, inner in enumerate(value) for leaf in leaves(inner, (*place, n))]
    return [(place, value)]


KEYS = st.sampled_from(["song", "layer", "take", "a-b"]) | st.text(max_size=6).filter(lambda key: "\r" not in key)
TREES = st.dictionaries(KEYS, st.recursive(
    st.integers(10**8, 10**9) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3), max_leaves=12), max_size=4)


@settings(max_examples=few(20, 100))
@given(TREES)
def test_the_line_of_a_number_holds_that_number(tree):
    text = tomlkit.dumps(tree)
    if tomllib.loads(text) != tree:
        return  # a few odd keys do not survive being written; they prove nothing here
    written = text.split("\n")
    lines = lines_of(text)
    for place, value in leaves(tree):
        if isinstance(value, int):
            assert str(value) in written[lines[place] - 1]


@settings(max_examples=few(40, 200))
@given(st.text(alphabet=st.sampled_from('[]{}=.,"\'\\#\n\r\t abz019-_:+eE\x00\u00e9\u202e'), max_size=60))
def test_any_text_is_read_or_refused_in_words(text):
    assert is_a_letter(refusal_of(text))


ODD = st.one_of(
    st.none().map(lambda _: {}), st.just([]), st.booleans(), st.integers(), st.floats(), st.text(max_size=5),
    st.lists(st.integers(), max_size=3), st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
    st.just([{}]), st.dates(), st.times(), st.just(10**400))


@settings(max_examples=few(20, 100))
@given(data=st.data(), odd=ODD, remove=st.booleans())
def test_any_value_anywhere_is_read_or_refused_in_words(data, odd, remove):
    tree = tomllib.loads(GOOD)
    at: Any = tree
    for _ in range(data.draw(st.integers(0, 6))):
        step = data.draw(st.sampled_from(list(at) if isinstance(at, dict) else list(range(len(at)))))
        if not isinstance(at[step], dict | list) or not at[step]:
            break
        at = at[step]
    step = data.draw(st.sampled_from(list(at) if isinstance(at, dict) else list(range(len(at)))))
    if remove:
        del at[step]
    else:
        at[step] = odd
    text = tomlkit.dumps(tree)
    assert is_a_letter(refusal_of(text))

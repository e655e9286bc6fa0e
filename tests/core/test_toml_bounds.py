"""Short texts that would cost gigabytes or minutes are refused before they are read, and a flood of faults is cut."""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path

import pytest

from layerpipe.core.errors import MOST_SHOWN, RecipeError
from layerpipe.core.toml_bounds import BOUNDS, bounds_problem
from layerpipe.recipe.reader import parse_recipe
from tests.support.examples import slow

MB = 1_000_000
TAKE = '[song]\ntitle = "x"\ntempo = 60\n[[layer]]\nname = "a"\n[[layer.take]]\nname = "a"\nfile = "a"\n'
LAYERS = '[song]\ntitle = "x"\n' + "".join(f'[[layer]]\nname = "layer number {n}"\n' for n in range(32))
FLOODS = {
    "dotted key": "a" + ".a" * 499_990 + " = 1",
    "dotted header": "[" + "a." * 499_990 + "a]",
    "brackets": "a = " + "[" * 999_990,
    "inline tables": "a = " + "{a=" * 333_000,
    "list": "a = [" + "1," * 499_990 + "]",
    "unknown keys": "".join(f"k{n} = 1\n" for n in range(29_900)),
    "unknown quoted keys": "".join(f'"k{n}" = 1\n' for n in range(29_900)),
    "too many keys": "".join(f"k{n} = 1\n" for n in range(80_000)),
    "unknown layers": LAYERS + '[[section]]\nname = "v"\nbars = [1, 2]\nlevels_db = { '
                      + ", ".join(f'"layer numbr {n}" = 0' for n in range(14_000)) + " }",
    "moves": TAKE + "[[layer.take.move]]\nfrom = 1\nto = 2\nby_ms = 1\n" * 5_900,
    "sections": TAKE + "".join(f'[[section]]\nname = "s"\nbars = [{n}, {n + 1}]\n' for n in range(4_900)),
    "digits": "a = 1" + "0" * 999_990, "hexadecimal": "a = 0x" + "f" * 999_990, "fraction": "a = 1." + "1" * 999_990,
    "long key": "a" * 999_990 + " = 1", "title": '[song]\ntitle = "' + "x" * 999_900 + '"',
    "escapes": 'a = "' + "\\u0041" * 166_000 + '"', "quotes": '"' * MB, "apostrophes": "'" * MB, "blank": "\n" * MB,
    "long text": 'a = """' + '" ' * 499_900 + '"""', "open text": 'a = """' + "x " * 499_900, "comment": "#" * MB,
}

RARER = ("unknown quoted keys", "sections", "unknown layers", "open text", "blank", "title")
"""Each like a quicker one."""


def said_of(text: str) -> str:
    with pytest.raises(RecipeError) as refusal:
        parse_recipe(Path("song.toml"), text)
    return str(refusal.value)


@pytest.mark.parametrize("name", [slow(name) if name in RARER else name for name in FLOODS])
def test_no_megabyte_takes_long(name):
    text = FLOODS[name]
    assert len(text) <= MB
    start_s = time.process_time()
    said = said_of(text)
    # Ours: a second on an idle core. Work that grows with the square of the text takes many minutes; the bound leaves
    # room for slow and loaded machines.
    assert time.process_time() - start_s < 30
    assert len(said) < 20_000


@pytest.mark.parametrize("name", [
    "dotted key", "fraction",
    *(slow(name) for name in ("blank", "title", "unknown keys"))])
def test_no_megabyte_takes_more_than_150_mb(name):
    tracemalloc.start()
    try:
        said_of(FLOODS[name])
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 150 * MB  # ours


@pytest.mark.parametrize(("text", "line", "said"), [
    ("a = 1\n" + ".".join("a" * 11) + " = 1", 2, "has a key of too many parts; allowed are 8 names"),
    ("\n\na = " + "[" * 17, 3, "nests lists or tables too deeply; allowed are 16 levels"),
    ("a = 1\n" * (BOUNDS.values + 1), BOUNDS.values + 1, "too many keys and list elements"),
    ("a = " + "9" * 1001, 1, "has a number or key of 1001 characters; allowed are 1000"),
])
def test_what_passes_a_bound_is_told_with_its_line(text, line, said):
    problem = bounds_problem(text)
    assert problem is not None
    assert problem[0] == line
    assert said in problem[1]


@pytest.mark.parametrize("text", [
    'a = "' + "[" * 2000 + "." * 2000 + '"', "a = '" + "{" * 2000 + "'", "# " + "[." * 2000,
    'a = """' + "[\n" * 2000 + '"""', "a = '''" + "[.\n" * 2000 + "'''", 'a = "\\"' + "[" * 2000 + '"',
    "".join(f"a{n} = {n}.5\n" for n in range(2000)), 'a = "' + "x" * 5000 + '"', "# " + "x" * 5000,
    "a.b.c.d.e.f.g.h = 1.5", "a = " + "[" * 16 + "]" * 16,
])
def test_marks_inside_text_and_comments_do_not_count(text):
    assert bounds_problem(text) is None


def test_a_song_of_256_takes_with_chains_and_moves_is_within_bounds():
    chain = ("chain = { high_pass = [{ hz = 40 }, { hz = 80, slope_db_per_octave = 18 }], shelf = [{ side = 'high', "
             "hz = 5000, gain_db = 2.0 }], compressor = { threshold_db = -22.0, ratio = 2.0, attack_ms = 15 } }\n")
    text = '[song]\ntitle = "x"\n'
    for n in range(8):
        text += f'[[layer]]\nname = "layer {n}"\n'
        for k in range(32):
            text += f'[[layer.take]]\nname = "take {k}"\nfile = "takes/{k}.wav"\npan = 3\ngain_db = 1\n{chain}'
            text += "".join(f"[[layer.take.move]]\nfrom = {m}\nto = {m}.5\nby_ms = 3\n" for m in range(10))
    recipe = parse_recipe(Path("song.toml"), text).recipe
    assert sum(len(take.move) for layer in recipe.layer for take in layer.take) == 2560


def test_fifty_faults_are_printed_and_the_others_counted():
    with pytest.raises(RecipeError) as refusal:
        parse_recipe(Path("song.toml"), TAKE + "".join(f"[k{n}]\n" for n in range(200)))
    heading, *lines, last = str(refusal.value).split("\n")
    assert heading == "song.toml: 200 faults"
    assert len(lines) == MOST_SHOWN == 50
    assert lines[0].startswith("  line 9, k0: there is no such setting")
    assert last == "  and 150 more"
    assert refusal.value.count == 200

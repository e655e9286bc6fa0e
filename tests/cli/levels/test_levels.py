"""`layerpipe levels` as its users meet it: tables, one JSON document, pictures, and what is written into the recipe."""

from __future__ import annotations

import json
import math
import struct
import subprocess
import sys
from xml.etree import ElementTree

import pytest

from layerpipe.recipe.reader import read_recipe
from tests.cli.levels.conftest import COMMENT, levels_of
from tests.support.songs import write_recipe

ROW = ["section", "level_db", "lufs", "added_lu", "relative_lu", "short_term_max_lufs", "true_peak_dbtp",
       "mono_loss_lu", "brightness_db", "audible_bands", "audible_share"]


def test_json_is_one_document_of_the_agreed_shape(run, song):
    code, out, err = run(song, "--layer", "octave", "--at", "-12,-6", "--under", 9, "--json")
    told = json.loads(out)
    assert (code, err) == (0, "")
    assert list(told) == ["layer", "against", "rows", "audible_from_db", "solved", "skipped"]
    assert told["layer"] == "octave"
    assert all(list(row) == ROW for row in told["rows"])
    assert [(row["section"], row["level_db"]) for row in told["rows"]] == [
        (section, level) for section in ("verse", "chorus", "whole song") for level in (-12.0, -6.0)]
    assert [list(one) for one in told["solved"]] == [["section", "under_lu", "level_db"]] * 3
    # Sections of 2 s have no complete 3 s.
    assert told["rows"][0]["short_term_max_lufs"] is None
    assert isinstance(told["rows"][-1]["short_term_max_lufs"], float)


def test_the_usual_levels_go_from_24_under_to_0_in_steps_of_one_and_a_half(run, song):
    _, out, _ = run(song, "--section", "chorus", "--json")
    assert [row["level_db"] for row in json.loads(out)["rows"]] == [-24 + 1.5 * n for n in range(17)]
    _, out, _ = run(song, "--section", "chorus", "--from", -6, "--to", -5, "--step", 0.1, "--json")
    assert [row["level_db"] for row in json.loads(out)["rows"]] == [round(-6 + 0.1 * n, 1) for n in range(11)]


def _rows(out, section):
    """Levels printed for a section, and the one marked as the recipe's."""
    table = out[out.index(f"{section}, "):].partition("\naudible")[0]
    lines = [line.split() for line in table.splitlines()[3:]]
    return [float(line[0]) for line in lines], [float(line[0]) for line in lines if line[-1] == "recipe"]


def test_the_recipes_level_and_five_around_it_are_printed_and_the_rest_when_asked(run, song):
    song.write_text(song.read_text("utf-8").replace("level_db = -9.0", "level_db = -8.7"), "utf-8")
    _, out, _ = run(song)
    # The octave is off in the verse; the five are those around its level elsewhere.
    assert _rows(out, "verse") == ([-math.inf, -12.0, -10.5, -9.0, -7.5, -6.0], [-math.inf])
    assert _rows(out, "chorus") == ([-12.0, -10.5, -9.0, -8.7, -7.5, -6.0], [-8.7])
    assert "12 more levels of each section were measured: --all prints them" in out
    _, out, _ = run(song, "--all")
    usual = [-24 + 1.5 * n for n in range(17)]
    assert _rows(out, "chorus") == (sorted([*usual, -8.7]), [-8.7])
    assert _rows(out, "verse") == ([-math.inf, *usual], [-math.inf])
    assert "more levels" not in out
    # What is asked for is printed, no more and no less.
    _, out, _ = run(song, "--from", -20, "--step", 0.5)
    assert _rows(out, "chorus")[0] == [-20 + 0.5 * n for n in range(41)]
    # At the edge of the range all five are on one side.
    song.write_text(song.read_text("utf-8").replace("level_db = -8.7", "level_db = 3.0"), "utf-8")
    assert _rows(run(song)[1], "chorus") == ([-6.0, -4.5, -3.0, -1.5, 0.0, 3.0], [3.0])


def test_a_person_reads_a_table_and_from_where_the_layer_is_audible(run, song):
    code, out, err = run(song, "--at", "-24,-inf", "--section", "chorus", "--under", 9)
    assert (code, err) == (0, "")
    assert 'chorus, "octave" relative to the rest' in out
    assert "audible from -" in out
    assert "the recipe has it at -9.0 dB" in out
    assert "9 LU under the rest at -" in out
    assert [line.split()[0] for line in out.splitlines() if line.strip().startswith("-")] == ["-24.0", "-inf"]


def test_what_was_solved_is_written_with_comments_kept_and_an_off_section_stays_off(run, song):
    code, out, _ = run(song, "--at", "-6", "--under", 9, "--json")
    solved = {one["section"]: one["level_db"] for one in json.loads(out)["solved"]}
    code, out, _ = run(song, "--under", 9, "--write")
    assert code == 0
    assert f"+levels_db = {{octave = {round(solved['chorus'], 2)}}}" in out.replace("{ ", "{").replace(" }", "}")
    assert "unchanged: verse (octave is off there)" in out
    assert levels_of(song) == (-9.0, {"verse": -math.inf, "chorus": round(solved["chorus"], 2)})
    assert song.read_text("utf-8").startswith(COMMENT)
    code, out, _ = run(song, "--under", 9, "--write", "--for", "chorus")
    assert "no change: already set" in out


def test_a_section_with_its_own_level_keeps_it_unless_it_is_named(run, song):
    assert run(song, "--at", "-14", "--write", "--for", "chorus")[0] == 0
    before = song.read_bytes()
    told = json.loads(run(song, "--under", 9, "--write", "--json")[1])
    assert told["skipped"] == [{"section": "verse", "why": "octave is off there"},
                               {"section": "chorus", "why": "has its own level of octave"}]
    assert song.read_bytes() == before
    code, out, _ = run(song, "--under", 9, "--write", "--section", "chorus")
    assert code == 0
    assert "no section to change; nothing written" in out
    assert song.read_bytes() == before
    assert run(song, "--under", 9, "--write", "--for", "chorus")[0] == 0
    assert levels_of(song)[1]["chorus"] != -14.0


def test_for_names_the_section_that_is_written(run, song):
    assert run(song, "--under", 6, "--write", "--for", "chorus")[0] == 0
    own, by_section = levels_of(song)
    assert (own, by_section["verse"]) == (-9.0, -math.inf)
    assert -12 < by_section["chorus"] < 0
    assert run(song, "--at", "-4.5", "--write", "--for", "verse", "--for", "chorus")[0] == 0
    assert levels_of(song) == (-9.0, {"verse": -4.5, "chorus": -4.5})
    assert run(song, "--at", "-inf", "--write", "--for", "verse")[0] == 0
    assert levels_of(song) == (-9.0, {"verse": -math.inf, "chorus": -4.5})


def test_a_layer_is_measured_against_a_named_one(run, stems, tmp_path):
    recipe = json.loads(json.dumps(stems[1]).replace("-Infinity", "-9.0"))
    recipe["layer"].append({"name": "shimmer", "level_db": -20.0, "take": [
        {"name": "only", "file": stems[1]["layer"][1]["take"][0]["file"]}]})
    song = write_recipe(tmp_path / "three.toml", recipe)
    asked = (song, "--layer", "octave", "--at", "-6", "--under", 9, "--section", "chorus", "--json")
    rest, named = (json.loads(run(*asked, *more)[1]) for more in ((), ("--against", "shimmer")))
    assert (rest["against"], named["against"]) == (None, "shimmer")
    assert named["rows"][0]["lufs"] == rest["rows"][0]["lufs"]
    # The same take at -6 dB on two sides and at -20 dB in the middle: about 14 dB, and what panning makes of it.
    assert named["rows"][0]["relative_lu"] > rest["rows"][0]["relative_lu"] + 6
    again = json.loads(run(song, "--layer", "octave", "--against", "shimmer", "--section", "chorus", "--json", "--at",
                           named["solved"][0]["level_db"])[1])
    assert again["rows"][0]["relative_lu"] == pytest.approx(-9, abs=1e-6)
    assert "9 LU under \"shimmer\" at" in run(*asked[:-1], "--against", "shimmer")[1]
    for wrong, says in (("octave", "is the layer that is tried"), ("shimer", 'did you mean "shimmer"')):
        code, _, err = run(song, "--layer", "octave", "--against", wrong)
        assert code == 2
        assert says in err


def test_one_level_is_the_layers_own_and_sections_with_one_are_named(run, song):
    code, out, _ = run(song, "--at", "-7", "--write")
    assert code == 0
    assert levels_of(song) == (-7.0, {"verse": -math.inf, "chorus": None})
    assert "unchanged: verse (has its own level of octave). Use --for SECTION to write them." in out


def test_without_sections_the_solved_level_is_the_layers_own(run, stems, tmp_path):
    recipe = {**stems[1], "section": []}
    song = write_recipe(tmp_path / "bare.toml", recipe)
    assert run(song, "--under", 9, "--write")[0] == 0
    assert read_recipe(song).recipe.layer[1].level_db != -9.0
    again = json.loads(run(song, "--at", read_recipe(song).recipe.layer[1].level_db, "--json")[1])
    assert again["rows"][0]["relative_lu"] == pytest.approx(-9, abs=0.006)


def test_with_json_the_change_is_shown_on_stderr(run, song):
    code, out, err = run(song, "--at", "-7", "--write", "--json")
    assert code == 0
    assert json.loads(out)["layer"] == "octave"
    assert "+level_db = -7.0" in err
    assert run(song, "--at", "-8", "--write", "--quiet") == (0, "", "")
    assert levels_of(song)[0] == -8.0


@pytest.mark.parametrize(("words", "says"), [
    (["--layer", "octav"], 'did you mean "octave"'),
    (["--section", "chrous"], 'no section "chrous"'),
    (["--at", "loud"], '"loud" is not a level'),
    (["--at", "-9,nan"], '"nan" is not a level'),
    (["--at", "-9,90"], '"90" is not a level'),
    (["--from", "0", "--to", "-3"], "the lower level comes first"),
    (["--step", "0"], "must be above 0"),
    (["--step", "0.001"], "at most 1000"),
    (["--under", "nan"], "must be inside"),
    (["--write"], "needs --under, or --at with one level"),
    (["--write", "--at", "-9,-6"], "needs --under, or --at with one level"),
    (["--write", "--at", "-9", "--under", "9"], "use one"),
    (["--for", "chorus"], "needs --write"),
    (["--write", "--at", "-9", "--for", "chrous"], 'did you mean "chorus"'),
    (["--picture", "levels.jpg"], "must end in .png or .svg"),
])
def test_what_cannot_be_meant_is_refused_with_a_reason(run, song, words, says):
    before = song.read_bytes()
    code, out, err = run(song, *words)
    assert code == 2
    # The option parser breaks its lines and frames them.
    assert says in " ".join(err.replace("│", " ").split())
    assert out == ""
    assert song.read_bytes() == before


def test_a_level_for_a_silent_section_is_not_written(run, stems, tmp_path):
    recipe = {**stems[1], "section": [*stems[1]["section"], {"name": "off", "bars": [1, 1],
                                                            "levels_db": {"regular": -math.inf}}]}
    recipe["section"] = [section for section in recipe["section"] if section["name"] != "verse"]
    song = write_recipe(tmp_path / "silent.toml", recipe)
    code, out, _ = run(song, "--under", 9, "--write")
    assert code == 0
    assert "unchanged: off (too short to measure, or one of the two is silent there)" in out
    code, _, err = run(song, "--under", 9, "--write", "--for", "off")
    assert code == 2
    assert "no level to write for off" in err


@pytest.mark.slow
def test_pictures_are_the_same_twice_and_nothing_is_left_beside(run, song, tmp_path):
    for name in ("one.png", "two.png", "one.svg", "two.svg"):
        assert run(song, "--picture", tmp_path / name, "--quiet") == (0, "", "")
    for kind in ("png", "svg"):
        assert (tmp_path / f"one.{kind}").read_bytes() == (tmp_path / f"two.{kind}").read_bytes()
    # The size stands in a PNG's first chunk: width and height, big-endian (ISO/IEC 15948, 11.2.2).
    assert struct.unpack(">II", (tmp_path / "one.png").read_bytes()[16:24]) == (1650, 1110)
    assert ElementTree.parse(tmp_path / "one.svg").getroot().tag.endswith("svg")
    assert not list(tmp_path.glob("*.partial"))


def test_names_in_a_picture_are_text_and_nothing_else(run, stems, tmp_path):
    recipe = json.loads(json.dumps(stems[1]).replace("-Infinity", "-9.0"))
    recipe["song"]["title"] = "$\\frac$ & <b>"
    recipe["section"][0]["name"] = "_intro $1"
    assert run(write_recipe(tmp_path / "odd.toml", recipe), "--picture", "odd.svg", "--quiet") == (0, "", "")
    ElementTree.parse(tmp_path / "odd.svg")


def test_a_picture_that_cannot_be_written_is_told(run, song, tmp_path):
    code, _, err = run(song, "--picture", tmp_path / "nowhere" / "levels.png")
    assert code == 1
    assert "cannot be written" in err


def test_levels_from_the_store_need_none_of_the_slow_libraries(run, song):
    assert run(song, "--quiet")[0] == 0
    seen = ("import sys; from click.testing import CliRunner; from layerpipe.cli import program; "
            f"code = CliRunner().invoke(program(), ['levels', {str(song)!r}, '--json']).exit_code; "
            "print(code, sorted({'numba', 'scipy', 'matplotlib', 'pyloudnorm', 'rich', 'tomlkit'} & set(sys.modules)))")
    done = subprocess.run([sys.executable, "-c", seen], capture_output=True, text=True, check=True)
    assert done.stdout.strip().startswith("0 ")
    assert not {"numba", "scipy", "matplotlib", "pyloudnorm", "tomlkit"} & set(done.stdout.replace("'", " ").split())

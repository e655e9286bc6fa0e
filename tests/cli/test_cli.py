"""The command line as its users meet it: exit codes, what is printed where, and never a traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from layerpipe import __version__
from layerpipe.cli import COMMANDS, _answer
from tests.support.command import run_command
from tests.support.songs import recipe_of, write_recipe

RECIPES = Path(__file__).resolve().parents[2] / "recipes"


@pytest.fixture
def run(monkeypatch, tmp_path):
    """Run a command in an empty folder; hands back (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def _run(*words):
        result = run_command(*words)
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
        return result.exit_code, result.stdout, result.stderr

    return _run


@pytest.fixture
def song(tmp_path):
    return write_recipe(tmp_path / "harbour.toml", recipe_of(tmp_path))


def test_bounce_writes_below_bounces_and_shows_a_table(run, song, tmp_path):
    code, out, err = run("bounce", song)
    assert code == 0, err
    assert (tmp_path / "bounces/harbour/blend.wav").exists()
    assert "blend.wav" in out
    assert err == ""


def test_json_is_one_document_and_nothing_else(run, song, tmp_path):
    code, out, _ = run("bounce", song, "--json")
    told = json.loads(out)
    assert code == 0
    assert told["bounces"][0]["folder"] == "bounces/harbour"
    assert told["bounces"][0]["manifest"] == json.loads((tmp_path / "bounces/harbour/bounce.json").read_text())
    code, out, _ = run("preview", song, "--json", "--section", "chorus")
    assert {row["version"] for row in json.loads(out)["previews"]} == {"regular alone", "octave alone", "blend"}
    assert all(Path(row["file"]).exists() for row in json.loads(out)["previews"])


def test_quiet_says_nothing(run, song):
    assert run("bounce", song, "--quiet") == (0, "", "")
    code, out, err = run("preview", song, "--quiet", "--version", "blend")
    assert (code, out) == (0, "")
    assert err == "" or err.startswith("caution: ")


def test_a_caution_about_a_big_boost_is_printed_whatever_was_asked_for(run, tmp_path):
    recipe = recipe_of(tmp_path)
    for layer in recipe["layer"]:
        layer["level_db"] = -40.0
    song = write_recipe(tmp_path / "soft.toml", recipe)
    for words in ((), ("--quiet",), ("--json",)):
        _, out, err = run("preview", song, "--section", "chorus", "-o", "heard", *words)
        assert "caution: raised by up to" in err
        assert "headphones" in err
    assert json.loads(out)["caution"] == err.strip()
    recipe["preview"]["loudness_lufs"] = -60.0
    _, out, err = run("preview", write_recipe(tmp_path / "soft.toml", recipe), "--section", "chorus", "--json")
    assert err == ""
    assert json.loads(out)["caution"] is None


def test_a_wrong_recipe_is_exit_code_2_with_every_fault(run, tmp_path):
    recipe = recipe_of(tmp_path)
    recipe["layer"][0]["take"][0]["pan"] = 200
    recipe["layer"][1]["take"][1]["pann"] = 3
    code, out, err = run("bounce", write_recipe(tmp_path / "wrong.toml", recipe))
    assert code == 2
    assert out == ""
    assert "wrong.toml: 2 faults" in err
    assert 'layer "regular", take 1, pan' in err
    assert 'did you mean "pan"?' in err


def test_a_wrong_recipe_with_json_tells_the_faults_as_data(run, tmp_path):
    recipe = recipe_of(tmp_path)
    recipe["layer"][0]["take"][0]["pan"] = 200
    code, out, _ = run("bounce", write_recipe(tmp_path / "wrong.toml", recipe), "--json")
    assert code == 2
    (fault,) = json.loads(out)["faults"]
    assert fault["where"].startswith('layer "regular", take 1')
    assert fault["line"] > 1


def test_faulty_files_are_exit_code_1(run, tmp_path):
    recipe = recipe_of(tmp_path)
    recipe["layer"][0]["take"][0]["file"] = "missing.wav"
    code, _, err = run("bounce", write_recipe(tmp_path / "files.toml", recipe))
    assert code == 1
    assert "missing.wav" in err
    assert not (tmp_path / "bounces/files").exists()


@pytest.mark.parametrize(("words", "said"), [
    (["bounce"], "Missing argument"),
    (["bounce", "nowhere.toml"], "there is no such file"),
    (["preview", "."], "is a folder"),
    (["dance"], "No such command"),
    (["bounce", "x.toml", "--loud"], "No such option"),
    (["page", "x.toml", "--seconds", "nan"], "'nan' is not a valid number"),
    (["page", "x.toml", "--most-mb", "1001"], "not in the range"),
])
def test_a_wrong_command_line_is_exit_code_2(run, words, said):
    code, _, err = run(*words)
    assert code == 2
    assert said in err


def test_one_wrong_recipe_among_several_stops_no_other_and_decides_the_exit_code(run, song, tmp_path):
    (tmp_path / "empty.toml").write_text("")
    code, out, err = run("bounce", tmp_path / "empty.toml", song)
    assert code == 2
    assert "empty.toml: 1 fault" in err
    assert "2 songs: 1 refused, 1 bounced" in out
    assert (tmp_path / "bounces/harbour/blend.wav").exists()


def test_recipes_that_would_share_a_folder_are_refused(run, song, tmp_path):
    (tmp_path / "b").mkdir()
    other = write_recipe(tmp_path / "b" / "harbour.toml", recipe_of(tmp_path / "b"))
    code, _, err = run("bounce", song, other)
    assert code == 2
    assert "would share the folder" in err


def test_a_read_only_place_is_told(run, song, tmp_path):
    (tmp_path / "place").write_text("a file where a folder should be")
    code, _, err = run("bounce", song, "--out", tmp_path / "place")
    assert code == 1
    assert "cannot be written" in err


def test_the_cache_is_shown_and_emptied(run, song, monkeypatch, tmp_path):
    monkeypatch.setenv("LAYERPIPE_CACHE", str(tmp_path / "cache"))
    run("bounce", song, "--quiet")
    _, out, _ = run("cache", "--json")
    assert json.loads(out)["bytes"] > 1_000_000
    _, out, _ = run("cache")
    assert " MiB of at most 8192 MiB; " in out
    _, out, _ = run("cache", "--empty", "--json")
    assert json.loads(out)["bytes"] == 0


def test_the_whole_program_starts_without_the_slow_libraries():
    seen = "import sys, layerpipe.cli; print(sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", seen], capture_output=True, text=True, check=True).stdout
    for slow in ("numba", "scipy", "matplotlib", "pyloudnorm", "numpy", "pydantic"):
        assert f"'{slow}'" not in loaded, slow


def test_the_module_runs_as_the_command(tmp_path):
    done = subprocess.run([sys.executable, "-m", "layerpipe", "bounce", "nowhere.toml"], capture_output=True, text=True,
                          cwd=tmp_path, env={**os.environ, "LAYERPIPE_CACHE": str(tmp_path)}, check=False)
    assert done.returncode == 2
    assert done.stderr == "nowhere.toml: 1 fault\n  there is no such file\n"


@pytest.mark.parametrize("recipe", sorted(RECIPES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_recipe_that_comes_with_the_project_bounces(run, recipe, tmp_path):
    code, _, err = run("bounce", recipe, "--quiet")
    assert (code, err) == (0, "")
    assert (tmp_path / "bounces" / recipe.stem / "blend.wav").exists()


def test_the_list_of_commands_reads_whole(run):
    code, out, _ = run("--help")
    assert code == 0
    assert all(f"\n  {name} " in out for name in COMMANDS)
    assert "..." not in out.partition("Commands:")[2]


def test_one_command_alone_reads_no_other_s_file(tmp_path):
    seen = ("import sys; sys.argv[1:] = ['preview', '--help']; import layerpipe.cli\n"
            "try: layerpipe.cli.main()\n"
            "finally: print(sorted(name for name in sys.modules if name.startswith('layerpipe.cli.')))")
    done = subprocess.run([sys.executable, "-c", seen], capture_output=True, text=True, cwd=tmp_path, check=True)
    assert done.stdout.splitlines()[-1] == ("['layerpipe.cli.options', 'layerpipe.cli.preview', 'layerpipe.cli.songs', "
                                            "'layerpipe.cli.tables', 'layerpipe.cli.terminal']")


@pytest.mark.parametrize("words", [["bonce", "x.toml"], ["--quiet"], []])
def test_what_is_no_command_is_told(words):
    done = subprocess.run([sys.executable, "-m", "layerpipe", *words], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "Usage: " in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(("words", "code"), [([], 2), (["--help"], 0), (["bounce", "--help"], 0), (["--version"], 0)])
def test_what_is_told_by_the_libraries_has_the_same_exit_code(words, code, capsys):
    assert _answer(words) == code
    assert capsys.readouterr().out


def test_the_version_is_told(run):
    assert run("--version") == (0, f"layerpipe {__version__}\n", "")

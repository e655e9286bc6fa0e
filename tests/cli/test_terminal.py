"""Everything printed goes through one door: whole lines, nothing that steers a terminal, streams that are not there."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import weakref
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace

import pytest

import layerpipe
from layerpipe.cli import INTERNAL_ERROR, _answer, _interrupt
from layerpipe.recipe.model.types import Record
from tests.support.songs import plucked, recipe_of, write_recipe, write_take
from tests.support.waiting import PATIENCE_S

PACKAGE = Path(layerpipe.__file__).parent
STEERING = "\x1b[2J\u202e\x85"
FULL = Path("/dev/full")
NEEDS_FULL = pytest.mark.skipif(not FULL.exists(), reason="there is no /dev/full here")


def _call(words, folder, **settings):
    """Run the real command."""
    return subprocess.run([sys.executable, "-m", "layerpipe", *words], cwd=folder, timeout=PATIENCE_S, check=False,
                          **settings)


def _run(words, folder, **settings):
    return _call(words, folder, capture_output=True, **settings)


@pytest.fixture
def song(tmp_path):
    return write_recipe(tmp_path / "song.toml", recipe_of(tmp_path))


PRINTING = re.compile(r"(?<![\w.`])print\(|\b(?:from|import) rich\b|\bsys\.std(?:out|err)\b|\.(?:echo|secho|print)\(")


def test_only_the_terminal_prints():
    for path in sorted(PACKAGE.rglob("*.py")):
        if (path.parent.name == "cli" and path.name in ("terminal.py", "tables.py")) or path.name == "__main__.py":
            continue
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
            found = PRINTING.search(line)
            assert found is None or line.lstrip().startswith(">>>"), f"{path.relative_to(PACKAGE)}, line {number}"


def _hostile(tmp_path, kind):
    """A command line that meets a name which would steer a terminal or forge a line."""
    forged = f"{STEERING}\nall is well"
    if kind == "unknown key":
        path = write_recipe(tmp_path / "song.toml", recipe_of(tmp_path) | {f"a{forged}": 1})
        return ["bounce", path]
    if kind == "level key":
        recipe = recipe_of(tmp_path)
        recipe["section"][0]["levels_db"] = {f"octave{forged}": -3.0}
        return ["bounce", write_recipe(tmp_path / "song.toml", recipe)]
    if kind == "position":
        recipe = recipe_of(tmp_path)
        recipe["layer"][0]["take"][0]["move"] = [{"from": f"bar{forged}", "to": "bar 2", "by_ms": 3.0}]
        return ["bounce", write_recipe(tmp_path / "song.toml", recipe)]
    if kind == "file of a recipe":
        recipe = recipe_of(tmp_path)
        recipe["layer"][0]["take"][0]["file"] = f"{forged}.wav"
        return ["check", write_recipe(tmp_path / "song.toml", recipe)]
    name = tmp_path / f"take{forged}"
    if kind == "draft":
        folder = tmp_path / f"takes{forged}"
        folder.mkdir()
        (folder / f"notes{forged}.txt").write_text("no sound")
        write_take(folder / "left.wav", plucked(1, 1.0))
        return ["draft", folder]
    if kind == "draft --out":
        write_take(tmp_path / "left.wav", plucked(1, 1.0))
        return ["draft", tmp_path, "--out", f"{name}.toml"]
    if kind == "check":
        write_take(Path(f"{name}.wav"), plucked(1, 1.0))
        return ["check", f"{name}.wav"]
    if kind in ("bounce", "preview", "timing", "tempo", "levels", "page"):
        return [kind, write_recipe(Path(f"{name}.toml"), recipe_of(tmp_path))]
    if kind == "option":
        return ["bounce", f"--{forged}"]
    if kind == "command":
        return [forged]
    return [kind, str(name), *([str(name)] if kind == "compare" else [])]


KINDS = ["unknown key", "level key", "position", "file of a recipe", "draft", "draft --out", "check", "verify",
         "compare", "bounce", "preview", "page", "timing", "levels", "option", "command"]


@pytest.mark.parametrize("kind", KINDS)
def test_no_name_steers_the_terminal_or_forges_a_line(tmp_path, kind, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert _answer([str(word) for word in _hostile(tmp_path, kind)]) != INTERNAL_ERROR
    printed = "".join(capsys.readouterr())
    assert printed
    assert not any(letter in printed for letter in STEERING if letter not in "[2J")
    # On a line of its own it would look like ours.
    assert not any(line.strip() == "all is well" for line in printed.splitlines())
    if kind in ("check", "verify", "compare", "draft", "file of a recipe"):
        _answer([*(str(word) for word in _hostile_again(tmp_path, kind)), "--json"])
        as_json = capsys.readouterr()
        json.loads(as_json.out)
        assert "\x1b" not in as_json.out + as_json.err


def test_a_name_does_not_steer_the_terminal_of_the_real_command(tmp_path):
    done = _run(_hostile(tmp_path, "check"), tmp_path)
    printed = (done.stdout + done.stderr).decode()
    assert printed
    assert done.returncode != INTERNAL_ERROR
    assert not any(letter in printed for letter in STEERING if letter not in "[2J")


def _hostile_again(tmp_path, kind):
    """The same command line, in a folder of its own."""
    folder = tmp_path / "again"
    folder.mkdir()
    return _hostile(folder, kind)


@pytest.mark.parametrize("encoding", [pytest.param("utf-8:strict", marks=pytest.mark.slow), "ascii:strict"])
def test_names_that_are_not_utf_8_are_printed_on_a_strict_stdout(tmp_path, encoding):
    name = os.fsdecode(b"n\xff\xc3\xa9.toml")
    try:
        song = write_recipe(tmp_path / name, recipe_of(tmp_path))
    except OSError:
        pytest.skip("this disk refuses such names")
    settings = {"env": {**os.environ, "PYTHONIOENCODING": encoding}}
    done = _run(["bounce", name], tmp_path, **settings)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"\\uDCFF" in done.stdout
    told = json.loads(_run(["bounce", name, "--json"], tmp_path, **settings).stdout.decode())
    assert told["bounces"][0]["recipe"] == song.name


@pytest.mark.parametrize("closed", [
    *(pytest.param(name, marks=pytest.mark.slow) for name in ("stdout", "stderr")), "both"])
def test_closed_streams_stop_nothing(song, tmp_path, closed):
    redirect = {"stdout": ">&-", "stderr": "2>&-", "both": "<&- >&- 2>&-"}[closed]
    command = f'"{sys.executable}" -m layerpipe bounce song.toml {redirect}'
    done = subprocess.run(["sh", "-c", command], cwd=tmp_path, capture_output=True, timeout=PATIENCE_S, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert (tmp_path / "bounces/song/blend.wav").exists()
    refused = subprocess.run(["sh", "-c", command.replace("song.toml", "nowhere.toml")], cwd=tmp_path,
                             capture_output=True, timeout=PATIENCE_S, check=False)
    assert refused.returncode == 2
    assert refused.stdout == b""


@NEEDS_FULL
@pytest.mark.parametrize("words", [
    ["--help"], ["--version"], ["schema"], ["cache", "--json"], ["bounce", "song.toml"],
    *(pytest.param(words, marks=pytest.mark.slow) for words in (["bounce", "--help"], ["cache"]))])
def test_a_full_stdout_is_reported_once(song, tmp_path, words):
    with FULL.open("w") as full:
        done = _call(words, tmp_path, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 1
    assert done.stderr == b"standard output: cannot be written: No space left on device\n"


@NEEDS_FULL
def test_a_full_stderr_keeps_the_exit_code(tmp_path):
    with FULL.open("w") as full:
        assert _call(["bounce", "nowhere.toml"], tmp_path, stderr=full, stdout=subprocess.PIPE).returncode == 2


def test_a_reader_that_went_away_is_no_error_to_report(tmp_path):
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = _call(["schema"], tmp_path, stdout=write_end, stderr=subprocess.PIPE)
    os.close(write_end)
    assert (done.returncode, done.stderr) == (1, b"")


def test_an_interrupt_at_any_early_moment_prints_no_traceback(song, tmp_path):
    # The mark is printed when the command's first statement has run; what comes before is the interpreter's.
    script = ("import os, sys, _signal; sys.argv = ['layerpipe', 'bounce', 'song.toml']; set_to = _signal.signal\n"
              "def marked(*to): set_to(*to); os.write(2, b'+'); _signal.signal = set_to\n"
              "_signal.signal = marked\n"
              "from layerpipe.__main__ import main; sys.exit(main())")
    for after_s in (0.0, 0.03, 0.1, 0.3):
        with subprocess.Popen([sys.executable, "-c", script], cwd=tmp_path, stdout=subprocess.PIPE,
                              stderr=subprocess.PIPE) as running:
            assert running.stderr.read(1) == b"+"
            time.sleep(after_s)
            running.send_signal(signal.SIGINT)
            _, said = running.communicate(timeout=PATIENCE_S)
        assert b"Traceback" not in said, after_s
        assert running.returncode in (0, 130, -signal.SIGINT), after_s
        assert not list(tmp_path.rglob("*.partial")), after_s


@pytest.mark.parametrize(("file", "function", "is_raised"), [
    ("<frozen importlib._bootstrap>", "_find_and_load", False), ("threading.py", "start", False),
    (Record.of.__code__.co_filename, "of", False),
    (weakref.WeakSet.add.__code__.co_filename, "_remove", False), ("threading.py", "wait", True),
    ("bounce.py", "bounce_song", True)])
def test_an_interrupt_is_raised_where_it_is_neither_lost_nor_keeps_a_lock(monkeypatch, file, function, is_raised):
    again = []
    monkeypatch.setattr(signal, "setitimer", lambda which, seconds: again.append(seconds))
    below = SimpleNamespace(f_code=SimpleNamespace(co_filename=file, co_name=function), f_back=None)
    place = SimpleNamespace(f_code=_answer.__code__, f_back=below)
    with pytest.raises(KeyboardInterrupt) if is_raised else nullcontext():
        _interrupt(signal.SIGINT, place)
    assert bool(again) is not is_raised


@pytest.mark.parametrize("limit", ["\u00b2", "-1", "many", "1e3", "9" * 40])
def test_a_cache_limit_that_is_no_number_is_refused(monkeypatch, capsys, limit):
    monkeypatch.setenv("LAYERPIPE_CACHE_LIMIT_MB", limit)
    assert _answer(["cache"]) == 2
    said = capsys.readouterr().err
    assert "LAYERPIPE_CACHE_LIMIT_MB" in said
    assert "whole number" in said


@pytest.mark.parametrize("mib", [pytest.param(600, marks=pytest.mark.slow), 300])
def test_little_address_space_is_enough_or_reported(song, tmp_path, mib):
    resource = pytest.importorskip("resource")

    def limit():
        resource.setrlimit(resource.RLIMIT_AS, (mib << 20, mib << 20))

    for words in (["check", "song.toml"], ["bounce", "song.toml"], ["--version"]):
        done = _run(words, tmp_path, preexec_fn=limit)
        said = done.stderr.decode()
        assert done.returncode in (0, 1), said
        # OpenBLAS ends the process itself, with its own words.
        assert done.returncode == 0 or "not enough memory" in said or "OpenBLAS" in said
        assert "Traceback" not in said
        assert "internal error" not in said
        assert "slower" not in said
    assert not (tmp_path / "bounces/song").exists() or (tmp_path / "bounces/song/bounce.json").exists()

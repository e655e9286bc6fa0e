"""Loops as machine code: kept code is used without the compiler, trusted only if it is our own, and not needed."""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from layerpipe.core import process
from layerpipe.core.files.cache_dir import cache_folder, code_folder, make_private
from layerpipe.dsp import kernels
from layerpipe.dsp.kernels import inference, jit, portable_code
from layerpipe.dsp.kernels.code_files import keep_code, read_code
from tests.support.command import run_command
from tests.support.songs import plucked, recipe_of, write_recipe, write_take

PROJECT = Path(__file__).parents[2]
ROUND = """
import os, sys
os.umask(int(sys.argv[1], 8))
import numpy as np
from layerpipe.dsp import kernels
from layerpipe.dsp.kernels import jit
made, keep = [], jit._keep
jit._keep = lambda name, code: (made.append(name), keep(name, code))
pcm = np.empty(4, np.int32)
misfits = kernels.round_samples(np.array([0.25, -0.5, 0.75, 2.0]), 1.0, 32768.0, pcm)
print(misfits, *pcm, "made" if made else "loaded", *{"numba"} & {name for name in sys.modules if sys.modules[name]})
"""
ROUNDED = "1 8192 -16384 24576 32767"
MADE, LOADED = f"{ROUNDED} made", f"{ROUNDED} loaded"
BOUNCE_AS_WRITTEN = """
import sys
sys.modules["llvmlite"] = None
from layerpipe.cli import main
sys.argv[1:] = ["bounce", sys.argv[1], "--out", sys.argv[2]]
sys.exit(main())
"""


def round_anew(home: Path, umask: str = "022", **environment: str | None) -> str:
    """Round four samples in a new process with this cache folder of the user; what it prints."""
    asked = {**os.environ, "XDG_CACHE_HOME": str(home), **environment}
    done = subprocess.run([sys.executable, "-c", ROUND, umask], capture_output=True, text=True, check=True,
                          cwd=PROJECT, env={name: value for name, value in asked.items() if value is not None})
    assert done.stderr == ""
    return done.stdout.strip()


def codes(folder: Path) -> list[Path]:
    """Every file of machine code under a folder."""
    return sorted(folder.rglob("*.code"))


def test_code_is_made_once_and_without_numba(tmp_path: Path) -> None:
    assert round_anew(tmp_path) == MADE
    assert round_anew(tmp_path) == LOADED
    assert len(codes(tmp_path)) == 1


def test_machine_code_is_kept_for_this_user_only_whatever_the_umask(tmp_path: Path) -> None:
    round_anew(tmp_path, "000")
    folder = tmp_path / "layerpipe" / "machine-code"
    assert [stat.S_IMODE(path.stat().st_mode) for path in (folder.parent, folder)] == [0o700, 0o700]
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}


def test_damaged_code_is_built_again_and_never_run(tmp_path: Path) -> None:
    round_anew(tmp_path)
    (kept,) = codes(tmp_path)
    whole = kept.read_bytes()
    kept.write_bytes(whole[:-9] + b"\0" * 9)
    assert round_anew(tmp_path) == MADE
    assert kept.read_bytes() == whole


@pytest.mark.slow
def test_code_of_another_installation_is_not_trusted(tmp_path: Path) -> None:
    round_anew(tmp_path / "theirs")
    round_anew(tmp_path / "ours")
    (theirs,), (ours,) = codes(tmp_path / "theirs"), codes(tmp_path / "ours")
    assert theirs.read_bytes() != ours.read_bytes()
    shutil.copy(theirs, ours)
    assert round_anew(tmp_path / "ours") == MADE


def test_the_data_cache_never_holds_code(tmp_path: Path) -> None:
    shared = tmp_path / "shared"
    assert round_anew(tmp_path / "home", LAYERPIPE_CACHE=str(shared)) == MADE
    assert not shared.exists()


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """This user's folder of machine code, with something in it that is accepted."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    keep_code("loop.code", b"body")
    assert read_code("loop.code") == b"body"
    return tmp_path / "layerpipe" / "machine-code"


def test_code_is_accepted_under_its_own_name_only(folder: Path) -> None:
    shutil.copy(folder / "loop.code", folder / "other.code")
    assert read_code("other.code") is None


@pytest.mark.parametrize("damage", [lambda code: code[:10], lambda code: b"", lambda code: code[:-1] + b"!",
                                    lambda code: os.urandom(len(code))])
def test_damaged_code_is_not_accepted(folder: Path, damage) -> None:
    code = folder / "loop.code"
    code.write_bytes(damage(code.read_bytes()))
    assert read_code("loop.code") is None


@pytest.mark.parametrize("mode", [0o770, 0o707, 0o701])
def test_a_folder_that_others_can_enter_is_not_used(folder: Path, mode: int) -> None:
    folder.chmod(mode)
    assert (code_folder(), read_code("loop.code")) == (None, None)


@pytest.mark.parametrize("mode", [0o775, 0o757])
def test_a_folder_whose_surroundings_others_can_change_is_not_used(folder: Path, mode: int) -> None:
    folder.parent.chmod(mode)
    assert (code_folder(), read_code("loop.code")) == (None, None)


def test_what_belongs_to_another_user_is_not_used(folder: Path) -> None:
    if os.getuid() != 0:
        pytest.skip("only root can give a folder away")
    os.chown(folder / "loop.code", 12345, 12345)
    assert read_code("loop.code") is None
    keep_code("loop.code", b"body")
    assert read_code("loop.code") == b"body"
    os.chown(folder, 12345, 12345)
    assert (code_folder(), read_code("loop.code")) == (None, None)


@pytest.mark.parametrize("name", ["loop.code", "key", ""])
def test_links_are_not_followed(folder: Path, name: str, tmp_path: Path) -> None:
    there = folder / name
    there.rename(tmp_path / "elsewhere")
    there.symlink_to(tmp_path / "elsewhere")
    assert read_code("loop.code") is None


def test_a_pipe_in_place_of_code_does_not_block(folder: Path) -> None:
    (folder / "loop.code").unlink()
    os.mkfifo(folder / "loop.code")
    assert read_code("loop.code") is None


@pytest.mark.parametrize("found", [Path("cache/layerpipe"), RuntimeError("no home")])
def test_without_a_home_of_its_own_the_cache_is_a_new_private_folder_and_no_code_is_kept(
        found: Path | Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    def user_cache_path(*names: str, **options: object) -> Path:
        if isinstance(found, Exception):
            raise found
        return found

    monkeypatch.setattr("platformdirs.user_cache_path", user_cache_path)
    monkeypatch.delenv("LAYERPIPE_CACHE")
    assert code_folder() is None
    data = cache_folder()
    assert data == cache_folder()
    assert stat.S_IMODE(data.stat().st_mode) == 0o700
    assert list(data.iterdir()) == []


def test_the_data_cache_is_created_for_this_user_only_and_its_path_is_absolute(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LAYERPIPE_CACHE", "a/b")
    assert cache_folder() == tmp_path / "a" / "b"
    before = os.umask(0)
    try:
        make_private(cache_folder())
    finally:
        os.umask(before)
    assert [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("a", "a/b")] == [0o700, 0o700]


def test_without_a_place_for_it_code_is_made_and_used(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder", "utf-8")
    assert round_anew(tmp_path / "file") == MADE


def test_without_the_compiler_the_loop_as_written_gives_the_same(tmp_path: Path) -> None:
    hidden = f"import sys\nsys.modules['llvmlite'] = None\n{ROUND}"
    done = subprocess.run([sys.executable, "-c", hidden, "022"], capture_output=True, text=True, check=True,
                          cwd=PROJECT, env={**os.environ, "XDG_CACHE_HOME": str(tmp_path)})
    assert done.stdout.strip() == LOADED
    assert done.stderr.count("machine code cannot be made or loaded") == 1


def test_without_machine_code_a_bounce_has_the_same_bytes_and_says_so_once(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Few frames: as written a loop takes a hundred times as long.
    for seed, name in enumerate(("regular-left", "regular-right", "octave-left", "octave-right")):
        write_take(tmp_path / f"{name}.wav", plucked(seed, 0.5, 8_000), 8_000)
    asked = recipe_of(tmp_path)
    asked["song"] |= {"tempo": 400, "meter": "3/4", "bar_one_s": 0.01}
    for layer in asked["layer"]:
        del layer["take"][1]
    asked["section"] = [{"name": "verse", "bars": [1, 1]}]
    recipe = write_recipe(tmp_path / "song.toml", asked)
    monkeypatch.setenv("LAYERPIPE_CACHE", str(tmp_path / "fast cache"))
    fast = run_command("bounce", recipe, "--out", tmp_path / "fast")
    assert fast.exit_code == 0, fast.output
    assert "machine code" not in fast.output
    slow = subprocess.run([sys.executable, "-c", BOUNCE_AS_WRITTEN, recipe, tmp_path / "slow"], capture_output=True,
                          text=True, cwd=PROJECT, check=False,
                          env={**os.environ, "LAYERPIPE_CACHE": str(tmp_path / "slow cache")})
    assert slow.returncode == 0, slow.stderr
    assert slow.stderr.count("machine code cannot be made or loaded") == 1
    made, written = ({path.name: path.read_bytes() for path in (tmp_path / name).rglob("*") if path.is_file()}
                     for name in ("fast", "slow"))
    assert made.keys() == written.keys() != set()
    assert [name for name in made if made[name] != written[name]] == []


def test_without_room_for_its_code_a_loop_is_short_of_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jit, "has_room_for_code", lambda: False)
    with pytest.raises(MemoryError):
        jit._load(kernels.round_samples.plain, kernels.round_samples.kinds[0])
    monkeypatch.setattr(process, "has_room_for_compiler", lambda: False)
    assert process.is_short_of_memory(SystemError("error return without exception set"))
    monkeypatch.setattr(process, "has_room_for_compiler", lambda: True)
    assert not process.is_short_of_memory(SystemError("error return without exception set"))


@pytest.mark.parametrize("triple", ["x86_64-pc-windows-msvc", "arm64-apple-darwin", "aarch64-unknown-linux-gnu"])
def test_portable_code_becomes_machine_code_for_other_systems(triple: str) -> None:
    llvm = pytest.importorskip("llvmlite.binding")
    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()
    target = llvm.Target.from_triple(triple).create_target_machine(jit=True)
    for loop, kinds in ((kernels.round_samples, 0), (kernels.add_panned, 0)):
        text = portable_code.read_ir(jit.portable_name(loop.plain, loop.kinds[kinds]))
        assert len(portable_code.object_of_ir(text, llvm, target)) > 500


def test_portable_code_is_plain_arithmetic_for_no_processor() -> None:
    texts = [path.read_text("utf-8") for path in (Path(kernels.__file__).parent / portable_code.IR_FOLDER).iterdir()]
    assert len(texts) >= len(kernels.__all__)
    for text in texts:
        assert not re.search(r"\b(fast|reassoc|contract|arcp|afn|nnan|ninf|nsz)\b|target|<\d+ x ", text)
        assert all(name.startswith("@llvm.") for name in re.findall(r"^declare .*?(@[^(]+)", text, re.MULTILINE))


def test_other_kinds_of_arguments_are_compiled_by_numba(tmp_path: Path) -> None:
    script = ROUND.replace("np.empty(4, np.int32)", "np.empty(4, np.int64)")
    done = subprocess.run([sys.executable, "-c", script, "022"], capture_output=True, text=True, check=True,
                          cwd=PROJECT, env={**os.environ, "XDG_CACHE_HOME": str(tmp_path)})
    assert (done.stdout.strip(), done.stderr) == (f"{MADE} numba", "")


def test_portable_code_that_llvm_does_not_know_is_left_to_numba(monkeypatch: pytest.MonkeyPatch) -> None:
    loop = kernels.round_samples
    assert jit._finish(loop.plain, loop.kinds[0]) is not None
    monkeypatch.setattr(jit, "read_ir", lambda name: "define words of the future")
    assert jit._finish(loop.plain, loop.kinds[0]) is None


def test_rows_of_a_larger_array_are_read_and_written_in_place() -> None:
    sound, state, out = np.arange(80.0).reshape(4, 20), np.zeros((4, 4)), np.zeros((4, 20))
    gain = np.array([2.0, 0, 0, 1, 0, 0])
    kernels.run_two_sections_of_four(gain, gain, sound[:, 5:9], state, out[:, 5:9])
    np.testing.assert_array_equal(out[:, 5:9], 4 * sound[:, 5:9])
    assert not out[:, :5].any()
    assert not out[:, 9:].any()


def test_a_loop_that_calls_for_more_than_arithmetic_is_refused() -> None:
    def noisy(out: np.ndarray) -> None:
        out[0] = np.random.random()

    with pytest.raises(RuntimeError, match="may call nothing"):
        jit._compile(noisy, ("f8[]",))


def test_another_convention_for_arguments_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    def halve(out: np.ndarray, by: float) -> None:
        out[0] = by

    monkeypatch.setattr(inference, "words_of", lambda kinds: [])
    with pytest.raises(RuntimeError, match="hands arguments"):
        jit._compile(halve, ("f8[]", "f8"))


def test_kernels_take_their_arguments_by_place() -> None:
    with pytest.raises(AssertionError, match="by place"):
        kernels.pack_24(pcm=np.zeros(1, np.uint32), words=np.zeros(0, np.uint32), rest=np.zeros(3, np.uint8))

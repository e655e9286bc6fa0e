"""The main job works without calls that only Linux has (positional reads, locks, folder flags)."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from layerpipe.core.files import atomic_folder, locks
from layerpipe.core.files.atomic_folder import atomic_folder as whole_folder
from layerpipe.core.files.locks import PathLock
from layerpipe.core.files.shared_reader import SharedFile
from tests.support.command import run_command
from tests.support.songs import recipe_of, write_recipe

PROJECT = Path(__file__).parents[2]
WITHOUT = """
import os, sys
for name in ("pread", "preadv", "O_DIRECTORY", "O_NOFOLLOW", "O_NONBLOCK", "sched_getaffinity"):
    delattr(os, name)
sys.modules["fcntl"] = sys.modules["resource"] = None
from tests.support.command import run_command
for line in sys.argv[1:]:
    done = run_command(*line.split())
    assert done.exit_code == 0, done.output
"""
COMMANDS = ("bounce song.toml --out bounce --quiet", "preview song.toml --out preview --quiet",
            "verify bounce/song --quiet")


def files(folder: Path) -> dict[str, bytes]:
    """Every file of a folder, without the list of previews: it names the recipe's place."""
    return {path.name: path.read_bytes() for path in sorted(folder.rglob("*"))
            if path.is_file() and path.name != "previews.json"}


def test_bounce_and_preview_give_the_same_bytes_without_them(tmp_path, monkeypatch):
    found = []
    for without in (False, True):
        folder = tmp_path / str(without)
        folder.mkdir()
        write_recipe(folder / "song.toml", recipe_of(folder))
        monkeypatch.chdir(folder)
        monkeypatch.setenv("LAYERPIPE_CACHE", str(folder / "cache"))
        if without:
            done = subprocess.run([sys.executable, "-c", WITHOUT, *COMMANDS], capture_output=True, text=True,
                                  env={**os.environ, "PYTHONPATH": str(PROJECT)}, check=False)
            assert (done.returncode, done.stderr) == (0, "")
        else:
            assert [run_command(*line.split()).exit_code for line in COMMANDS] == [0, 0, 0]
        found.append((files(folder / "bounce"), files(folder / "preview")))
    assert len(found[0][0]) >= 10
    assert len(found[0][1]) > 2
    assert found[0] == found[1]


def test_positional_reads_are_the_same_without_the_systems_own(tmp_path, monkeypatch):
    path = tmp_path / "take"
    path.write_bytes(bytes(range(256)))
    for missing in ("pread", "preadv"):
        monkeypatch.delattr(os, missing)
    file, room = SharedFile(path), bytearray(8)
    assert file.read(250, 10) == bytes(range(250, 256))
    assert (file.read_into(4, memoryview(room)), bytes(room)) == (8, bytes(range(4, 12)))
    assert file.read_into(252, memoryview(room)) == 4


@pytest.fixture
def windows_locks(monkeypatch):
    """Locks as Windows has them: on bytes of a file. What they do is done by this system's own."""
    def locking(descriptor: int, mode: int, count: int) -> None:
        os.fstat(descriptor)
        real.flock(descriptor, real.LOCK_EX | (0 if mode == 1 else real.LOCK_NB))

    real = pytest.importorskip("fcntl")
    monkeypatch.setattr(locks, "msvcrt", SimpleNamespace(LK_LOCK=1, LK_NBLCK=2, locking=locking))
    monkeypatch.setattr(locks, "KIND", "locking")


def test_windows_locks_hold_others_off_and_leave_no_file(windows_locks, tmp_path):
    folder = tmp_path / "song"
    folder.mkdir()
    lock = PathLock(folder)
    with pytest.raises(BlockingIOError):
        PathLock(folder)
    lock.release()
    PathLock(folder).release()
    assert [path.name for path in tmp_path.iterdir()] == ["song"]


def test_a_folder_that_another_run_writes_is_not_tidied_with_windows_locks(windows_locks, tmp_path):
    target = tmp_path / "song"
    abandoned = tmp_path / ".song.0123abcd.partial"
    abandoned.mkdir()
    with whole_folder(target, lambda folder: ["one"]) as first:
        assert not abandoned.exists()
        (first / "one").write_bytes(b"1")
        with whole_folder(target, lambda folder: ["one"]) as second:
            assert first.is_dir()
            (second / "one").write_bytes(b"2")
    assert (target / "one").read_bytes() == b"1"
    assert [path.name for path in tmp_path.iterdir()] == ["song"]


def test_where_nothing_locks_only_age_tells_what_is_abandoned(monkeypatch, tmp_path):
    monkeypatch.setattr(locks, "KIND", "none")
    left = tmp_path / ".song.0123abcd.partial"
    left.mkdir()
    with whole_folder(tmp_path / "song", lambda folder: []):
        assert left.is_dir()
        os.utime(left, (0, 0))
    with whole_folder(tmp_path / "song", lambda folder: []):
        assert not left.exists()
    assert atomic_folder._ABANDONED_S == 86_400

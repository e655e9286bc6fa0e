"""Temporary folders: gone with their process, also with one that was killed."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from layerpipe.core.files import locks
from layerpipe.core.files.temporary import TemporaryFolder

MAKE = """
import os, signal, sys
from pathlib import Path
from layerpipe.core.files.temporary import TemporaryFolder
folder = TemporaryFolder()
(Path(folder.name) / "take.f32").write_bytes(b"sound")
print(folder.name, flush=True)
sys.stdin.read(1)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def room(tmp_path, monkeypatch):
    """The temporary folder of this test."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def grow_old(path: Path) -> None:
    os.utime(path, (1e9, 1e9))


def test_a_folder_goes_with_its_object(room):
    folder = TemporaryFolder()
    (Path(folder.name) / "take.f32").write_bytes(b"sound")
    assert Path(folder.name).parent == room
    del folder
    assert list(room.iterdir()) == []


@pytest.mark.skipif(locks.KIND == "none", reason="nothing can be locked here")
def test_what_a_killed_process_left_is_removed_by_the_next_and_what_is_in_use_stays(room):
    strangers = room / "layerpipe-kept-file"
    strangers.write_text("no folder", "utf-8")
    grow_old(strangers)
    with subprocess.Popen([sys.executable, "-c", MAKE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
                          env={**os.environ, "TMPDIR": str(room), "TEMP": str(room)}) as running:
        theirs = Path(running.stdout.readline().strip())
        grow_old(theirs)
        first = TemporaryFolder()
        assert (theirs / "take.f32").exists(), "its process is alive"
        running.communicate("x")
    assert theirs.exists(), "nobody has cleared it"
    second = TemporaryFolder()
    assert {path.name for path in room.iterdir()} == {Path(first.name).name, Path(second.name).name, strangers.name}

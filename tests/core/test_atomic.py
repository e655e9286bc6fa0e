"""Files are complete or absent, whatever lies in the folder and whoever else writes there."""

from __future__ import annotations

import contextlib
import doctest
import errno
import os
import stat
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from layerpipe.audio_files.encode import Tags, encode
from layerpipe.audio_files.flac import write_flac
from layerpipe.core.errors import OutputError
from layerpipe.core.files import atomic
from layerpipe.core.files.atomic import tidy_files, whole_file, write_whole
from layerpipe.jobs.draft import write_draft
from layerpipe.outputs.artist_page.page import write_page
from layerpipe.outputs.drawing.mpl import picture
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.reader import parse_recipe, read_recipe
from tests.support.songs import recipe_of, write_recipe


@pytest.fixture
def precious(tmp_path: Path) -> Path:
    """A file of the user's that links planted in a stranger's folder lead to."""
    path = tmp_path / "home" / "precious"
    path.parent.mkdir()
    path.write_bytes(b"keep")
    return path


def planted(folder: Path, name: str, precious: Path) -> Path:
    """A folder from a stranger with links at the names that a careless writer would open."""
    folder.mkdir()
    for beside in (f"{name}.partial", f"{name}.tmp", f"{name}.{os.getpid()}.partial", f".{name}.partial"):
        (folder / beside).symlink_to(precious)
    return folder / name


def draft(target: Path) -> None:
    write_draft("text\n", target)


def page(target: Path) -> None:
    write_page(target, b"layerpipe page 2")


def drawing(target: Path) -> None:
    with picture(target, inches=(1, 1), dpi=50, line_width=1) as figure:
        figure.add_subplot()


def flac(target: Path) -> None:
    write_flac(target, np.zeros(1000, np.int32), 48_000, 24)


def mp3(target: Path) -> None:
    encode(target, [np.zeros((4800, 2), np.int32)], 4800, 48_000, "mp3", Tags("a", "b", "c", "d", "e"))


@pytest.mark.parametrize(("write", "name"), [(draft, "song.toml"), (page, "song.html"), (drawing, "levels.svg"),
                                             (drawing, "levels.png"), (flac, "take.flac"), (mp3, "verse.mp3")])
def test_no_writer_follows_a_planted_link(write, name, precious, tmp_path):
    target = planted(tmp_path / "archive", name, precious)
    write(target)
    assert precious.read_bytes() == b"keep"
    assert target.is_file()
    assert not target.is_symlink()


def test_a_changed_recipe_follows_no_planted_link_and_keeps_its_mode(precious, tmp_path):
    target = planted(tmp_path / "archive", "song.toml", precious)
    write_recipe(target, recipe_of(tmp_path))
    target.chmod(0o640)
    file = read_recipe(target)
    text = file.text + "# changed\n"
    Change(file.path, file.text, parse_recipe(target, text)).write()
    assert target.read_text() == text
    assert precious.read_bytes() == b"keep"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


def test_a_link_at_the_targets_own_name_is_replaced(precious, tmp_path):
    target = tmp_path / "note"
    target.symlink_to(precious)
    write_whole(target, b"new")
    assert (target.read_bytes(), precious.read_bytes(), target.is_symlink()) == (b"new", b"keep", False)


def test_a_failed_block_leaves_the_earlier_file_and_nothing_else(tmp_path):
    write_whole(tmp_path / "note", b"before")
    with contextlib.suppress(KeyboardInterrupt), whole_file(tmp_path / "note") as new:
        new.file.write(b"half")
        raise KeyboardInterrupt
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("note", b"before")]


@pytest.mark.parametrize("late", [False, True])
def test_a_refusal_names_the_target_and_not_the_temporary_file(late, tmp_path, monkeypatch):
    target = tmp_path / "absent" / "note"
    if late:
        target.parent.mkdir()

        def fsync(fd):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(OSError, match="note'") as refused:
        write_whole(target, b"new", synced=True)
    assert refused.value.filename == os.fspath(target)
    assert "partial" not in str(refused.value)
    assert not target.parent.exists() or list(target.parent.iterdir()) == []


def test_a_name_as_long_as_the_disk_allows_can_be_written(tmp_path):
    target = tmp_path / ("é" * 127)
    write_whole(target, b"new")
    assert target.read_bytes() == b"new"


def test_many_writers_of_one_file_leave_one_of_their_texts_whole(tmp_path):
    target, texts = tmp_path / "note", [bytes([65 + k]) * 100_000 for k in range(4)]
    seen = set()

    def work(text: bytes) -> None:
        for _ in range(20):
            write_whole(target, text)
            seen.add(target.read_bytes())

    threads = [threading.Thread(target=work, args=(text,)) for text in texts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert seen <= set(texts)
    assert [path.name for path in tmp_path.iterdir()] == ["note"]


def test_of_two_changes_to_one_recipe_none_is_lost(tmp_path):
    path = write_recipe(tmp_path / "song.toml", recipe_of(tmp_path))
    done, refused = [], []

    def work(number: int) -> None:
        before = read_recipe(path).text
        change = Change(path, before, parse_recipe(path, f"{before}# change {number}\n"))
        try:
            change.write()
            done.append(number)
        except OutputError as refusal:
            refused.append(str(refusal))

    threads = [threading.Thread(target=work, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    text = path.read_text()
    assert all(f"# change {number}\n" in text for number in done)
    assert text.count("# change") == len(done) >= 1
    assert all("has changed since it was read" in one for one in refused)


def test_what_a_killed_run_left_is_removed_and_what_others_write_is_not(tmp_path):
    code = ("import os, sys; from pathlib import Path; from layerpipe.core.files.atomic import NewFile;"
            "NewFile(Path(sys.argv[1])); os._exit(9)")
    subprocess.run([sys.executable, "-c", code, tmp_path / "note"], check=False, cwd=Path(__file__).parents[2])
    left = [path.name for path in tmp_path.iterdir()]
    assert len(left) == 1
    machine, pid = left[0].split(".")[1].split("-")[:2]
    foreign = tmp_path / left[0].replace(machine, "0" * 8)
    foreign.write_bytes(b"")
    own = tmp_path / left[0].replace(f"-{pid}-", f"-{os.getpid()}-")
    own.write_bytes(b"")
    (tmp_path / "take.partial").write_bytes(b"")
    (tmp_path / left[0].replace("note", "link")).symlink_to(own)
    tidy_files(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {
        foreign.name, own.name, "take.partial", left[0].replace("note", "link")}


def test_only_these_two_modules_know_temporary_names():
    package = Path(atomic.__file__).parents[2]
    naming = {path.relative_to(package).as_posix() for path in package.rglob("*.py")
              if '.partial"' in path.read_text("utf-8")}
    assert naming == {"core/files/atomic.py", "core/files/atomic_folder.py"}


def test_the_example_runs():
    found = doctest.testmod(atomic)
    assert (found.attempted, found.failed) == (4, 0)


@pytest.mark.parametrize("has_links", [True, False], ids=["second names", "none on this disk"])
def test_of_many_drafts_of_one_name_the_first_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *,
                                                    has_links: bool) -> None:
    def refused(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    if not has_links:
        monkeypatch.setattr(os, "link", refused)
    target, kept, taken, start = tmp_path / "song.toml", list[str](), list[str](), threading.Barrier(8)

    def draft(text: str) -> None:
        start.wait()
        try:
            write_draft(text, target)
            kept.append(text)
        except OutputError as refusal:
            taken.append(str(refusal))

    threads = [threading.Thread(target=draft, args=(f"draft {n}\n" * 1_000,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert target.read_text() in kept
    assert [path.name for path in tmp_path.iterdir()] == ["song.toml"]
    assert all("exists and was left as it is" in words for words in taken)
    if has_links:
        assert (len(kept), len(taken)) == (1, 7)
    write_whole(target, b"mine")
    with pytest.raises(OutputError, match="exists and was left as it is"):
        write_draft("late\n", target)
    assert target.read_bytes() == b"mine"

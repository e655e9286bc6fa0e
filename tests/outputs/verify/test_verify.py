"""Verify: which files are unchanged, and where and by how much the others differ."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from layerpipe.jobs.bounce import bounce_song
from layerpipe.outputs.bounce.manifest_model import StemEntry
from layerpipe.outputs.verify.null_test import null_test
from layerpipe.outputs.verify.opened_bounce import NotABounceError, open_bounce
from layerpipe.outputs.verify.remeasure import Remeasurement
from layerpipe.outputs.verify.stem_file import StemFile
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import process_takes
from tests.support.command import run_command
from tests.support.songs import RATE_HZ, recipe_of, write_recipe

WORDS = {"unchanged", "changed", "missing", "extra"}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A bounce with its recipe and takes, never touched."""
    folder = tmp_path_factory.mktemp("made")
    recipe = recipe_of(folder)
    recipe["layer"][0]["take"][0]["notes"] = {"room": "<b>small</b>"}
    file = read_recipe(write_recipe(folder / "song.toml", recipe))
    bounce_song(file, folder / "bounces" / "song", TakeCache(folder / "store"))
    return folder


@pytest.fixture
def bounce(made, tmp_path, monkeypatch):
    """A copy of it, to be tampered with."""
    monkeypatch.setenv("LAYERPIPE_CACHE", os.fspath(tmp_path / "cache"))
    shutil.copytree(made, tmp_path / "copy")
    return tmp_path / "copy" / "bounces" / "song"


def _verify(folder: Path, *options: str) -> tuple[int, dict, dict]:
    """Exit code, document, and its files by name."""
    done = run_command("verify", folder, "--json", *options)
    told = json.loads(done.stdout)
    return done.exit_code, told, {file["file"]: file for file in told["files"]}


def _flip(path: Path, frame: int, channels: int, step: int, bits: int = 24) -> None:
    """Change one sample of one frame by `step`."""
    content = bytearray(path.read_bytes())
    width = bits // 8
    at = content.index(b"data") + 8 + frame * channels * width
    value = int.from_bytes(content[at : at + width], "little", signed=True) + step
    content[at : at + width] = value.to_bytes(width, "little", signed=True)
    path.write_bytes(content)


def test_an_untouched_bounce_is_unchanged(bounce):
    code, told, files = _verify(bounce)
    assert (code, told["verdict"]) == (0, "unchanged")
    assert {file["verdict"] for file in files.values()} == {"unchanged"}
    assert {"blend.wav", "layers/octave.wav", "takes/octave-left.wav", "recipe.toml", "delivery.html",
            "bounce.json"} <= set(files)
    assert told["sum"] == {"agrees": True, "first_different_frame": None, "largest_difference_dbfs": None}
    assert {"file", "verdict", "first_different_frame", "largest_difference_dbfs"} <= set(told["files"][0])


@pytest.mark.parametrize(("name", "channels"), [("takes/octave-left.wav", 1), ("layers/regular.wav", 2),
                                                ("blend.wav", 2)])
def test_one_changed_sample_is_found_with_place_and_size(bounce, name, channels):
    _flip(bounce / name, 54_321, channels, 8)
    code, told, files = _verify(bounce)
    assert (code, told["verdict"]) == (1, "changed")
    assert files[name]["verdict"] == "changed"
    assert files[name]["first_different_frame"] == 54_321
    assert files[name]["largest_difference_dbfs"] == pytest.approx(20 * math.log10(8 / (1 << 23)))
    assert {file["verdict"] for other, file in files.items() if other != name} == {"unchanged"}
    assert told["sum"]["agrees"] is (channels == 1)


def test_a_file_cut_short_differs_from_its_new_end_on(bounce):
    path = bounce / "takes" / "regular-left.wav"
    path.write_bytes(path.read_bytes()[: -3 * 1000])
    _, _, files = _verify(bounce)
    changed = files["takes/regular-left.wav"]
    assert changed["verdict"] == "changed"
    assert changed["first_different_frame"] == 4 * RATE_HZ - 1000
    assert any("cut short" in problem for problem in changed["problems"])


def test_missing_and_extra_files_are_named_and_what_file_managers_leave_is_not(bounce):
    (bounce / "layers" / "octave.wav").unlink()
    (bounce / "takes" / "mine.wav").write_bytes(b"mine")
    (bounce / "empty folder").mkdir()
    (bounce / ".DS_Store").write_bytes(b"x")
    code, told, files = _verify(bounce)
    assert (code, told["verdict"], told["sum"]["agrees"]) == (1, "missing", None)
    assert files["layers/octave.wav"]["verdict"] == "missing"
    assert files["takes/mine.wav"]["verdict"] == files["empty folder"]["verdict"] == "extra"
    assert ".DS_Store" not in files


def test_a_changed_header_is_told_and_the_sound_called_the_same(bounce):
    path = bounce / "blend.wav"
    content = bytearray(path.read_bytes())
    content[content.index(b"bext") + 8 + 338] ^= 1
    path.write_bytes(content)
    _, _, files = _verify(bounce)
    problems = " ".join(files["blend.wav"]["problems"])
    assert "time reference, samples: 1, was 0" in problems
    assert "audio is identical" in problems


def test_changed_words_of_papers_and_manifest_are_found(bounce):
    with (bounce / "delivery.html").open("a") as page:
        page.write("<p>more</p>")
    manifest = bounce / "bounce.json"
    manifest.write_text(manifest.read_text().replace("small", "large"))
    _, told, files = _verify(bounce)
    assert told["verdict"] == "changed"
    assert files["delivery.html"]["verdict"] == files["bounce.json"]["verdict"] == "changed"


def test_a_figure_that_is_not_what_pyloudnorm_measures_is_told(bounce):
    manifest = bounce / "bounce.json"
    told = json.loads(manifest.read_text())
    told["files"][-1]["integrated_lufs"] += 0.2
    manifest.write_text(json.dumps(told))
    _, _, files = _verify(bounce)
    assert any(problem.startswith("loudness: ") for problem in files["blend.wav"]["problems"])


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_the_remeasurement_reads_a_sine_as_the_standard_says(rate_hz):
    # ITU-R BS.1770-5, note after eq. 7: 997 Hz at 0 dBFS on one channel reads -3.01 LKFS.
    tone = np.sin(2 * np.pi * 997 * np.arange(3 * rate_hz) / rate_hz)
    again = Remeasurement(rate_hz, 1, len(tone), 24)
    for start in range(0, len(tone), 70_000):
        again.add(np.rint(tone[start : start + 70_000] * ((1 << 23) - 1)).astype(np.int32)[:, None])
    entry = StemEntry(
        path="tone.wav", kind="take", layer="tone", take="left", channels=1, rate_hz=rate_hz, frames=len(tone),
        bit_depth=24, sha256="0" * 64, sections=[], integrated_lufs=-3.01, momentary_max_lufs=-3.01,
        short_term_max_lufs=-3.01, range_lu=0.0, correlation=None, mono_loss_lu=None, sample_peak_dbfs=0.0,
        true_peak_dbtp=0.0)
    assert again.disagreements(entry, []) == []


def test_sources_are_held_to_what_wunchanged(bounce):
    code, told, _ = _verify(bounce, "--sources")
    assert code == 0
    assert [source["verdict"] for source in told["sources"]] == ["unchanged"] * 4
    take = bounce.parents[1] / "octave-right.wav"
    content = bytearray(take.read_bytes())
    content[-1] ^= 1
    take.write_bytes(content)
    (bounce.parents[1] / "regular-left.wav").unlink()
    code, told, _ = _verify(bounce, "--sources")
    assert code == 1
    verdicts = {(source["layer"], source["take"]): source["verdict"] for source in told["sources"]}
    assert verdicts == {("regular", "left"): "missing", ("regular", "right"): "unchanged",
                        ("octave", "left"): "unchanged", ("octave", "right"): "changed"}


def test_takes_are_found_by_the_recipe_that_is_named(bounce, tmp_path):
    away = tmp_path / "a" / "b" / "c" / "d" / "e" / "f"
    away.parent.mkdir(parents=True)
    shutil.move(bounce, away)
    code, told, _ = _verify(away, "--sources", "--recipe", os.fspath(bounce.parents[1] / "song.toml"))
    assert code == 0
    assert {source["verdict"] for source in told["sources"]} == {"unchanged"}


def test_a_fresh_render_comes_out_the_same_and_a_changed_take_does_not(bounce):
    code, told, _ = _verify(bounce, "--render")
    assert code == 0
    assert {file["verdict"] for file in told["rerender"]} == {"unchanged"}
    take = bounce.parents[1] / "octave-right.wav"
    sound, _ = soundfile.read(take, dtype="int32")
    sound[100_000:101_000] += 1 << 20
    soundfile.write(take, sound, RATE_HZ, subtype="PCM_24")
    code, told, _ = _verify(bounce, "--render")
    rendered = {file["file"]: file for file in told["rerender"]}
    assert code == 1
    assert rendered["takes/octave-left.wav"]["verdict"] == "unchanged"
    assert rendered["takes/octave-right.wav"]["verdict"] == "changed"
    assert rendered["takes/octave-right.wav"]["first_different_frame"] == 100_000


def test_a_forged_cached_take_does_not_pass_a_new_render(bounce):
    folder = bounce.parents[1]
    cache = TakeCache()
    file = read_recipe(folder / "song.toml")
    for processed in process_takes(file, cache).takes:
        sound = processed.sound.read_float32(0, 4 * RATE_HZ).copy()
        sound[100_000:] *= 0.5
        cache.make_take(processed.sound.key, RATE_HZ, [sound], facts=processed.sound.facts,
                        table=lambda processed=processed: processed.sound.table())
    bounce_song(file, bounce, cache)
    code, told, _ = _verify(bounce)
    assert (code, told["verdict"]) == (0, "unchanged"), "alone, the forged bounce is consistent"
    code, told, _ = _verify(bounce, "--render")
    assert (code, told["verdict"]) == (1, "changed")
    takes = [file for file in told["rerender"] if file["file"].startswith("takes/")]
    assert [file["first_different_frame"] for file in takes] == [100_000] * 4


def test_names_from_a_disk_do_not_steer_the_terminal(bounce):
    (bounce / "a\x1b[2Jb\nc.txt").write_text("x")
    moved = bounce.with_name("song\x1b[31m")
    bounce.rename(moved)
    for options in ((), ("--sources", "--recipe", os.fspath(bounce.parents[1] / "song.toml"))):
        done = run_command("verify", moved, *options)
        assert done.exit_code == 1
        assert "\x1b" not in done.output
        assert "2Jb\\nc.txt" in done.output.replace("\n", "")


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"\xff\xfe", b"[" * 50_000,
                                     b'{"format": "layerpipe bounce 1"}'])
def test_what_is_no_bounce_is_a_wrong_command_line(tmp_path, content):
    (tmp_path / "bounce.json").write_bytes(content)
    done = run_command("verify", tmp_path)
    assert done.exit_code == 2
    assert "bounce.json" in done.stderr
    assert "Traceback" not in done.output


def test_a_manifest_that_names_files_outside_is_refused(bounce):
    for name in ("../../song.toml", "/etc/passwd", "a\\b", ".", "a//b"):
        manifest = bounce / "bounce.json"
        told = json.loads(manifest.read_text())
        told["files"][0]["path"] = name
        manifest.write_text(json.dumps(told))
        with pytest.raises(NotABounceError, match="not inside the folder"):
            open_bounce(bounce)


@pytest.mark.parametrize(("key", "value", "said"), [
    ("channels", True, "files.0.channels: Expected int, got bool"), ("frames", 2.0, "files.0.frames: Expected int"),
    ("sha256", "0" * 64 + "\n", "files.0.sha256: "), ("range_lu", "0.5", "files.0.range_lu: allowed is a number"),
    ("correlation", True, "files.0.correlation: "), ("sections", [{}], "sections.0.integrated_lufs: missing"),
    ("more", json.loads("[" * 250 + "]" * 250), "has more than 200 levels")])
def test_a_manifest_is_read_strictly(bounce, key, value, said):
    told = json.loads((bounce / "bounce.json").read_text())
    told["files"][0][key] = value
    (bounce / "bounce.json").write_text(json.dumps(told))
    with pytest.raises(NotABounceError, match=re.escape(said)):
        open_bounce(bounce)


def test_links_in_the_place_of_files_are_not_followed(bounce):
    path = bounce / "blend.wav"
    path.rename(bounce.parent / "elsewhere.wav")
    path.symlink_to(bounce.parent / "elsewhere.wav")
    os.mkfifo(bounce / "pipe.wav")
    _, _, files = _verify(bounce)
    assert files["blend.wav"]["verdict"] == "changed"
    assert files["pipe.wav"]["verdict"] == "extra"


def test_a_person_reads_what_is_different(bounce):
    _flip(bounce / "blend.wav", 7, 2, 1)
    done = run_command("verify", bounce)
    assert done.exit_code == 1
    words = " ".join(done.stdout.split())
    assert "sample 7 on" in words
    assert "do not sum" in words
    assert run_command("verify", bounce, "--quiet").stdout == ""


def test_stems_are_read_as_libsndfile_reads_them(tmp_path, rng):
    for bits in (16, 24):
        sound = rng.integers(-(1 << (bits - 1)), 1 << (bits - 1), (5_000, 2), dtype=np.int32)
        path = tmp_path / f"{bits}.wav"
        soundfile.write(path, sound << (32 - bits), RATE_HZ, subtype=f"PCM_{bits}")
        np.testing.assert_array_equal(StemFile(path).read(0, 5_000), sound)
        np.testing.assert_array_equal(StemFile(path).read(4_990, 9_000), sound[4_990:])
        null = null_test(StemFile(path), StemFile(path), [])
        assert null is not None
        assert null.verdict == "same sound"

"""The takes of a recipe: all faults at once, one rate, one length, against slices and against scipy."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from layerpipe.audio_files.resample import ConvertedSound, converted_frames
from layerpipe.core.errors import AudioError, OutputError
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import Bed, Layer, Recipe, Song, Take
from layerpipe.render.takes.open_takes import open_all, open_bed
from tests.support import bad_files


def write(path: Path, sound: np.ndarray, rate_hz: int = 48_000, subtype: str = "PCM_24") -> Path:
    """A sound file."""
    soundfile.write(path, sound, rate_hz, subtype=subtype)
    return path


def recipe_of(*files: Path, bed: Path | None = None, channel: int | None = None, bed_starts: float | str = 0.0,
              **song: float) -> Recipe:
    """A recipe of one layer with a take for each file."""
    takes = [Take(name=f"t{number}", file=file, channel=channel) for number, file in enumerate(files, 1)]
    return Recipe(song=Song(title="Lantern", **song), layer=[Layer(name="regular", take=takes)],
                  bed=None if bed is None else Bed(file=bed, starts=bed_starts))


def on_24_bits(sound: np.ndarray) -> np.ndarray:
    """Sound as a 24-bit file holds it."""
    return np.round(sound * 2**23) / 2**23


def test_shorter_takes_are_followed_by_silence_and_none_is_cut(tmp_path: Path, rng: np.random.Generator) -> None:
    long, short = on_24_bits(rng.uniform(-0.5, 0.5, 9_000)), on_24_bits(rng.uniform(-0.5, 0.5, 4_000))
    opened = open_all(recipe_of(write(tmp_path / "a.flac", short), write(tmp_path / "b.wav", long)))
    assert [take.frames for take in opened] == [9_000, 9_000]
    assert [take.index for take in opened] == [0, 1]
    assert [take.take.name for take in opened] == ["t1", "t2"]
    np.testing.assert_allclose(opened[0].source.read(0, 9_000), np.r_[short, np.zeros(5_000)], atol=2**-24)
    np.testing.assert_array_equal(opened[0].source.read(5_000, 9_000), np.zeros(4_000))
    np.testing.assert_allclose(opened[1].source.read(100, 9_000), long[100:], atol=2**-24)
    assert opened[0].main.rate_converted_from is None


def test_a_take_may_be_one_channel_of_a_stereo_file(tmp_path: Path, rng: np.random.Generator) -> None:
    pair = on_24_bits(rng.uniform(-0.5, 0.5, (1_000, 2)))
    (take,) = open_all(recipe_of(write(tmp_path / "pair.wav", pair), channel=2))
    np.testing.assert_allclose(take.source.read(0, 1_000), pair[:, 1], atol=2**-24)


def test_all_faults_of_all_files_are_told_at_once_with_their_places(tmp_path: Path) -> None:
    names = ["missing", "text", "a FLAC hit in the middle", "NaN", "a pipe", "a WAV claiming more than it has"]
    files = [bad_files.make(tmp_path, name) for name in names]
    pair = write(tmp_path / "pair.wav", bad_files.hum(channels=2))
    bed = write(tmp_path / "surround.wav", bad_files.hum(channels=6))
    with pytest.raises(AudioError) as refusal:
        open_all(recipe_of(*files, pair, write(tmp_path / "good.wav", bad_files.hum()), bed=bed))
    faults = refusal.value.faults
    assert [fault.file for fault in faults] == [*files, pair, bed]
    assert [fault.where for fault in faults] == [*(f'layer "regular", take "t{n}"' for n in range(1, 8)), "bed"]
    assert "no such file" in faults[0].problem
    assert 'add "channel = 1"' in faults[6].problem
    assert faults[7].problem == "has 6 channels; a bed has 1 or 2"
    assert refusal.value.exit_code == 1


def test_the_first_take_sets_the_rate_unless_the_recipe_does(tmp_path: Path) -> None:
    a = write(tmp_path / "a.wav", bad_files.hum(44_100), 44_100)
    b = write(tmp_path / "b.wav", bad_files.hum(48_000), 48_000)
    first, second = open_all(recipe_of(a, b))
    assert (first.source.rate_hz, second.source.rate_hz) == (44_100, 44_100)
    assert (first.main.rate_converted_from, second.main.rate_converted_from) == (None, 48_000)
    assert first.frames == second.frames == 44_100
    assert [take.source.rate_hz for take in open_all(recipe_of(a, b, sample_rate_hz=96_000))] == [96_000] * 2
    assert [take.source.rate_hz for take in open_all(recipe_of(a, b), rate_hz=8_000)] == [8_000] * 2


@pytest.mark.parametrize(("from_hz", "to_hz"), [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000),
                                                (8_000, 192_000), (48_000, 47_999)])
def test_a_converted_onset_stays_at_its_second(from_hz: int, to_hz: int) -> None:
    frames, at = 200_003, 120_000
    width = 12 * max(1.0, from_hz / to_hz)
    bump = np.exp(-0.5 * ((np.arange(frames) - at) / width) ** 2)
    sound = ConvertedSound(ArraySound(bump, from_hz), frames, from_hz, to_hz)
    heard = sound.read(0, sound.frames)
    assert len(heard) == sound.frames == round(frames * to_hz / from_hz)
    centre = np.sum(np.arange(len(heard)) * heard) / heard.sum()
    assert centre / to_hz == pytest.approx(at / from_hz, abs=1e-6)
    expected = np.exp(-0.5 * ((np.arange(len(heard)) * from_hz / to_hz - at) / width) ** 2)
    np.testing.assert_allclose(heard, expected, atol=1e-6)


def test_a_converted_tone_keeps_its_level_and_its_cleanness() -> None:
    # 997 Hz, the tone level figures are given at (AES17); what is not the tone lies below 24-bit rounding.
    tone = 0.5 * np.sin(2 * np.pi * 997 * np.arange(96_000) / 48_000)
    heard = ConvertedSound(ArraySound(tone, 48_000), 96_000, 48_000, 44_100).read(10_000, 70_000)
    expected = 0.5 * np.sin(2 * np.pi * 997 * np.arange(10_000, 70_000) / 44_100)
    assert 20 * np.log10(np.abs(heard - expected).max()) < -120


def test_what_the_new_rate_cannot_hold_is_gone() -> None:
    tone = np.sin(2 * np.pi * 23_000 * np.arange(96_000) / 96_000)
    heard = ConvertedSound(ArraySound(tone, 96_000), 96_000, 96_000, 44_100).read(2_000, 40_000)
    assert 20 * np.log10(np.abs(heard).max()) < -120


def test_a_converted_sound_may_be_read_anywhere(rng: np.random.Generator) -> None:
    pair = rng.uniform(-0.5, 0.5, (70_000, 2))

    class Pair:
        def read(self, start: int, stop: int) -> np.ndarray:
            return pair[start:stop]

    sound = ConvertedSound(Pair(), 70_000, 48_000, 44_100, channels=2)
    whole = sound.read(0, sound.frames)
    assert whole.shape == (64_313, 2)
    for _ in range(20):
        start, stop = sorted(rng.integers(0, sound.frames + 1, 2))
        np.testing.assert_array_equal(sound.read(start, stop), whole[start:stop])
    left = ConvertedSound(ArraySound(pair[:, 0], 48_000), 70_000, 48_000, 44_100)
    np.testing.assert_array_equal(left.read(0, left.frames), whole[:, 0])


def test_length_after_conversion_rounds_halves_up() -> None:
    # 3 frames at 96 kHz are 1.5 at 48 kHz.
    assert converted_frames(3, 96_000, 48_000) == 2
    assert converted_frames(1, 96_000, 44_100) == 0
    assert converted_frames(48_000 * 86_400, 48_000, 44_100) == 44_100 * 86_400


def test_a_full_temporary_folder_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**_: object) -> object:
        return Path("/dev/full").open("w+b", buffering=0)

    monkeypatch.setattr("layerpipe.audio_files.resample.tempfile.TemporaryFile", full)
    with pytest.raises(OutputError, match="no room for a take at another rate: No space left on device"):
        ConvertedSound(ArraySound(np.ones(5_000), 48_000), 5_000, 48_000, 44_100).read(0, 10)


def test_a_take_that_changes_is_noticed(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", bad_files.hum())
    (take,) = open_all(recipe_of(path))
    assert take.unchanged()
    content = path.read_bytes()
    path.write_bytes(content[:-1] + b"\x01")
    os.utime(path, ns=(take.facts.stamp.mtime_ns, take.facts.stamp.mtime_ns))
    assert not take.unchanged()
    path.unlink()
    assert not take.unchanged()


def test_the_digest_is_that_of_the_bytes_and_may_be_remembered(tmp_path: Path) -> None:
    path = write(tmp_path / "a.flac", bad_files.hum(), subtype="PCM_16")
    known: dict[Path, str] = {}
    asked: list[Path] = []

    def digest_of(file: Path, digest: Callable[[Path], str]) -> str:
        asked.append(file)
        if file not in known:
            known[file] = digest(file)
        return known[file]

    (take,) = open_all(recipe_of(path), digest_of=digest_of)
    assert take.main.digest == hashlib.sha256(path.read_bytes()).hexdigest() == known[path]
    assert open_all(recipe_of(path))[0].main.digest == take.main.digest
    # Once its digest is known a file was sound, and is not decoded to its end again.
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x55
    path.write_bytes(content)
    open_all(recipe_of(path), digest_of=digest_of)
    with pytest.raises(AudioError, match="damaged"):
        open_all(recipe_of(path))


def test_a_damaged_file_is_never_remembered(tmp_path: Path) -> None:
    path = bad_files.make(tmp_path, "NaN")
    known: dict[Path, str] = {}

    def digest_of(file: Path, digest: Callable[[Path], str]) -> str:
        known[file] = digest(file)
        return known[file]

    with pytest.raises(AudioError, match="first is NaN"):
        open_all(recipe_of(path), digest_of=digest_of)
    assert known == {}


def test_a_mono_bed_stands_in_the_centre_and_a_stereo_one_as_it_is(tmp_path: Path, rng: np.random.Generator) -> None:
    take = write(tmp_path / "a.wav", bad_files.hum())
    mono, pair = on_24_bits(rng.uniform(-0.5, 0.5, 500)), on_24_bits(rng.uniform(-0.5, 0.5, (500, 2)))
    bed = open_bed(recipe_of(take, bed=write(tmp_path / "mono.wav", mono)), 48_000)
    assert bed is not None
    assert (bed.frames, bed.rate_converted_from) == (500, None)
    heard = bed.read(0, 600)
    assert heard.shape == (600, 2)
    np.testing.assert_allclose(heard[:500], mono[:, np.newaxis] * np.sqrt(0.5) * [1, 1], atol=2**-24)
    np.testing.assert_array_equal(heard[500:], 0.0)
    bed = open_bed(recipe_of(take, bed=write(tmp_path / "pair.wav", pair)), 48_000)
    assert bed is not None
    np.testing.assert_allclose(bed.read(10, 500), pair[10:], atol=2**-24)
    np.testing.assert_array_equal(bed.read(700, 710), np.zeros((10, 2)))
    assert bed.unchanged()
    assert bed.key == [hashlib.sha256((tmp_path / "pair.wav").read_bytes()).hexdigest()]


def test_a_bed_begins_where_it_says_and_a_stamp_that_cannot_be_is_refused(
        tmp_path: Path, rng: np.random.Generator) -> None:
    take, pair = write(tmp_path / "a.wav", bad_files.hum()), on_24_bits(rng.uniform(-0.5, 0.5, (500, 2)))
    bed_file = write(tmp_path / "pair.wav", pair)
    late = recipe_of(take, bed=bed_file, bed_starts=0.01)
    bed = open_bed(late, 48_000)
    assert bed is not None
    heard = bed.read(0, 1_000)
    assert not heard[:480].any()
    assert not heard[980:].any()
    np.testing.assert_allclose(heard[480:980], pair, atol=2**-24)
    assert bed.key[1:] == [480]
    # Nothing of the file, its beginning, its middle, its end: the same sound.
    for start, stop in ((0, 100), (470, 490), (500, 600), (970, 1_000), (2_000, 2_010)):
        np.testing.assert_array_equal(bed.read(start, stop), np.pad(heard, ((0, 1_010), (0, 0)))[start:stop])
    early = open_bed(recipe_of(take, bed=bed_file, bed_starts=-0.005), 48_000)
    assert early is not None
    np.testing.assert_allclose(early.read(0, 260), pair[240:], atol=2**-24)
    stamped = recipe_of(take, bed=bed_file, bed_starts="time reference", time_reference_s=0.0)
    with pytest.raises(AudioError, match=r"pair\.wav: 1 fault\n  bed: has no time stamp"):
        open_all(stamped)


def test_a_bed_at_another_rate_is_converted_and_no_bed_is_none(tmp_path: Path) -> None:
    take = write(tmp_path / "a.wav", bad_files.hum())
    bed_file = write(tmp_path / "bed.wav", bad_files.hum(44_100, channels=2), 44_100)
    bed = open_bed(recipe_of(take, bed=bed_file), 48_000)
    assert bed is not None
    assert (bed.rate_hz, bed.frames, bed.rate_converted_from) == (48_000, 48_000, 44_100)
    assert bed.read(0, 100).shape == (100, 2)
    assert open_bed(recipe_of(take), 48_000) is None


def test_sources_are_never_written(tmp_path: Path) -> None:
    a, b = write(tmp_path / "a.wav", bad_files.hum()), write(tmp_path / "b.flac", bad_files.hum(), 44_100)
    before = [(file.read_bytes(), file.stat().st_mtime_ns) for file in (a, b)]
    for file in (a, b):
        file.chmod(0o400)
    for take in open_all(recipe_of(a, b)):
        take.source.read(0, take.frames)
    assert [(file.read_bytes(), file.stat().st_mtime_ns) for file in (a, b)] == before
    assert len(list(tmp_path.iterdir())) == 2

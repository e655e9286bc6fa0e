"""Reading audio files, against soundfile and files put together by hand."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from layerpipe.audio_files.flac import write_flac
from layerpipe.audio_files.reader import SourceFile, StereoFile, inspect, source_digest
from layerpipe.audio_files.scan import scan
from layerpipe.core.errors import AudioError, LayerpipeError, OutputError, ParameterError
from tests.support import bad_files
from tests.support.pcm import read_pcm

FORMATS = [
    ("wav", "WAV", "PCM_16"), ("wav", "WAV", "PCM_24"), ("wav", "WAV", "PCM_32"), ("wav", "WAV", "FLOAT"),
    ("wav", "WAV", "DOUBLE"), ("wav", "WAVEX", "PCM_24"), ("aiff", "AIFF", "PCM_16"), ("aiff", "AIFF", "PCM_24"),
    ("aiff", "AIFF", "PCM_32"), ("aiff", "AIFF", "FLOAT"), ("flac", "FLAC", "PCM_16"), ("flac", "FLAC", "PCM_24"),
    ("rf64", "RF64", "PCM_24"), ("w64", "W64", "PCM_24"), ("caf", "CAF", "PCM_24"),
]


def noise(rng: np.random.Generator, frames: int, channels: int = 1) -> np.ndarray:
    """Noise on the 16-bit grid, so that every format holds it exactly; shape (frames, channels)."""
    return rng.integers(-20_000, 20_000, (frames, channels)) / 32_768


@pytest.mark.parametrize(("ending", "container", "subtype"), FORMATS)
def test_every_format_is_read_as_it_was_written(ending: str, container: str, subtype: str, tmp_path: Path,
                                               rng: np.random.Generator) -> None:
    sound = noise(rng, 70_001, 2)
    path = tmp_path / f"take.{ending}"
    soundfile.write(path, sound, 44_100, subtype=subtype, format=container)
    facts = inspect(path)
    assert (facts.rate_hz, facts.channels, facts.frames) == (44_100, 2, 70_001)
    assert (facts.container, facts.subtype) == (container, subtype)
    assert facts.bits == (int(subtype[4:]) if subtype.startswith("PCM") else None)
    scan(facts)
    with SourceFile(path, 2) as take:
        np.testing.assert_array_equal(take.read(0, 70_001), sound[:, 1])
        assert take.read(100, 300).dtype == np.float64
        np.testing.assert_array_equal(take.read_float32(65_000, 66_000), sound[65_000:66_000, 1].astype(np.float32))
    np.testing.assert_array_equal(StereoFile(path).read(5, 9), sound[5:9])


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_rates_from_8_to_192_khz_are_read(rate_hz: int, tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, bad_files.hum(), rate_hz, subtype="PCM_16")
    assert inspect(path).rate_hz == rate_hz


@pytest.mark.parametrize("ending", ["wav", "flac"])
def test_reading_in_any_order_and_any_pieces_gives_the_same_samples(ending: str, tmp_path: Path,
                                                                   rng: np.random.Generator) -> None:
    sound = noise(rng, 30_000)
    path = tmp_path / f"take.{ending}"
    soundfile.write(path, sound, 48_000, subtype="PCM_24")
    with SourceFile(path) as take:
        for _ in range(60):
            start, stop = sorted(rng.integers(0, 30_001, 2))
            np.testing.assert_array_equal(take.read(start, stop), sound[start:stop, 0])
        take.close()
        assert take.read(7, 8)[0] == sound[7, 0]


def test_reading_past_the_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, bad_files.hum(), 48_000)
    with pytest.raises(ParameterError, match="inside 0 to 4800"):
        SourceFile(path).read(4_000, 4_801)


def test_a_stereo_file_asks_for_a_channel_and_says_how(tmp_path: Path) -> None:
    path = tmp_path / "pair.wav"
    soundfile.write(path, bad_files.hum(channels=2), 48_000)
    with pytest.raises(AudioError, match='has 2 channels, and a take is one of them: add "channel = 1"'):
        SourceFile(path)
    with pytest.raises(AudioError, match="has 2 channels; there is no channel 3"):
        SourceFile(path, 3)


@pytest.mark.parametrize("name", bad_files.BAD)
def test_a_file_that_is_no_take_is_refused_in_words(name: str, tmp_path: Path) -> None:
    path = bad_files.make(tmp_path, name)
    with pytest.raises(AudioError, match=bad_files.BAD[name][2]) as refusal:
        scan(inspect(path))
    (fault,) = refusal.value.faults
    assert fault.file == path
    assert len(fault.problem) < 200


def test_a_wav_cut_anywhere_is_never_taken_for_whole(tmp_path: Path) -> None:
    whole = bad_files.wave_bytes(data=bytes(range(30)))
    path = tmp_path / "take.wav"
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        with pytest.raises(AudioError):
            inspect(path)
    path.write_bytes(whole)
    assert inspect(path).frames == 10


def test_a_missing_padding_byte_does_no_harm(tmp_path: Path) -> None:
    # Many writers leave out the byte that makes the last chunk even.
    path = tmp_path / "take.wav"
    path.write_bytes(bad_files.wave_bytes(data=bytes(303)))
    assert inspect(path).frames == 101


def test_the_sound_is_found_after_long_foreign_chunks(tmp_path: Path) -> None:
    content = bad_files.wave_bytes(data=bytes(300))
    foreign = b"junk" + (99_999).to_bytes(4, "little") + bytes(100_000)
    path = tmp_path / "take.wav"
    path.write_bytes(content[:12] + foreign + content[12:])
    assert inspect(path).frames == 100


@pytest.mark.parametrize("claimed", [(1 << 64) - 1, 1 << 63, 1 << 62])
def test_a_length_beyond_every_file_is_refused(claimed: int, tmp_path: Path) -> None:
    # RF64: EBU Tech 3306 v1.1 (2009); the sizes of a ds64 chunk have 64 bits.
    chunks = (b"ds64" + struct.pack("<IQQQI", 28, claimed, claimed, 10, 0)
              + b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, 48_000, 96_000, 2, 16)
              + b"data" + struct.pack("<I", 0xFFFFFFFF) + bytes(2_000))
    (tmp_path / "a.wav").write_bytes(b"RF64" + struct.pack("<I", 0xFFFFFFFF) + b"WAVE" + chunks)
    with pytest.raises(AudioError, match=r"is cut short|cannot be opened"):
        inspect(tmp_path / "a.wav")


def test_a_flac_behind_a_tag_is_known(tmp_path: Path) -> None:
    path = tmp_path / "take.flac"
    soundfile.write(path, bad_files.hum(), 48_000)
    path.write_bytes(b"ID3\x04\0\0\0\0\x02\x01" + bytes(257) + path.read_bytes())
    assert inspect(path).frames == 4_800


@pytest.mark.parametrize(("ending", "subtype"), [("wav", "PCM_24"), ("wav", "FLOAT"), ("flac", "PCM_16"),
                                                 ("aiff", "PCM_24"), ("w64", "PCM_16"), ("caf", "PCM_16")])
def test_whatever_bytes_are_hit_the_answer_is_sound_or_a_letter(ending: str, subtype: str, tmp_path: Path,
                                                               rng: np.random.Generator) -> None:
    path = tmp_path / f"take.{ending}"
    soundfile.write(path, bad_files.hum(600), 48_000, subtype=subtype)
    whole = path.read_bytes()
    for _ in range(150):
        content = bytearray(whole[: rng.integers(1, len(whole) + 1)] if rng.random() < 0.3 else whole)
        for _ in range(rng.integers(1, 6)):
            content[rng.integers(0, min(len(content), 120))] = rng.integers(0, 256)
        path.write_bytes(content)
        try:
            facts = inspect(path)
            scan(facts)
            SourceFile(path, 1, facts=facts).read(0, min(facts.frames, 1000))
        except LayerpipeError as refusal:
            assert str(path) in str(refusal)  # noqa: PT017 - either outcome is right


def test_a_file_that_shrinks_while_it_is_read_is_told(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, bad_files.hum(100_000), 48_000, subtype="PCM_24")
    take = SourceFile(path)
    take.read(0, 1000)
    with path.open("r+b") as file:
        file.truncate(30_000)
    with pytest.raises(AudioError, match=r"ends at 0:00|damaged between"):
        take.read(1000, 100_000)


def test_a_name_that_is_no_utf_8_is_read(tmp_path: Path) -> None:
    path = tmp_path / "caf\udce9.wav"
    soundfile.write(tmp_path / "plain.wav", bad_files.hum(), 48_000)
    (tmp_path / "plain.wav").rename(path)
    assert inspect(path).frames == 4_800


@pytest.mark.parametrize("bits", [16, 24])
def test_flac_comes_back_to_the_bit(bits: int, tmp_path: Path, rng: np.random.Generator) -> None:
    pcm = rng.integers(-(1 << (bits - 1)), 1 << (bits - 1), (5_000, 2)).astype(np.int32)
    pcm[:2] = [[-(1 << (bits - 1)), (1 << (bits - 1)) - 1], [0, -1]]
    path = tmp_path / "stem.flac"
    write_flac(path, pcm, 48_000, bits)
    np.testing.assert_array_equal(read_pcm(path), pcm)
    np.testing.assert_array_equal(read_pcm(path, 10, 20), pcm[10:20])
    first = source_digest(path)
    write_flac(path, pcm, 48_000, bits)
    assert source_digest(path) == first
    assert [file.name for file in tmp_path.iterdir()] == ["stem.flac"]


def test_flac_refuses_what_does_not_fit(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="fit into 16 bits"):
        write_flac(tmp_path / "stem.flac", np.array([40_000], np.int32), 48_000, 16)
    with pytest.raises(ParameterError, match="bits=20"):
        write_flac(tmp_path / "stem.flac", np.array([4], np.int32), 48_000, 20)
    with pytest.raises(OutputError, match=re.escape(str(tmp_path / "absent" / "stem.flac"))):
        write_flac(tmp_path / "absent" / "stem.flac", np.array([4], np.int32), 48_000, 16)


@pytest.mark.parametrize("channels", [1, 2])
def test_the_short_way_to_24_bit_samples_gives_libsndfiles_numbers(tmp_path, channels):
    pcm = np.random.default_rng(3).integers(-(1 << 23), 1 << 23, (5_000, channels), dtype=np.int32)
    soundfile.write(tmp_path / "take.wav", pcm << 8, 48_000, subtype="PCM_24")
    facts = inspect(tmp_path / "take.wav")
    assert facts.sound_start is not None
    for channel in range(channels):
        with SourceFile(tmp_path / "take.wav", channel + 1) as file:
            np.testing.assert_array_equal(file.read(17, 4_001), pcm[17:4_001, channel] / (1 << 23))


@pytest.mark.parametrize("ending", ["wav", "aiff"])
def test_audio_after_a_length_that_is_too_short_is_not_dropped_in_silence(
        ending: str, tmp_path: Path, rng: np.random.Generator, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / f"take.{ending}"
    soundfile.write(path, noise(rng, 96_000), 48_000, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    name, order = (b"data", "little") if ending == "wav" else (b"SSND", "big")
    at = content.index(name) + 4
    # RIFF and AIFF: the 32-bit length of the chunk with the samples follows its name.
    content[at : at + 4] = (int.from_bytes(content[at : at + 4], order) - 2 * 72_000).to_bytes(4, order)
    path.write_bytes(content)
    facts = inspect(path)
    inspect(path)
    assert (facts.frames, facts.ignored_s) == (24_000, pytest.approx(1.5, abs=1e-3))
    told = [record.getMessage() for record in caplog.records]
    assert len(told) == 1
    assert told[0].startswith(f"{path}: the header says 0.500 s, but 1.500 s more audio follow")


@pytest.mark.parametrize("after", [b"", bytes(50_000), b"LIST" + (20_000).to_bytes(4, "little") + b"\x81" * 20_000])
@pytest.mark.parametrize("frames", [1_001, 1_002])
def test_chunks_and_zeros_after_the_audio_are_no_audio(
        frames: int, after: bytes, tmp_path: Path, rng: np.random.Generator, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "take.wav"
    content = bad_files.wave_bytes(data=rng.bytes(3 * frames))
    for padding in (b"", bytes(frames % 2)):
        path.write_bytes(content + padding + after)
        assert inspect(path).ignored_s == 0
    assert not caplog.records

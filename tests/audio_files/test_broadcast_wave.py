"""Broadcast WAVE as we write it, read back by soundfile, by Python's own wave module and chunk by chunk."""

from __future__ import annotations

import hashlib
import resource
import struct
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile

from layerpipe.audio_files.broadcast_wave import (
    BroadcastInfo,
    StemWriter,
    bext_chunk,
    wave_header,
)
from layerpipe.audio_files.reader import inspect
from layerpipe.core.errors import OutputError, ParameterError
from tests.support.pcm import read_pcm


def chunks_of(content: bytes) -> dict[str, bytes]:
    """Every chunk of a RIFF file by name, in order; the sizes must close exactly."""
    assert content[:4] == b"RIFF"
    assert content[8:12] == b"WAVE"
    assert struct.unpack("<I", content[4:8])[0] == len(content) - 8
    found, at = {}, 12
    while at < len(content):
        name, length = struct.unpack("<4sI", content[at : at + 8])
        found[name.decode()] = content[at + 8 : at + 8 + length]
        at += 8 + length + length % 2
    assert at == len(content)
    return found


def random_pcm(rng: np.random.Generator, frames: int, channels: int, bit_depth: int) -> np.ndarray:
    """Integers over the whole range, its ends included."""
    limit = 1 << (bit_depth - 1)
    pcm = rng.integers(-limit, limit, (frames, channels)).astype(np.int32)
    pcm[0], pcm[-1] = -limit, limit - 1
    return pcm


@pytest.mark.parametrize("bit_depth", [16, 24])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [1, 4_097, 70_000])
def test_what_is_written_is_read_back_to_the_bit_by_others(bit_depth: int, channels: int, frames: int, tmp_path: Path,
                                                           rng: np.random.Generator) -> None:
    pcm = random_pcm(rng, frames, channels, bit_depth)
    path = tmp_path / "stem.wav"
    with StemWriter(path, 44_100, channels, bit_depth, frames) as writer:
        for start in range(0, frames, 997):
            piece = pcm[start : start + 997]
            writer.write(piece[:, 0] if channels == 1 else piece)
    by_soundfile, rate_hz = soundfile.read(path, dtype="int32", always_2d=True)
    assert rate_hz == 44_100
    np.testing.assert_array_equal(by_soundfile >> (32 - bit_depth), pcm)
    with wave.open(str(path)) as by_wave:
        assert by_wave.getparams()[:4] == (channels, bit_depth // 8, 44_100, frames)
        raw = by_wave.readframes(frames)
    values = [int.from_bytes(raw[at : at + bit_depth // 8], "little", signed=True)
              for at in range(0, len(raw), bit_depth // 8)]
    assert values == pcm.reshape(-1).tolist()
    np.testing.assert_array_equal(read_pcm(path), pcm)
    content = path.read_bytes()
    chunks = chunks_of(content)
    assert list(chunks) == ["bext", "fmt ", "data"]
    assert chunks["data"] == raw
    assert writer.sha256 == hashlib.sha256(content).hexdigest()
    assert [file.name for file in tmp_path.iterdir()] == ["stem.wav"]


def test_the_broadcast_chunk_has_every_field_at_its_place() -> None:
    # EBU Tech 3285 v2 (May 2011), sec. 2.3: offsets and lengths of the fields; sec. 2.4: loudness fields.
    info = BroadcastInfo(description="Lantern on the Pier, regular", date="2024-06-11",
                         time_reference_frames=4_665_600_000)
    body = bext_chunk(info, 96_000, 2, 24)
    fields = {"description": (0, 256), "originator": (256, 32), "reference": (288, 32), "date": (320, 10),
              "time": (330, 8)}
    text = {name: body[at : at + length].rstrip(b"\0") for name, (at, length) in fields.items()}
    assert text == {"description": b"Lantern on the Pier, regular", "originator": b"layerpipe",
                    "reference": b"", "date": b"2024-06-11", "time": b""}
    # 13:30:00 at 96 kHz, worked through: 4 665 600 000 = 1 * 2^32 + 370 632 704.
    assert struct.unpack_from("<II", body, 338) == (370_632_704, 1)
    assert struct.unpack_from("<H", body, 346) == (2,)
    assert body[348:412] == bytes(64)
    # Sec. 2.4: 7FFFh marks a loudness field that is not used.
    assert struct.unpack_from("<5h", body, 412) == (0x7FFF,) * 5
    assert body[422:602] == bytes(180)
    assert len(body) % 2 == 0
    assert body[602:].rstrip(b"\0") == b"A=PCM,F=96000,W=24,M=stereo,T=layerpipe\r\n"


def test_long_text_is_cut_and_foreign_letters_do_no_harm() -> None:
    body = bext_chunk(BroadcastInfo(description="Łódź " * 100, date="2024-06-11-and-more"), 48_000, 1, 24)
    assert body[:5] == b"??d? "
    assert len(body[:256].rstrip(b"\0")) == 256
    assert body[256:265] == b"layerpipe"
    assert body[320:330] == b"2024-06-11"
    assert body[330:338] == bytes(8)


@pytest.mark.parametrize("frames", [-1, 1])
def test_another_number_of_frames_than_announced_is_refused_and_leaves_nothing(frames: int, tmp_path: Path) -> None:
    with (pytest.raises(ParameterError, match="announced"),
          StemWriter(tmp_path / "stem.wav", 48_000, 1, 24, 100) as writer):
        writer.write(np.zeros(100 + frames, np.int32))
    assert list(tmp_path.iterdir()) == []


def test_an_interrupted_stem_leaves_what_was_there_before(tmp_path: Path) -> None:
    path = tmp_path / "stem.wav"
    path.write_bytes(b"before")

    def interrupted() -> None:
        with StemWriter(path, 48_000, 1, 24, 100) as writer:
            writer.write(np.zeros(50, np.int32))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert path.read_bytes() == b"before"
    assert [file.name for file in tmp_path.iterdir()] == ["stem.wav"]


def test_a_planted_link_is_replaced_and_not_followed(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_bytes(b"keep")
    (tmp_path / "stem.wav").symlink_to(precious)
    with StemWriter(tmp_path / "stem.wav", 48_000, 1, 24, 10) as writer:
        writer.write(np.zeros(10, np.int32))
    assert precious.read_bytes() == b"keep"
    assert inspect(tmp_path / "stem.wav").frames == 10


def test_a_full_disk_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        with (pytest.raises(OutputError, match=r"stem\.wav: cannot be written: File too large"),
              StemWriter(tmp_path / "stem.wav", 48_000, 2, 24, 50_000) as writer):
            writer.write(np.zeros((50_000, 2), np.int32))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written: No such file"):
        StemWriter(tmp_path / "absent" / "stem.wav", 48_000, 1, 24, 10)


def test_the_header_turns_to_64_bits_exactly_where_32_no_longer_hold() -> None:
    # EBU Tech 3306, ITU-R BS.2088: `ds64` first, at least 28 bytes, 32-bit sizes FFFFFFFFh.
    overhead = len(wave_header(48_000, 2, 24, 0, BroadcastInfo())) - 8
    most = (2**32 - 1 - overhead) // 6
    small = wave_header(48_000, 2, 24, most, BroadcastInfo())
    large = wave_header(48_000, 2, 24, most + 1, BroadcastInfo())
    assert small[:4] == b"RIFF"
    assert struct.unpack_from("<I", small, 4)[0] == overhead + 6 * most
    assert large[:4] == b"RF64"
    assert large[4:8] == b"\xff" * 4
    assert large[12:20] == b"ds64" + (28).to_bytes(4, "little")
    riff_bytes, data_bytes, frames, table = struct.unpack_from("<QQQI", large, 20)
    assert (data_bytes, frames, table) == (6 * (most + 1), most + 1, 0)
    assert riff_bytes == len(large) - 8 + data_bytes
    assert large[-8:] == b"data" + b"\xff" * 4


def test_a_file_past_4_gib_is_read_by_soundfile(tmp_path: Path, rng: np.random.Generator) -> None:
    # The file is mostly a hole, so that it takes no room; its last frames are written in earnest.
    frames = 2**32 // 6 + 100_000
    header = wave_header(48_000, 2, 24, frames, BroadcastInfo())
    tail = random_pcm(rng, 1_000, 2, 24)
    packed = b"".join(int(value).to_bytes(3, "little", signed=True) for value in tail.reshape(-1))
    path = tmp_path / "long.wav"
    with path.open("wb") as file:
        file.write(header)
        file.seek(len(header) + 6 * (frames - 1_000))
        file.write(packed)
    assert path.stat().st_blocks * 512 < 1 << 22
    with soundfile.SoundFile(path) as by_soundfile:
        assert (by_soundfile.frames, by_soundfile.format) == (frames, "RF64")
        by_soundfile.seek(frames - 1_000)
        np.testing.assert_array_equal(by_soundfile.read(dtype="int32") >> 8, tail)
    assert inspect(path).frames == frames
    np.testing.assert_array_equal(read_pcm(path, frames - 10, frames), tail[-10:])


def test_other_bit_depths_and_impossible_times_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="bit_depth=32"):
        StemWriter(tmp_path / "stem.wav", 48_000, 1, 32, 10)
    with pytest.raises(ParameterError, match="time_reference_frames=-1"):
        bext_chunk(BroadcastInfo(time_reference_frames=-1), 48_000, 1, 24)

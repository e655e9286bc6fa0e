"""The encoder: which program it is, and what is said of one that cannot run."""

from __future__ import annotations

import re

import imageio_ffmpeg
import numpy as np
import pytest

from layerpipe.audio_files import encode
from layerpipe.core.errors import OutputError


@pytest.fixture(autouse=True)
def _look_again():
    encode.find_encoder.cache_clear()
    yield
    encode.find_encoder.cache_clear()


def test_the_program_is_the_one_that_its_package_names():
    assert encode.find_encoder() == imageio_ffmpeg.get_ffmpeg_exe()


def test_without_a_program_in_the_package_the_package_is_asked(monkeypatch):
    monkeypatch.setattr(encode, "_program_of_package", lambda: None)
    monkeypatch.setattr(imageio_ffmpeg, "get_ffmpeg_exe", lambda: "/elsewhere/encoder")
    assert encode.find_encoder() == "/elsewhere/encoder"


def test_a_program_that_cannot_run_is_named_and_nothing_is_left(monkeypatch, tmp_path):
    broken = tmp_path / "encoder"
    broken.write_bytes(b"no program")
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(broken))
    with pytest.raises(OutputError, match=f"mp3 and m4a cannot be made: {re.escape(str(broken))} cannot be run: "):
        encode.encode(tmp_path / "blend.mp3", iter([np.zeros((480, 2), np.int32)]), 480, 48_000, "mp3", encode.Tags())
    assert list(tmp_path.iterdir()) == [broken]

"""A corpus of files that are no takes, each with the words it must be refused with. Made, never shipped."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48_000


def hum(frames: int = 4_800, channels: int = 1) -> np.ndarray:
    """A quiet tone, shape (frames, channels)."""
    tone = 0.2 * np.sin(2 * np.pi * 110 * np.arange(frames) / RATE_HZ)
    return np.repeat(tone[:, np.newaxis], channels, axis=1)


def wave_bytes(*, data: bytes = bytes(300), rate_hz: int = RATE_HZ, channels: int = 1, bits: int = 24,
               data_claim: int | None = None, kind: int = 1) -> bytes:
    """A WAV put together by hand, so that its header can lie."""
    frame_bytes = channels * bits // 8
    claim = len(data) if data_claim is None else data_claim
    body = b"WAVEfmt " + struct.pack("<IHHIIHH", 16, kind, channels % 65536, rate_hz,
                                     rate_hz * frame_bytes % 2**32, frame_bytes % 65536, bits)
    body += b"data" + struct.pack("<I", claim) + data
    return b"RIFF" + struct.pack("<I", (36 + claim) % 2**32) + body


def _written(path: Path, **how: str) -> bytes:
    """Bytes of an honest file that soundfile writes."""
    soundfile.write(path, hum(40_000), RATE_HZ, **how)
    content = path.read_bytes()
    path.unlink()
    return content


def _float_with(path: Path, value: float, *, subtype: str = "FLOAT") -> None:
    """A float WAV in which one sample is no sound."""
    sound = hum()
    sound[1234] = value
    soundfile.write(path, sound, RATE_HZ, subtype=subtype)


def _flac_hit(path: Path) -> None:
    """A FLAC with one byte changed in the middle."""
    content = bytearray(_written(path, subtype="PCM_24", format="FLAC"))
    content[len(content) // 2] ^= 0x55
    path.write_bytes(content)


def _flac_claiming(frames: int) -> Callable[[Path], None]:
    """A FLAC whose STREAMINFO gives another number of frames: 36 bits from the middle of byte 21 (RFC 9639)."""

    def make(path: Path) -> None:
        content = bytearray(_written(path, subtype="PCM_16", format="FLAC"))
        content[21] = content[21] & 0xF0 | frames >> 32
        content[22:26] = (frames & 0xFFFFFFFF).to_bytes(4, "big")
        path.write_bytes(content)

    return make


def _cut(share: float, **how: str) -> Callable[[Path], None]:
    """An honest file of which only the beginning is left."""

    def make(path: Path) -> None:
        content = _written(path, **how)
        path.write_bytes(content[: int(len(content) * share)])

    return make


def _bytes(content: bytes) -> Callable[[Path], None]:
    """A file of these bytes."""
    return lambda path: path.write_bytes(content) and None


BAD: dict[str, tuple[str, Callable[[Path], object], str]] = {
    "missing": ("gone.wav", lambda path: None, "no such file"),
    "a folder": ("folder.wav", Path.mkdir, "is a folder"),
    "a pipe": ("pipe.wav", os.mkfifo, "device or a pipe"),
    "a link to a device": ("zero.wav", lambda path: path.symlink_to("/dev/zero"), "device or a pipe"),
    "a link to itself": ("loop.wav", lambda path: path.symlink_to(path), "cannot be examined"),
    "empty": ("empty.wav", Path.touch, r"is empty \(0 bytes\)"),
    "text": ("text.wav", lambda path: path.write_text("Verse, chorus, verse\n" * 9), "it looks like text"),
    "a picture": ("picture.wav", _bytes(b"\x89PNG\r\n\x1a\n" + bytes(200)), "not a supported audio file"),
    "nothing but zeros": ("zeros.wav", _bytes(bytes(5000)), "not a supported audio file"),
    "headerless, by name": ("speech.gsm", _bytes(bytes(range(256)) * 9), "not a supported audio file"),
    "headerless, raw": ("sound.raw", _bytes(bytes(range(1, 256)) * 9), "not a supported audio file"),
    "an MP3 renamed": ("mp3.wav", lambda path: soundfile.write(path, hum(), RATE_HZ, format="MP3"), "looks like MP3"),
    "an Ogg renamed": ("ogg.wav", lambda path: soundfile.write(path, hum(), RATE_HZ, format="OGG"), "looks like Ogg"),
    "a WAV of 8-bit telephone code": ("law.wav", lambda path: soundfile.write(path, hum(), RATE_HZ, subtype="ULAW"),
                                      "ULAW samples; allowed are WAV"),
    "a WAV cut short": ("cut.wav", _cut(0.5, subtype="PCM_24"), "header promises 0.833 s, the file holds 0.41[67] s"),
    "an AIFF cut short": ("cut.aiff", _cut(0.5, subtype="PCM_24"), "cut short"),
    "a Wave64 cut short": ("cut.w64", _cut(0.5, subtype="PCM_24"), "cut short"),
    "an RF64 cut short": ("cut.rf64", _cut(0.5, subtype="PCM_24", format="RF64"), "cut short"),
    "a CAF cut short": ("cut.caf", _cut(0.5, subtype="PCM_24"), "cut short"),
    "a FLAC cut short": ("cut.flac", _cut(0.5, subtype="PCM_24"), "damaged between"),
    "a FLAC hit in the middle": ("hit.flac", _flac_hit, "damaged between 0:00.000 and 0:00.833"),
    "a FLAC header alone": ("head.flac", _bytes(b"fLaC" + bytes(40)), "damaged|no audio"),
    "a FLAC of unknown length": ("unknown.flac", _flac_claiming(0), "header gives no length"),
    "a FLAC claiming days": ("days.flac", _flac_claiming(2**36 - 1), "header says 397.7 hours"),
    "a FLAC claiming a little more": ("more.flac", _flac_claiming(40_100), "before the 0:00.835 its header|damaged"),
    "a CAF with an endless chunk": ("endless.caf", _bytes(b"caff\0\x01\0\0junk\x7f" + b"\xff" * 7 + bytes(90)),
                                    "damaged: its CAF header"),
    "a Wave64 with an endless chunk": ("endless.w64", _bytes(
        b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0" + b"\xff" * 8 + bytes(90)), "damaged: its W64 header"),
    "a WAV claiming more than it has": ("claim.wav", _bytes(wave_bytes(data_claim=1 << 30)), "cut short"),
    "a recording never closed": ("open.wav", _bytes(wave_bytes(data_claim=0)), "not finished"),
    "a streamed WAV": ("stream.wav", _bytes(wave_bytes(data_claim=0xFFFFFFFF)), "not finished"),
    "a WAV of no frames": ("none.wav", _bytes(wave_bytes(data=b"")), "no audio|not finished"),
    "a RIFF header alone": ("riff.wav", _bytes(b"RIFF\x24\0\0\0WAVE"), "damaged|no audio"),
    "65 channels": ("many.wav", _bytes(wave_bytes(data=bytes(65 * 30), channels=65)), "has 65 channels"),
    "no channels": ("zero_channels.wav", _bytes(wave_bytes(channels=0)), "damaged"),
    "4 kHz": ("slow.wav", _bytes(wave_bytes(rate_hz=4_000)), "rate of 4000 Hz"),
    "384 kHz": ("fast.wav", _bytes(wave_bytes(rate_hz=384_000)), "rate of 384000 Hz"),
    "no rate": ("norate.wav", _bytes(wave_bytes(rate_hz=0)), "damaged|rate of"),
    "0 bits": ("nobits.wav", _bytes(wave_bytes(bits=0)), "damaged|allowed are|no audio"),
    "NaN": ("nan.wav", lambda path: _float_with(path, np.nan),
            r"contains NaN or infinite samples: the first is NaN at sample 1234 \(0:00.026\)"),
    "infinity": ("inf.wav", lambda path: _float_with(path, -np.inf), "first is -inf at sample 1234"),
    "a number no sound has": ("huge.wav", lambda path: _float_with(path, 1e30), r"first is 1e\+30 at sample 1234"),
    "a double past float": ("double.wav", lambda path: _float_with(path, 1e300, subtype="DOUBLE"), "at sample 1234"),
}


def make(folder: Path, name: str) -> Path:
    """Make one file of the corpus."""
    file_name, maker, _ = BAD[name]
    path = folder / file_name
    maker(path)
    return path

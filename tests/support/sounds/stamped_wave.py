"""WAV files as recorders leave them: 16 or 24 bit or float, with or without a `bext` chunk and its time reference.

Written here byte by byte, so that the reader under test meets files its own writer did not make.
Layout of `bext`: EBU Tech 3285 v2 (May 2011), version 1 fields and a reserved rest; the reference counts samples since
midnight, low word first.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt

PCM_16, PCM_24, FLOAT = "PCM_16", "PCM_24", "FLOAT"
BITS = {PCM_16: 16, PCM_24: 24, FLOAT: 32}
_EXTENSIBLE_NEEDED_ABOVE = 2
"""Channels a plain format chunk can name."""


def bext_body(time_reference_frames: int, description: str = "") -> bytes:
    """Body of a `bext` chunk, version 1: 602 bytes and no coding history."""
    return struct.pack("<256s32s32s10s8sIIH64s190x", description.encode("ascii"), b"recorder", b"", b"2021-03-04",
                       b"10:20:30", time_reference_frames & 0xFFFFFFFF, time_reference_frames >> 32, 1, b"")


def write_wave(path: Path, samples: npt.NDArray[np.floating], rate_hz: int, subtype: str = PCM_24, *,
               time_reference_frames: int | None = None, stamp_last: bool = False) -> Path:
    """Write a WAV file.

    Parameters
    ----------
    samples : np.ndarray [shape=(frames,) or (frames, channels)]
        Inside -1 to 1.
    time_reference_frames : int, optional
        Without it there is no `bext`.
    stamp_last : bool
        Whether `bext` stands behind the sound, as some recorders write it.
    """
    rows = samples.reshape(len(samples), -1)
    channels = rows.shape[1]
    if channels > _EXTENSIBLE_NEEDED_ABOVE:
        raise ValueError(f"channels={channels} must be 1 or 2")
    if subtype == FLOAT:
        body = rows.astype("<f4").tobytes()
    elif subtype == PCM_16:
        body = np.clip(np.rint(rows * 32_768), -32_768, 32_767).astype("<i2").tobytes()
    else:
        whole = np.clip(np.rint(rows * (1 << 23)), -(1 << 23), (1 << 23) - 1).astype("<i4")
        body = np.ascontiguousarray(whole.reshape(-1, 1)).view(np.uint8)[:, :3].tobytes()
    width = BITS[subtype] // 8
    form = struct.pack("<HHIIHH", 3 if subtype == FLOAT else 1, channels, rate_hz, rate_hz * channels * width,
                       channels * width, BITS[subtype])
    head = _chunk(b"fmt ", form)
    if subtype == FLOAT:
        head += _chunk(b"fact", struct.pack("<I", len(rows)))
    stamp = b"" if time_reference_frames is None else _chunk(b"bext", bext_body(time_reference_frames))
    sound = _chunk(b"data", body)
    chunks = head + sound + stamp if stamp_last else stamp + head + sound
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks)
    return path


def _chunk(name: bytes, body: bytes) -> bytes:
    """A chunk, padded to even length."""
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)

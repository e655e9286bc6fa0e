"""Audio files read from end to end: whether every sample is a finite number."""

from __future__ import annotations

import math

import numpy as np

from layerpipe.audio_files.info import FileFacts, audio_fault, source_digest, time_text
from layerpipe.audio_files.reader import OpenFile
from layerpipe.core.sound import BLOCK_FRAMES, Float32Array

LOUDEST_SAMPLE = 1e6
"""Largest plausible sample: float files may exceed full scale, but not by 120 dB (our own limit)."""


def scan(facts: FileFacts) -> None:
    """Read a file to its end if only that can show whether it is intact: float samples and compressed files.

    Parameters
    ----------
    facts : FileFacts
        As `inspect` found them.

    Raises
    ------
    AudioError
        At the first sample that is not a number or not finite, or where the file cannot be decoded.
    """
    if facts.bits is not None and facts.container != "FLAC":
        return
    file = OpenFile(facts)
    try:
        for start in range(0, facts.frames, BLOCK_FRAMES):
            # float32 also of doubles: what does not fit it becomes infinite and is refused.
            sound = file.read(start, min(start + BLOCK_FRAMES, facts.frames), "float32")
            if facts.bits is None:
                _refuse_unsound(facts, sound, start)
    finally:
        file.close()


def digest_of_usable(facts: FileFacts) -> str:
    """Digest of a file that was read to its end; so a remembered digest shows that it can be.

    Raises
    ------
    AudioError
        As `scan`.
    """
    scan(facts)
    return source_digest(facts.path)


def _refuse_unsound(facts: FileFacts, sound: Float32Array, start: int) -> None:
    """Refuse NaN, infinity and implausibly large samples."""
    # NaN fails every comparison, so one test finds all three.
    if sound.size and sound.min() >= -LOUDEST_SAMPLE and sound.max() <= LOUDEST_SAMPLE:
        return
    bad = ~(np.abs(sound) <= LOUDEST_SAMPLE)
    row, column = np.argwhere(bad)[0]
    value, frame = float(sound[row, column]), start + int(row)
    kind = "NaN or infinite" if not math.isfinite(value) else "implausibly large"
    named = "NaN" if math.isnan(value) else f"{value:g}"
    of_channel = f" of channel {column + 1}" if sound.shape[1] > 1 else ""
    raise audio_fault(facts.path, f"contains {kind} samples: the first is {named} at sample {frame}"
                             f"{of_channel} ({time_text(frame, facts.rate_hz)}); render or export it again")

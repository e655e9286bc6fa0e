"""Integer samples of a file as they are stored, for comparing files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from layerpipe.audio_files.reader import OpenFile, inspect


def read_pcm(path: Path, start: int = 0, stop: int | None = None) -> npt.NDArray[np.int32]:
    """Frames of a file of 8 to 32 bits, [shape=(frames, channels)], not shifted; to its end without stop."""
    facts = inspect(path)
    assert facts.bits is not None
    file = OpenFile(facts)
    try:
        left_justified: npt.NDArray[np.int32] = file.read(start, facts.frames if stop is None else stop, "int32")
    finally:
        file.close()
    return left_justified >> np.int32(32 - facts.bits)

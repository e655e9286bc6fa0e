"""What soundfile needs to read the takes and write the seven files of a bounce, and nothing else.

Usage: python soundfile_alone.py OUT (read|write|both) TAKE...
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import soundfile

BLOCK = 65_536


def main(out: Path, what: str, takes: list[str]) -> None:
    """Read every take, write as many mono files, and three stereo ones."""
    out.mkdir(parents=True, exist_ok=True)
    info = soundfile.info(takes[0])
    if what in ("read", "both"):
        for take in takes:
            with soundfile.SoundFile(take) as file:
                while len(file.read(BLOCK, dtype="float32")):
                    pass
    if what in ("write", "both"):
        block = (np.random.default_rng(0).standard_normal((BLOCK, 2)) * 0.05).astype(np.float32)
        for n in range(len(takes) + 3):
            channels = 1 if n < len(takes) else 2
            with soundfile.SoundFile(out / f"{n}.wav", "w", info.samplerate, channels, subtype="PCM_24") as file:
                for at in range(0, info.frames, BLOCK):
                    file.write(block[: info.frames - at, :channels])


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3:])

"""What an engineer at home would write: the same work with numpy, scipy, soundfile and pyloudnorm, whole songs at once.

Usage: python plain_script.py OUT REGULAR REGULAR OCTAVE OCTAVE
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile
from scipy import signal


def compress(sound: np.ndarray, rate_hz: int) -> np.ndarray:
    """2:1 over -20 dBFS with a 6 dB knee; one-pole smoothing with the release time (scipy has no branching loop)."""
    level = 20 * np.log10(np.maximum(np.abs(sound), 1e-9))
    over = np.clip(level + 20 + 3, 0, None)
    knee = np.minimum(over, 6)
    wanted = 0.5 * (knee**2 / 12 + over - knee)
    pole = np.exp(-1 / (0.120 * rate_hz))
    return sound * 10 ** (-signal.lfilter([1 - pole], [1, -pole], wanted) / 20)


def main(out: Path, files: list[Path]) -> None:
    """Render, measure and write seven files."""
    out.mkdir(parents=True, exist_ok=True)
    takes = []
    for file in files:
        sound, rate_hz = soundfile.read(file)
        rows = np.concatenate([signal.butter(2, corner, "highpass", fs=rate_hz, output="sos") for corner in (40, 80)])
        takes.append(compress(signal.sosfilt(rows, sound), rate_hz) * 0.5)
        soundfile.write(out / f"take-{len(takes)}.wav", takes[-1], rate_hz, subtype="PCM_24")
    layers = [np.stack(takes[:2], axis=1), np.stack(takes[2:], axis=1) * 10 ** (-9 / 20)]
    for name, sound in (*zip(("regular", "octave"), layers, strict=True), ("blend", layers[0] + layers[1])):
        soundfile.write(out / f"{name}.wav", sound, rate_hz, subtype="PCM_24")
        meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
        peak = np.abs(signal.resample_poly(sound, 4, 1, axis=0)).max()
        print(name, meter.integrated_loudness(sound), meter.loudness_range(sound), 20 * np.log10(peak))


if __name__ == "__main__":
    main(Path(sys.argv[1]), [Path(name) for name in sys.argv[2:]])

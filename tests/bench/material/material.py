"""Takes to measure with: plucked strings with noise attacks, seeded, 24 bit; and the recipe that uses them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48_000
STRINGS_HZ = {"regular": (82.41, 110.0, 146.83, 196.0, 246.94, 329.63),
              "octave": (164.81, 220.0, 293.66, 392.0, 246.94, 329.63)}


def strum(pitches_hz: tuple[float, ...], random: np.random.Generator, *, seconds: float = 2.0) -> np.ndarray:
    """One strum: decaying partials, spread over 20 ms, with a short noise at each string."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    sound = np.zeros_like(t)
    for n, pitch_hz in enumerate(pitches_hz):
        at = int(n * 0.004 * RATE_HZ)
        voice = np.exp(-t * 400) * random.standard_normal(len(t)) * 0.3
        for partial in range(1, 12):
            phase = random.uniform(0, 6)
            voice += np.exp(-t * (1 + partial)) / partial * np.sin(2 * np.pi * pitch_hz * partial * t + phase)
        sound[at:] += voice[: len(t) - at]
    return sound / np.abs(sound).max()


def take(layer: str, seed: int, seconds: float, *, every_s: float = 0.5) -> np.ndarray:
    """A take of strums of varying strength, with a breath of noise and of rumble."""
    random = np.random.default_rng(seed)
    strums = [strum(STRINGS_HZ[layer], random) for _ in range(8)]
    frames = int(seconds * RATE_HZ)
    sound = random.standard_normal(frames) * 2e-4 + 1e-3 * np.sin(2 * np.pi * 17 * np.arange(frames) / RATE_HZ)
    for n in range(int(seconds / every_s)):
        at = int((n * every_s + 0.25) * RATE_HZ + random.normal(0, 0.005 * RATE_HZ))
        played = strums[random.integers(8)][: frames - at] * random.uniform(0.08, 0.35)
        sound[at : at + len(played)] += played
    return sound


def write_takes(folder: Path, seconds: float, *, pairs: int = 1) -> dict[str, list[Path]]:
    """Write `pairs` pairs of both layers; files that are there with the right length are kept."""
    made: dict[str, list[Path]] = {"regular": [], "octave": []}
    folder.mkdir(parents=True, exist_ok=True)
    for layer, paths in made.items():
        for n in range(2 * pairs):
            path = folder / f"{layer}-{n}.wav"
            if not path.exists() or soundfile.info(path).frames != int(seconds * RATE_HZ):
                played = take(layer, 100 * n + len(layer), min(seconds, 240.0))
                sound = np.rint(played * (1 << 23)).astype(np.int32) << 8
                with soundfile.SoundFile(path, "w", RATE_HZ, 1, subtype="PCM_24") as file:
                    left = int(seconds * RATE_HZ)
                    while left > 0:
                        file.write(sound[:left])
                        left -= len(sound)
            paths.append(path)
    return made


def write_takes_elsewhere(folder: Path, seconds: float, *, pairs: int = 1) -> dict[str, list[Path]]:
    """`write_takes` in a process of its own: the memory of a benchmark counts for the processes it starts."""
    subprocess.run([sys.executable, "-m", "tests.bench.material.material", folder, str(seconds), str(pairs)],
                   check=True)
    return {layer: [folder / f"{layer}-{n}.wav" for n in range(2 * pairs)] for layer in STRINGS_HZ}


def write_recipe(path: Path, takes: dict[str, list[Path]], seconds: float, *, octave_db: float = -9.0) -> Path:
    """A recipe of two layers, two high-passes and a compressor, four sections; tempo 120, 4/4."""
    bars = int(seconds / 2)
    quarter = max(1, bars // 4)
    lines = ['[song]', 'title = "Bench"', 'tempo = 120.0', 'meter = "4/4"', "bar_one_s = 0.25"]
    for n in range(4):
        first, last = 1 + n * quarter, (n + 1) * quarter if n < 3 else max(bars, 4)
        lines += ["[[section]]", f'name = "part {n + 1}"', f"bars = [{first}, {max(first, last)}]"]
        lines += [f"levels_db = {{ octave = {octave_db - n} }}"]
    for layer, files in takes.items():
        lines += ["[[layer]]", f'name = "{layer}"', "[layer.chain]", "high_pass = [{ hz = 40 }, { hz = 80 }]",
                  "compressor = { threshold_db = -20.0, ratio = 2.0, knee_db = 6.0, attack_ms = 10, release_ms = 120 }"]
        for n, file in enumerate(files):
            pan = (-100, 100)[n % 2]
            lines += ["[[layer.take]]", f'name = "{n + 1}"', f'file = "{file}"', f"pan = {pan}", "gain_db = -6.0"]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


if __name__ == "__main__":
    write_takes(Path(sys.argv[1]), float(sys.argv[2]), pairs=int(sys.argv[3]))

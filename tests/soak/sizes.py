"""Long and large: `python -m tests.soak.sizes takes` and `python -m tests.soak.sizes rf64`.

`takes` bounces many long takes at a high rate and tells the peak memory of the process; the takes share one file
(sparse between its sounds) and differ in their chains, so that each is processed and kept on its own. `rf64` makes a
layer and a blend past 4 GiB and reads them back with libsndfile. Both clean up behind themselves.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import tomlkit

from layerpipe.audio_files.broadcast_wave import BroadcastInfo, wave_header
from tests.soak.scene import finish

GOAL_MB = 300


def sparse_take(path: Path, seconds: float, rate_hz: int, seed: int = 1) -> int:
    """A 24-bit take with a burst of sound in every tenth second and nothing stored in between; its frames."""
    frames = int(seconds * rate_hz)
    random = np.random.default_rng(seed)
    burst = np.exp(-np.arange(rate_hz // 2) / (rate_hz / 10)) * random.standard_normal(rate_hz // 2)
    pcm = np.rint(0.05 * burst * (1 << 23)).astype("<i4")
    packed = pcm.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    header = wave_header(rate_hz, 1, 24, frames, BroadcastInfo())
    with path.open("wb") as file:
        file.write(header)
        for start in range(0, frames - rate_hz, 10 * rate_hz):
            file.seek(len(header) + 3 * start)
            file.write(packed)
        file.truncate(len(header) + 3 * frames + frames % 2)
    return frames


def recipe_of_many(folder: Path, takes: int, rate_hz: int, *, level_db: float = -36.0) -> Path:
    """A recipe whose takes are one file through chains of their own."""
    layers: list[dict[str, Any]] = []
    for n in range(takes):
        if n % 8 == 0:
            layers.append({"name": f"layer {n // 8 + 1}", "level_db": level_db, "take": []})
        layers[-1]["take"].append({"name": f"take {n + 1}", "file": "take.wav", "pan": -100 + 200 * (n % 8) / 7,
                                   "chain": {"high_pass": [{"hz": 40.0 + n}],
                                             "compressor": {"threshold_db": -30.0, "ratio": 2.0}}})
    path = folder / "many.toml"
    path.write_text(tomlkit.dumps({"song": {"title": "Many", "sample_rate_hz": rate_hz}, "layer": layers}), "utf-8")
    return path


def bounced(recipe: Path, out: Path, cache: Path) -> tuple[int, float, float]:
    """Bounce in a process of its own: exit code, seconds, peak memory in MB."""
    begun = time.perf_counter()
    done = subprocess.run([sys.executable, "-m", "layerpipe", "bounce", os.fspath(recipe), "--out", os.fspath(out),
                           "--quiet"], env={**os.environ, "LAYERPIPE_CACHE": os.fspath(cache),
                                            "LAYERPIPE_CACHE_LIMIT_MB": "1000000"}, check=False)
    return done.returncode, time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


def many_takes(folder: Path, takes: int, minutes: float, rate_hz: int) -> tuple[dict[str, Any], list[str]]:
    """Many long takes within the memory goal."""
    frames = sparse_take(folder / "take.wav", 60 * minutes, rate_hz)
    code, seconds, peak_mb = bounced(recipe_of_many(folder, takes, rate_hz), folder / "out", folder / "cache")
    complaints = [f"exit code {code}"] if code else []
    if peak_mb > GOAL_MB:
        complaints.append(f"peak memory {peak_mb:.0f} MB, the goal is {GOAL_MB} MB")
    files = sorted((folder / "out").rglob("*.wav"))
    if len(files) != takes + -(-takes // 8) + 1:
        complaints.append(f"{len(files)} files")
    for path in files:
        if soundfile.info(path).frames != frames:
            complaints.append(f"{path.name} has {soundfile.info(path).frames} frames")
    written = sum(path.stat().st_size for path in files)
    return {"soak": "takes", "takes": takes, "minutes": minutes, "rate_hz": rate_hz, "seconds": round(seconds, 1),
            "peak_mb": round(peak_mb), "written_gb": round(written / 1e9, 2)}, complaints


def past_4_gib(folder: Path, minutes: float, rate_hz: int) -> tuple[dict[str, Any], list[str]]:
    """A layer and a blend past 4 GiB, read back by libsndfile and held to each other to the bit."""
    frames = sparse_take(folder / "take.wav", 60 * minutes, rate_hz)
    code, seconds, peak_mb = bounced(recipe_of_many(folder, 2, rate_hz), folder / "out", folder / "cache")
    complaints = [f"exit code {code}"] if code else []
    paths = [*sorted((folder / "out" / "many" / "layers").glob("*.wav")), folder / "out" / "many" / "blend.wav"]
    compared = 0
    for path in paths:
        about = soundfile.info(path)
        if (about.frames, about.samplerate, about.channels) != (frames, rate_hz, 2):
            complaints.append(f"{path.name}: libsndfile reads {about.frames} frames")
        if (path.stat().st_size > 1 << 32) != (_magic(path) == b"RF64"):
            complaints.append(f"{path.name}: {path.stat().st_size} bytes as {_magic(path)!r}")
    with soundfile.SoundFile(paths[0]) as layer, soundfile.SoundFile(paths[-1]) as blend:
        # One layer: its sound is the blend's, from the first frame to the last.
        while len(one := layer.read(1 << 18, dtype="int32")):
            compared += len(one)
            if not np.array_equal(one, blend.read(1 << 18, dtype="int32")):
                complaints.append(f"layer and blend differ near frame {compared}")
                break
    with soundfile.SoundFile(paths[-1]) as blend:
        blend.seek((frames - rate_hz - 1) // (10 * rate_hz) * 10 * rate_hz)
        heard = float(np.abs(blend.read(rate_hz // 2)).max())
    if heard == 0:
        complaints.append("the last sound past 4 GiB is not there")
    return {"soak": "rf64", "minutes": minutes, "rate_hz": rate_hz, "read_back_frames": compared,
            "file_gib": round(paths[-1].stat().st_size / 2**30, 3), "seconds": round(seconds, 1),
            "peak_mb": round(peak_mb)}, complaints


def _magic(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(4)


def main(arguments: list[str] | None = None) -> int:
    """The command."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("what", choices=("takes", "rf64"))
    asked.add_argument("--takes", type=int, default=64)
    asked.add_argument("--minutes", type=float, help="10 for takes, 63 for rf64")
    asked.add_argument("--rate", type=int, help="96000 for takes, 192000 for rf64")
    asked.add_argument("--room", type=Path, help="folder for the files; a temporary one if left out")
    found = asked.parse_args(arguments)
    many = found.what == "takes"
    minutes = found.minutes or (10.0 if many else 63.0)
    rate_hz = found.rate or (96_000 if many else 192_000)
    frames = minutes * 60 * rate_hz
    needed = frames * (found.takes * (7 + 0.75) + 6 if many else 2 * 7 + 12)
    with tempfile.TemporaryDirectory(prefix="soak-sizes-", dir=found.room) as room:
        if shutil.disk_usage(room).free < 1.1 * needed:
            print(json.dumps({"soak": found.what, "refused": f"needs {needed / 1e9:.1f} GB of disk"}))
            return 1
        figures, complaints = (many_takes(Path(room), found.takes, minutes, rate_hz) if many
                               else past_4_gib(Path(room), minutes, rate_hz))
    return finish(figures, complaints)


if __name__ == "__main__":
    sys.exit(main())

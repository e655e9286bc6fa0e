"""How many planted faults the check finds, its false alarms, the size at which it finds 95 %, and its speed.

`python -m tests.bench.bench_check` prints a table; nothing is written. Tuned on seeds under 100: judge with others
(`--first 1000`). Sizes go from plain to faint; "95 % at" is the faintest at which 19 of 20 and all plainer are found.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.defects.single_pass import measure_take
from layerpipe.audio_files.info import FileFacts, FileStamp
from layerpipe.core.sound import ArraySound
from layerpipe.outputs.check.finding import Finding
from layerpipe.outputs.check.take_findings import findings_of
from layerpipe.outputs.check.two_takes import compare_takes
from layerpipe.recipe.model.recipe import Chain, Check
from tests.support import made_takes
from tests.support.sounds import faulty_takes as made

INSTRUMENTS = (*made_takes.INSTRUMENTS, *made_takes.LOOPS)
RATES_HZ = (48_000, 44_100, 48_000, 96_000)
Spoil = Callable[[made.MadeTake, int, float], made.MadeTake]
SIZES: dict[str, tuple[str, Spoil, tuple[float, ...]]] = {
    "clipping, dB over full scale": ("clipping", lambda t, k, x: made.with_clipping(t, x), (3.0, 1.0, 0.5, 0.25)),
    "clipping, analogue, dB over": ("clipping", lambda t, k, x: made.with_clipping(
        t, x, ceiling_db=-6.0, analogue=True), (8.0, 6.0, 4.0, 3.0)),
    "hum, dBFS": ("hum", lambda t, k, x: made.with_hum(t, 50.0 + 10 * (k % 2), x, k), (-54, -60, -66, -72, -78)),
    "rumble, dBFS": ("rumble", lambda t, k, x: made.with_rumble(t, x, k), (-46, -52, -58)),
    "noise, dBFS": ("noise_floor", lambda t, k, x: made.with_noise(t, x, k), (-48, -54, -60, -66)),
    "offset, dBFS": ("dc", lambda t, k, x: made.with_dc(t, x), (-34, -40, -44)),
    "drop-out, ms of silence": ("dropout", lambda t, k, x: made.with_dropout(t, 5.3, x), (10, 3, 1, 0.7)),
    "drop-out, ms repeated": ("dropout", lambda t, k, x: made.with_dropout(t, 5.3, x, "repeat"), (20, 5, 2)),
    "band limit, from Hz": ("band_limit", lambda t, k, x: made.band_limited(t, int(x)), (22_050, 32_000)),
    "bits": ("bit_depth", lambda t, k, x: t.with_samples(made.in_steps(t.samples, int(x), k)), (12, 16)),
}


def heard(samples: np.ndarray, rate_hz: int) -> tuple[list[Finding], CheckedTake]:
    """Findings about 24-bit samples."""
    pcm = np.clip(np.round(samples * 2**23), -(2**23), 2**23 - 1) / 2**23
    sound = ArraySound(pcm, rate_hz)
    facts = FileFacts(Path("take.wav"), rate_hz, 1, len(pcm), "PCM_24", "WAV", 24, FileStamp("", 0, 0, 0, 0))
    take = CheckedTake("", "take", facts.path, facts, None, sound, measure_take(sound), Chain(), (), 0.0,
                       440.0, Check(), lambda seconds: f"{seconds:.3f} s")
    return findings_of(take), take


def main() -> None:
    """Print everything."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--takes", type=int, default=16)
    asked.add_argument("--first", type=int, default=0)
    options = asked.parse_args()
    takes = []
    for seed in range(options.first, options.first + options.takes):
        rng = np.random.default_rng(seed)
        name = INSTRUMENTS[seed % len(INSTRUMENTS)]
        takes.append((name, made.make_take(
            seed, instrument=name, rate_hz=RATES_HZ[seed // 8 % 4], tempo=float(rng.uniform(60, 130)), seconds=14,
            cents=float(rng.uniform(-4, 4)), noise_db=float(rng.uniform(-82, -70)),
            room=float(rng.uniform(0.05, 0.3)))))
    print("| clean takes | minutes | false alarms | re-record |\n|---|---|---|---|")
    false, again, spent, length, cents = Counter(), 0, 0.0, 0.0, []
    for name, take in takes:
        start = time.process_time()
        found, judged = heard(take.samples, take.rate_hz)
        spent, length = spent + time.process_time() - start, length + len(take.samples) / take.rate_hz
        # The loops are tuned to whole samples only: their truth is unknown.
        false.update(finding.kind for finding in found if not (finding.kind == "tuning" and name.startswith("loop")))
        again += any(finding.verdict == "re-record" for finding in found)
        if judged.tuning is not None and not name.startswith("loop"):
            cents.append(abs(judged.tuning.cents - take.cents))
    print(f"| {len(takes)} | {length / 60:.1f} | {dict(false) or 'none'} | {again} |")
    print(f"tuning: median {np.median(cents):.2f}, 95 % {np.percentile(cents, 95):.2f} cents; {length / spent:.0f} x "
          "real time (CPU)\n")
    print("| planted | " + "found, plain to faint | 95 % at |\n|---|---|---|")
    for label, (kind, spoil, sizes) in SIZES.items():
        shares = []
        for size in sizes:
            spoilt_takes = [(spoil(take, k, size).samples, take.rate_hz) for k, (_, take) in enumerate(takes)]
            shares.append(np.mean([any(finding.kind == kind for finding in heard(*one)[0]) for one in spoilt_takes]))
        _row(label, sizes, shares)
    for where, quiet in (("in gaps", True), ("while strings ring", False)):
        sizes, shares = (30.0, 24.0, 20.0, 18.0, 15.0), []
        for size in sizes:
            hits = []
            for k, (_, take) in enumerate(takes):
                spoilt = made.with_clicks(take, k, 4, size, quiet=quiet)
                at_s = np.array([finding.at_s for finding in heard(spoilt.samples, take.rate_hz)[0]
                                 if finding.kind == "click"])
                hits += [bool(len(at_s) and np.abs(at_s - place).min() < 0.006) for _, place in spoilt.planted]
            shares.append(np.mean(hits))
        _row(f"clicks {where}, dB over", sizes, shares)
    same, doubles = [], []
    for k, name in enumerate(made_takes.INSTRUMENTS):
        one, other = (made.make_take(2000 + 10 * k + n + options.first, instrument=name, seconds=14, song=k)
                      for n in (0, 1))
        first, second = heard(one.samples, 48_000)[1], heard(other.samples, 48_000)[1]
        doubles.append(compare_takes(first, second).same_performance)
        for copied in (0.7 * one.samples, np.roll(one.samples, 481), -one.samples):
            same.append(compare_takes(first, heard(copied, 48_000)[1]).same_performance)
    print(f"| copies | {sum(same)} of {len(same)}; doubles taken for copies: {sum(doubles)} of {len(doubles)} | |")


def _row(label: str, sizes: tuple[float, ...], shares: list[float]) -> None:
    """One line of the table."""
    good = [size for number, size in enumerate(sizes) if min(shares[: number + 1]) >= 0.95]
    told = ", ".join(f"{size:g}: {100 * share:.0f} %" for size, share in zip(sizes, shares, strict=True))
    print(f"| {label} | {told} | {f'{good[-1]:g}' if good else 'none'} |")


if __name__ == "__main__":
    main()

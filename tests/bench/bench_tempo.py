"""Tempo, meter and bar 1 of songs whose truth is known: python -m tests.bench.bench_tempo [songs of a kind] [--fit].

1,500 songs of a kind (about five minutes) have enough sure ones for 99 % to be stated: the share that is right with a
probability of 95 % is printed (Clopper, Pearson, Biometrika 26, 1934).

Right is: the meter, the tempo within 2 % and bar 1 within 60 ms. Reported for tunes that the weights of `meter` were
fitted to, tunes never looked at, and strummed patterns of other seeds; what is "sure" must be right in 99 of 100.
--fit prints new weights, fitted to the tuned-on tunes and strummed patterns (maximum likelihood, a little ridge).
LAYERPIPE_MATERIAL has the tunes; without them only strummed patterns are used.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable
from itertools import pairwise

import numpy as np
from scipy import optimize, stats

from layerpipe.analysis.onsets.onset import Detection
from layerpipe.analysis.timing.grid import tempo as tempo_module
from layerpipe.analysis.timing.grid.meter import Candidates, candidates_of
from layerpipe.analysis.timing.grid.tempo import TempoEstimate, estimate_tempo
from tests.bench.material.outside_instruments import NEVER_LOOKED_AT, TUNED_ON
from tests.bench.material.tempo_songs import KnownSong, strummed_songs, tune_songs
from tests.bench.material.tunes import tunes

RIDGE = 1e-3
BAR_ONE_S, TEMPO_SHARE = 0.06, 0.02
BINS = (0.0, 0.5, 0.7, 0.9, 0.97, 0.99, 1.001)


def is_right(found: TempoEstimate, song: KnownSong) -> bool:
    """Meter, tempo and bar 1."""
    return (found.meter == song.meter and abs(found.tempo / song.tempo - 1) < TEMPO_SHARE
            and abs(found.bar_one_s - song.bar_one_s) < BAR_ONE_S)


def report(name: str, songs: Iterable[KnownSong]) -> None:
    """How often the first, any and the sure ones are right, and whether odds are what they say."""
    told: list[tuple[float, bool]] = []
    sure: list[bool] = []
    counts: Counter[str] = Counter()
    for song in songs:
        estimates = estimate_tempo([Detection.of(take) for take in song.takes])
        if not estimates:
            counts["none"] += 1
            continue
        first = estimates[0]
        same_meter = [one for one in estimates
                      if one.meter == song.meter and abs(one.tempo / song.tempo - 1) < TEMPO_SHARE]
        told.append((first.odds, first in same_meter))
        counts["first"] += is_right(first, song)
        counts["listed"] += bool(same_meter)
        if first.sure:
            sure.append(is_right(first, song))
            if not sure[-1]:
                print(f"  sure and wrong: {first} of {song.meter} at {song.tempo:.1f}, {song.bar_one_s:.3f} s")
    total = max(len(told) + counts["none"], 1)
    print(f"{name}, {total} songs: first right {counts['first'] / total:.3f}, meter listed "
          f"{counts['listed'] / total:.3f}, sure {len(sure)}, of them right {sum(sure)} "
          f"(at least {_least_share(sure):.3f})")
    odds, right = (np.array(column) for column in zip(*told, strict=True))
    for low, high in pairwise(BINS):
        here = (odds >= low) & (odds < high)
        if here.any():
            print(f"  odds {low:.2f} to {min(high, 1):.2f}: {here.sum():4d} songs, said {odds[here].mean():.3f}, "
                  f"meter and tempo right {right[here].mean():.3f}")


def _least_share(right: list[bool]) -> float:
    """The share that is right, or more are, with a probability of 95 %."""
    wrong = len(right) - sum(right)
    return float(1 - stats.beta.ppf(0.95, wrong + 1, len(right) - wrong)) if any(right) else 0.0


def fit(songs: Iterable[KnownSong]) -> None:
    """Print weights of the candidates' features."""
    features, chosen, starts = [], [], [0]
    for song in songs:
        found, right = _truth(song)
        if right is not None:
            features.append(found.features)
            chosen.append(starts[-1] + right)
            starts.append(starts[-1] + len(found.features))
    rows = np.concatenate(features)
    scale = rows.std(axis=0) + 1e-6
    rows = rows / scale
    first = np.array(starts[:-1])
    owner = np.repeat(np.arange(len(first)), np.diff(starts))

    def loss(weights: np.ndarray) -> tuple[float, np.ndarray]:
        logits = rows @ weights
        highest = np.maximum.reduceat(logits, first)
        powers = np.exp(logits - highest[owner])
        sums = np.add.reduceat(powers, first)
        wrong = (rows.T @ (powers / sums[owner]) - rows[chosen].sum(axis=0)) / len(first)
        return (float(np.mean(highest + np.log(sums) - logits[chosen]) + RIDGE * weights @ weights),
                wrong + 2 * RIDGE * weights)

    found = optimize.minimize(loss, np.zeros(rows.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 400})
    print(f"{len(first)} songs, loss {found.fun:.4f}\n" + ", ".join(f"{one:.3g}" for one in found.x / scale))


def _truth(song: KnownSong) -> tuple[Candidates, int | None]:
    """The candidates of a song and which one is true."""
    heard = Detection.of([onset for take in song.takes for onset in take])
    train, _ = tempo_module.pulse_train(heard.onsets, heard.chroma, len(song.takes))
    found = candidates_of(train)
    bar_s = found.bar_pulses * train.period_s
    bars = (train.start_s + found.first * train.period_s - song.bar_one_s) / bar_s
    right = ((np.array(found.meter) == song.meter) & (np.abs(found.tempo / song.tempo - 1) < TEMPO_SHARE)
             & (np.abs(bars - np.rint(bars)) * bar_s < BAR_ONE_S))
    return found, int(np.argmax(right)) if right.any() else None


def main(words: list[str]) -> int:
    """Print the tables, or new weights."""
    count = next((int(word) for word in words if word.isdigit()), 1500)
    if "--fit" in words:
        fit([*tune_songs(tunes(TUNED_ON), count, 1), *strummed_songs(count, 2)])
        return 0
    for half in (TUNED_ON, NEVER_LOOKED_AT):
        if tunes(half):
            report(f"tunes, {half}", tune_songs(tunes(half), count, 3))
    report("strummed patterns of other seeds", strummed_songs(count, 4))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

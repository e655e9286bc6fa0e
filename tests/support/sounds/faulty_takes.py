"""Takes whose faults are known, and clean ones: for judging what `check` finds and what it makes up.

Takes are made by `tests.support.made_takes`. Times are seconds, levels dBFS, tuning cents; all comes from one seed.
"""

from __future__ import annotations

import math

import numpy as np

from tests.support.made_takes import Array, MadeTake
from tests.support.made_takes import make_take as make_take


def above_3k(samples: Array, rate_hz: int) -> Array:
    """What lies above 3 kHz."""
    from scipy import signal

    return signal.sosfiltfilt(signal.butter(2, 3000, "highpass", fs=rate_hz, output="sos"), samples)


def click_shape(rng: np.random.Generator, rate_hz: int) -> Array:
    """One click of 0.1 to 3 ms: a tick of a few frames, a damped knock of a button or nail, a burst of a key."""
    kind = int(rng.integers(3))
    if kind == 0:
        shape = np.zeros(8)
        shape[: int(rng.integers(1, 5))] = rng.uniform(0.5, 1.0)
        return shape * rng.choice([-1, 1])
    t = np.arange(round(0.004 * rate_hz)) / rate_hz
    length = rng.uniform(0.0002, 0.001)
    if kind == 1:
        return np.sin(2 * math.pi * rng.uniform(2500, 8000) * t) * np.exp(-t / length)
    return rng.standard_normal(len(t)) * np.exp(-t / length)


def with_clicks(take: MadeTake, seed: int, count: int, over_db: float, *, quiet: bool | None = None) -> MadeTake:
    """Add clicks whose peak above 3 kHz lies `over_db` over the rms there in the 50 ms around.

    quiet True: in gaps; False: while strings ring, not within 60 ms of a strum; None: either.
    """
    rng = np.random.default_rng([seed, 5])
    out = take.samples.copy()
    high = above_3k(out, take.rate_hz)
    placed: list[float] = []
    for _ in range(400):
        if len(placed) == count:
            break
        in_gap = (rng.random() < 0.5) if quiet is None else quiet
        if in_gap:
            a, b = take.gaps_s[int(rng.integers(len(take.gaps_s)))]
            at_s = rng.uniform(a + 0.06, b - 0.06)
        else:
            at_s = rng.uniform(1.0, len(out) / take.rate_hz - 0.5)
            if any(a <= at_s <= b for a, b in take.gaps_s):
                continue
        nearest = min((abs(at_s - o) for o in take.onsets_s), default=9.0)
        if nearest < 0.09 or any(abs(at_s - p) < 0.3 for p in placed):
            continue
        at, around = round(at_s * take.rate_hz), round(0.025 * take.rate_hz)
        shape = click_shape(rng, take.rate_hz)
        padded = np.pad(shape, take.rate_hz // 50)
        size = 10 ** (over_db / 20) * np.sqrt(np.mean(high[at - around : at + around] ** 2))
        out[at : at + len(shape)] += shape * size / np.abs(above_3k(padded, take.rate_hz)).max()
        placed.append(at_s)
    return take.with_samples(out, *(("click", p) for p in sorted(placed)))


def with_hum(take: MadeTake, mains_hz: float, level_db: float, seed: int = 0) -> MadeTake:
    """Add hum whose rms is `level_db`."""
    rng = np.random.default_rng([seed, 6])
    t = np.arange(len(take.samples)) / take.rate_hz
    hum = np.zeros(len(t))
    for k, level in zip(range(1, 9), (1, .9, .5, .4, .25, .2, .15, .1), strict=True):
        hum += level * rng.uniform(0.5, 1.2) * np.sin(2 * math.pi * k * mains_hz * t + rng.uniform(0, 6.3))
    hum *= 10 ** (level_db / 20) / np.sqrt(np.mean(hum**2))
    return take.with_samples(take.samples + hum, ("hum", None))


def with_rumble(take: MadeTake, level_db: float, seed: int = 0) -> MadeTake:
    """Add noise below 35 Hz whose rms is `level_db`."""
    from scipy import signal

    rng = np.random.default_rng([seed, 7])
    noise = signal.sosfilt(signal.butter(3, [6, 32], "bandpass", fs=take.rate_hz, output="sos"),
                           rng.standard_normal(len(take.samples) + take.rate_hz))[take.rate_hz :]
    noise *= 10 ** (level_db / 20) / np.sqrt(np.mean(noise**2))
    return take.with_samples(take.samples + noise, ("rumble", None))


def with_noise(take: MadeTake, level_db: float, seed: int = 0) -> MadeTake:
    """Add hiss of `level_db`."""
    rng = np.random.default_rng([seed, 8])
    return take.with_samples(take.samples + 10 ** (level_db / 20) * rng.standard_normal(len(take.samples)),
                             ("noise_floor", None))


def with_clipping(take: MadeTake, drive_db: float, *, ceiling_db: float = 0.0, analogue: bool = False) -> MadeTake:
    """Drive the peaks `drive_db` over a ceiling. An analogue clip is followed by a coupling capacitor and hiss."""
    from scipy import signal

    ceiling = 10 ** (ceiling_db / 20)
    x = take.samples * 10 ** (drive_db / 20) * ceiling / np.abs(take.samples).max()
    first = int(np.flatnonzero(np.abs(x) > ceiling)[0]) / take.rate_hz
    x = np.clip(x, -ceiling, ceiling)
    if analogue:
        x = signal.sosfilt(signal.butter(1, 8, "highpass", fs=take.rate_hz, output="sos"), x)
        x = x + 10 ** (-80 / 20) * np.random.default_rng(9).standard_normal(len(x))
    return take.with_samples(x, ("clipping", first))


def with_dropout(take: MadeTake, at_s: float, length_ms: float, kind: str = "zeros") -> MadeTake:
    """Lose a piece: "zeros", "held" (the last sample stays) or "repeat" (the piece before is heard again)."""
    out = take.samples.copy()
    at, length = round(at_s * take.rate_hz), max(2, round(length_ms / 1000 * take.rate_hz))
    out[at : at + length] = {"zeros": 0.0, "held": out[at - 1], "repeat": out[at - length : at]}[kind]
    return take.with_samples(out, ("dropout", at_s))


def with_dc(take: MadeTake, level_db: float) -> MadeTake:
    """Add an offset."""
    return take.with_samples(take.samples + 10 ** (level_db / 20), ("dc", None))


def band_limited(take: MadeTake, from_hz: int) -> MadeTake:
    """As if recorded at `from_hz` and converted to the take's rate afterwards."""
    import soxr

    low = soxr.resample(soxr.resample(take.samples, take.rate_hz, from_hz, quality="VHQ"), from_hz, take.rate_hz,
                        quality="VHQ")
    out = np.zeros(len(take.samples))
    out[: len(low)] = low[: len(out)]
    return take.with_samples(out, ("band_limit", None))


def in_steps(samples: Array, bits: int, seed: int = 0) -> Array:
    """Rounded to `bits`, with triangular dither."""
    rng = np.random.default_rng([seed, 10])
    scale = 2.0 ** (bits - 1)
    dither = rng.random(len(samples)) - rng.random(len(samples))
    return np.clip(np.round(samples * scale + dither), -scale, scale - 1) / scale

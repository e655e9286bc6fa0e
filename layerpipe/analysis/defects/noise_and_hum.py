"""The note-free gaps of a take, and what is heard in them: noise and hum.

A gap is a stretch of 0.4 s or more that stays at the take's own floor, does not die away, and lies far under the
music. Powers are linear (full scale 1), levels dBFS of the rms, spans frames. A take without gaps has no known floor.
Mains run at 50 or 60 Hz within 0.4 % (common practice, no source); hum is told from notes by standing still, in a
gap and from gap to gap, and by its whole series.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.low_band import Decimator
from layerpipe.analysis.defects.single_pass import Heard
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.filters import response_db
from layerpipe.dsp.loudness import k_weighting, lufs_of_power, step_start

WINDOW_STEPS = 40
UNDER_MUSIC_DB = 9.0
NOTE_OVER_DB = 17.0
"""The highest of a thousand bins of noise lies 10 dB over their median; a note lies further."""
STEADY_DB = 1.6
"""How much the level may change from one 0.2 s to the next; a string that rings out loses 2 dB and more."""
PEAKS_OVER_DB = 6.0
ABOVE_FLOOR_DB = 5.0
AT_ONCE = 30_000
"""Windows that are looked at in one go: five minutes."""
MOST_GAP_S = 60.0
HARMONICS = 12
LINE_OVER_DB, LONE_LINE_OVER_DB = 9.0, 18.0
FADES_DB = 4.0
MAINS_REACH = 0.004
LOWEST_NOISE_HZ = 55.0
ROW = 64


@dataclass(frozen=True)
class Noise:
    """What the gaps hold: rms in dBFS and in LUFS without hum and rumble, seconds heard, density (1/Hz) per hz."""

    level_db: float
    lufs: float
    seconds: float
    hz: FloatArray
    density: FloatArray


@dataclass(frozen=True)
class Hum:
    """Mains frequency, level of the series in dBFS, and its lines as (hz, dBFS, dB over the neighbourhood)."""

    mains_hz: float
    level_db: float
    lines: list[tuple[float, float, float]]


def find_gaps(heard: Heard) -> list[tuple[int, int]]:
    """Spans of frames in which nothing is played; empty if none can be told."""
    power = heard.steps.mid_power
    if len(power) < WINDOW_STEPS or not power.any():
        return []
    music = 10 * math.log10(float(np.percentile(power, 90)) + 1e-20)
    count = len(power) - WINDOW_STEPS + 1
    level, steady = np.zeros(count, np.float32), np.zeros(count, np.bool_)
    for at in range(0, count, AT_ONCE):
        here, piece = slice(at, at + AT_ONCE), slice(at, at + AT_ONCE + WINDOW_STEPS - 1)
        level[here], steady[here] = _levels(power[piece].astype(np.float64), heard.steps.silent[piece])
    steady &= level < music - UNDER_MUSIC_DB
    if not steady.any():
        return []
    floor = float(np.percentile(level[steady], 10))
    quiet = steady & (level < floor + ABOVE_FLOOR_DB)
    edges = np.flatnonzero(np.diff(quiet, prepend=False, append=False))
    last = [min(step_start(int(stop) - 1 + WINDOW_STEPS, heard.rate_hz), heard.frames) for stop in edges[1::2]]
    return [(step_start(int(first), heard.rate_hz), stop) for first, stop in zip(edges[::2], last, strict=True)]


def _levels(power: FloatArray, silent: npt.NDArray[np.bool_]) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Level of every window, dB, and whether it stays there and is no digital silence."""
    half = WINDOW_STEPS // 2
    running = np.concatenate([[0.0], np.cumsum(power)])
    first = (running[half:-half] - running[: -2 * half]) / half
    second = (running[2 * half :] - running[half:-half]) / half
    dead = np.concatenate([[0], np.cumsum(silent)])
    level = 10 * np.log10((first + second) / 2 + 1e-20)
    change = np.abs(10 * np.log10((first + 1e-20) / (second + 1e-20)))
    peaks = 10 * np.log10(np.lib.stride_tricks.sliding_window_view(power, 2 * half).max(axis=1) + 1e-20)
    steady = (dead[2 * half :] == dead[: -2 * half]) & (change < STEADY_DB) & (peaks < level + PEAKS_OVER_DB)
    return level, steady


def hear_gaps(sound: Sound, gaps: list[tuple[int, int]]) -> tuple[Noise | None, Hum | None]:
    """Read the gaps, a minute of them at most, and tell noise and hum."""
    rate = sound.rate_hz
    pieces: list[tuple[int, int]] = []
    for start, stop in gaps:
        for at in range(start, stop, 2 * rate):
            end = min(at + 2 * rate, stop)
            if end - at >= 0.38 * rate:
                pieces.append((at, end))
    if not pieces:
        return None, None
    most = max(1, round(MOST_GAP_S / 2))
    pieces = [pieces[k] for k in np.unique(np.linspace(0, len(pieces) - 1, min(len(pieces), most)).round().astype(int))]
    decimator = Decimator(rate)
    low = [decimator.stretch(sound, start, stop) for start, stop in pieces]
    free = [k for k, piece in enumerate(low) if not _sings(piece, decimator.rate_hz)]
    pieces, low = [pieces[k] for k in free], [low[k] for k in free]
    if not pieces:
        return None, None
    hum = _find_hum(low, decimator.rate_hz)
    return _noise_of(sound, pieces, hum), hum


def _sings(piece: FloatArray, rate_hz: float) -> bool:
    """Whether a note still sounds in a piece: a line that no mains frequency explains."""
    power = np.abs(np.fft.rfft((piece - piece.mean()) * np.hanning(len(piece)))) ** 2
    hz = np.fft.rfftfreq(len(piece), 1 / rate_hz)
    inside = (hz > 150.0) & (hz < 1400.0)
    mains = np.minimum(np.abs(hz - 50 * np.rint(hz / 50)), np.abs(hz - 60 * np.rint(hz / 60)))
    free = inside & (mains > max(3.0, 2.2 * rate_hz / len(piece)))
    # The floor is seldom flat: each bin is measured against the half octave around it.
    level = np.log(power + 1e-30)
    for low in np.geomspace(150, 1400, 7)[:-1]:
        part = (hz >= low) & (hz < low * 1.46)
        if np.count_nonzero(part & free) > 8:
            median = float(np.median(level[part]))
            if float(level[part & free].max()) - median > NOTE_OVER_DB / 10 * math.log(10):
                return True
    return False


def _noise_of(sound: Sound, pieces: list[tuple[int, int]], hum: Hum | None) -> Noise | None:
    """Level of the gaps above the rumble, the hum's lines left out."""
    rate = sound.rate_hz
    # About 6 Hz fine, so that the lines of a hum stand apart.
    size = 1 << round(math.log2(0.17 * rate))
    window = np.hanning(size + 1)[:-1]
    total, count, frames = np.zeros(size // 2 + 1), 0, 0
    for start, stop in pieces:
        frames += stop - start
        heard = sound.read(start, stop)
        if len(heard) < size:
            continue
        rows = np.lib.stride_tricks.sliding_window_view(heard, size)[:: size // 2]
        total += (np.abs(np.fft.rfft(rows * window, axis=1)) ** 2).sum(axis=0)
        count += len(rows)
    if not count:
        return None
    hz: FloatArray = np.fft.rfftfreq(size, 1 / rate).astype(np.float64)
    density = total / count * 2 / (rate * np.sum(window**2))
    kept = density.copy()
    if hum is not None:
        for line_hz, _, _ in hum.lines:
            near = np.abs(hz - line_hz) < 2.5 * hz[1]
            beside = (np.abs(hz - line_hz) >= 2.5 * hz[1]) & (np.abs(hz - line_hz) < 6 * hz[1]) & (hz > LOWEST_NOISE_HZ)
            kept[near] = np.minimum(kept[near], np.median(kept[beside]) if beside.any() else 0.0)
    kept[hz < LOWEST_NOISE_HZ] = 0.0
    weight = 10 ** (response_db(k_weighting(rate), hz[1:], rate) / 10)
    power = float(kept.sum() * hz[1])
    if power <= 0:
        return None
    return Noise(10 * math.log10(power), lufs_of_power(float((kept[1:] * weight).sum() * hz[1])), frames / rate, hz,
                 density)


def _find_hum(pieces: list[FloatArray], rate_hz: float) -> Hum | None:
    """The mains series that stands in the gaps, if one does."""
    found = [hum for hum in (_series(pieces, rate_hz, mains) for mains in (50.0, 60.0)) if hum is not None]
    # 300 and 600 Hz belong to both; the series with more lines of its own, then the stronger one, is meant.
    return max(found, key=lambda hum: (len(hum.lines), hum.level_db), default=None)


def _series(pieces: list[FloatArray], rate_hz: float, mains_hz: float) -> Hum | None:
    """Lines at the multiples of a mains frequency, all pieces together."""
    longest = max(pieces, key=len)
    grid = mains_hz * (1 + np.linspace(-MAINS_REACH, MAINS_REACH, 9))
    numbers = np.arange(1, HARMONICS + 1)
    middle = mains_hz
    if len(longest) > 0.9 * rate_hz:
        strength = _amplitudes(longest, np.outer(grid, numbers[1:6]), rate_hz).sum(axis=1)
        middle = float(grid[int(np.argmax(strength))])
    hz: FloatArray = (numbers * middle).astype(np.float64)
    powers, around, fades = (np.empty((len(pieces), HARMONICS)) for _ in range(3))
    for row, piece in enumerate(pieces):
        spread = np.array([2.6, 3.3, 4.0]) * rate_hz / len(piece)
        places = hz[:, np.newaxis] + np.concatenate([[0.0], -spread, spread]).astype(np.float64)
        at = _amplitudes(piece, places, rate_hz)
        powers[row] = at[:, 0]
        around[row] = np.maximum(at[:, 1:4].mean(axis=1), at[:, 4:].mean(axis=1))
        first, second = (_amplitudes(half, hz, rate_hz) for half in np.array_split(piece, 2))
        fades[row] = 10 * np.log10((first + 1e-20) / (second + 1e-20))
    power = powers.mean(axis=0)
    over_db = 10 * np.log10(power / (around.mean(axis=0) + 1e-20) + 1e-20)
    steady = (np.median(powers, axis=0) > power / 3) & (np.abs(np.median(fades, axis=0)) < FADES_DB)
    lines = [(float(hz[k]), 10 * math.log10(power[k] / 2), float(over_db[k]))
             for k in np.flatnonzero(steady & (over_db > LINE_OVER_DB))]
    low = [line for line in lines if line[0] < 3.5 * mains_hz]
    if not low or (len(lines) < 2 and low[0][2] < LONE_LINE_OVER_DB):
        return None
    return Hum(middle, 10 * math.log10(sum(10 ** (line[1] / 10) for line in lines)), lines)


def _amplitudes(piece: FloatArray, hz: FloatArray, rate_hz: float) -> FloatArray:
    """Squared amplitudes of a piece at exact frequencies, through a Hann window; as many as frequencies."""
    count = len(piece)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(count) + 0.5) / count)
    # Turned in rows and then along the rows: a few hundred sines and cosines for each frequency, not one per sample.
    rows = -(-count // ROW)
    weighted = np.pad(window * (piece - piece.mean()), (0, rows * ROW - count)).reshape(rows, ROW)
    phase = 2 * np.pi / rate_hz * hz.ravel()
    inside, along = np.outer(np.arange(ROW), phase), np.outer(np.arange(rows) * ROW, phase)
    turned = weighted @ np.cos(inside) - 1j * (weighted @ np.sin(inside))
    sums = (turned * np.exp(-1j * along)).sum(axis=0)
    squared: FloatArray = np.abs(sums.reshape(hz.shape)) ** 2 * (2 / window.sum()) ** 2
    return squared

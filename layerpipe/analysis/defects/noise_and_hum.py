"""Noise and hum of a take, measured in its gaps: where nothing is played.

A gap is a stretch of 0.4 s or more that stays at the take's own noise floor, does not die away, and is far below the
music. A take without gaps has no known noise. Powers are linear (full scale 1), levels dBFS of the rms, spans samples.
The mains keep 50 or 60 Hz within 0.4 % (common practice, no source); hum differs from notes because it is steady, in a
gap and from gap to gap, and by its whole series of harmonics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.judgement import Judgement
from layerpipe.analysis.defects.pitch.low_band import Decimator
from layerpipe.analysis.defects.single_pass import KeptSteps
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.filters import response_db
from layerpipe.dsp.loudness.bs1770 import lufs_of_power, step_start
from layerpipe.dsp.loudness.k_weighting import k_weighting


@dataclass(frozen=True)
class GapLimits:
    """Where nothing is played."""

    steps: int = 40
    """Length of the window, steps of 10 ms."""
    under_music_db: float = 9.0
    """Below the level that nine tenths of the take stay under; noise nearer to it is part of the sound."""
    steady_db: float = 1.6
    """Change from one 0.2 s to the next; a string that rings out loses 2 dB and more."""
    peaks_over_db: float = 6.0
    """Loudest 10 ms over the mean: a note or a knock is louder."""
    above_floor_db: float = 5.0
    """Over the quietest tenth of the steady windows."""
    at_once: int = 30_000
    """Windows per go, five minutes: bounds memory."""
    piece_s: float = 2.0
    shortest_piece_s: float = 0.38
    most_s: float = 60.0
    """Gaps are read in pieces, a minute of them at most: enough for both means."""
    note_over_db: float = 17.0
    """Line over the bins around that no mains frequency explains. The highest of a thousand bins of noise is 10 dB over
    their median; a note that still rings is further over it."""
    note_hz: tuple[float, float] = (150.0, 1400.0)


@dataclass(frozen=True)
class NoiseAndHumLimits:
    """Limits that separate noise and hum from each other and from the rest."""

    lowest_noise_hz: float = 55.0
    """Below are rumble and the mains."""
    harmonics: int = 12
    mains_reach: float = 0.004
    """By how much of itself a mains frequency may be off."""
    line_over_db: float = 9.0
    """Over the frequencies beside; less is noise."""
    lone_line_over_db: float = 18.0
    """For a single line, which may be a note that rings."""
    fades_db: float = 4.0
    """Change from the first half of a piece to the second; a note that rings out changes more."""


GAPS, LIMITS = GapLimits(), NoiseAndHumLimits()
_ROW = 64
"""Samples per row of a Fourier sum: a few hundred sines for each frequency instead of one per sample."""


@dataclass(frozen=True)
class Noise:
    """Noise in the gaps without hum and rumble: rms in dBFS, loudness, seconds measured, density (1/Hz) per hz."""

    level_db: float
    lufs: float
    seconds: float
    hz: FloatArray
    density: FloatArray


class HumLine(NamedTuple):
    """Frequency, level in dBFS, and dB over the frequencies beside."""

    hz: float
    level_db: float
    over_db: float


@dataclass(frozen=True)
class Hum:
    """Mains frequency, level of the series in dBFS, and its lines."""

    mains_hz: float
    level_db: float
    lines: list[HumLine]


def judge_noise(noise: Noise | None, loudness: float | None, under_lu: float) -> Judgement:
    """Decide whether noise is a defect: less than `under_lu` below the take's loudness in LUFS."""
    if noise is None or loudness is None or not math.isfinite(loudness):
        return Judgement(False, "no gaps, or nothing to compare with")
    return Judgement(loudness - noise.lufs <= under_lu, f"{loudness - noise.lufs:.0f} LU below the playing")


def judge_hum(hum: Hum | None, loudness: float | None, under_lu: float, level_dbfs: float) -> Judgement:
    """Decide whether hum is a defect: at least `level_dbfs`, and less than `under_lu` below the loudness in LUFS."""
    if hum is None or loudness is None:
        return Judgement(False, "no mains lines in the gaps")
    if hum.level_db < max(loudness - under_lu, level_dbfs):
        return Judgement(False, "too quiet to be heard")
    return Judgement(True, f"{loudness - hum.level_db:.0f} LU below the playing")


def find_gaps(sound: Sound, *, steps: KeptSteps) -> list[tuple[int, int]]:
    """Spans of samples in which nothing is played; empty if none is found."""
    power, silent = steps.mid_power, steps.silent
    if len(power) < GAPS.steps or not power.any():
        return []
    music = 10 * math.log10(float(np.percentile(power, 90)) + 1e-20)
    count = len(power) - GAPS.steps + 1
    level, steady = np.zeros(count, np.float32), np.zeros(count, np.bool_)
    for at in range(0, count, GAPS.at_once):
        here, piece = slice(at, at + GAPS.at_once), slice(at, at + GAPS.at_once + GAPS.steps - 1)
        level[here], steady[here] = _levels(power[piece].astype(np.float64), silent[piece])
    steady &= level < music - GAPS.under_music_db
    if not steady.any():
        return []
    floor = float(np.percentile(level[steady], 10))
    quiet = steady & (level < floor + GAPS.above_floor_db)
    edges = np.flatnonzero(np.diff(quiet, prepend=False, append=False))
    last = [min(step_start(int(stop) - 1 + GAPS.steps, sound.rate_hz), sound.frames) for stop in edges[1::2]]
    return [(step_start(int(first), sound.rate_hz), stop) for first, stop in zip(edges[::2], last, strict=True)]


def _levels(power: FloatArray, silent: npt.NDArray[np.bool_]) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Level of every window, dB, and whether it is steady and no digital silence."""
    half = GAPS.steps // 2
    running = np.concatenate([[0.0], np.cumsum(power)])
    first = (running[half:-half] - running[: -2 * half]) / half
    second = (running[2 * half :] - running[half:-half]) / half
    dead = np.concatenate([[0], np.cumsum(silent)])
    level = 10 * np.log10((first + second) / 2 + 1e-20)
    change = np.abs(10 * np.log10((first + 1e-20) / (second + 1e-20)))
    peaks = 10 * np.log10(np.lib.stride_tricks.sliding_window_view(power, 2 * half).max(axis=1) + 1e-20)
    steady = (dead[2 * half :] == dead[: -2 * half]) & (change < GAPS.steady_db) & (peaks < level + GAPS.peaks_over_db)
    return level, steady


def measure_gaps(sound: Sound, gaps: list[tuple[int, int]]) -> tuple[Noise | None, Hum | None]:
    """Measure noise and hum in the gaps."""
    rate = sound.rate_hz
    pieces: list[tuple[int, int]] = []
    for start, stop in gaps:
        for at in range(start, stop, round(GAPS.piece_s * rate)):
            end = min(at + round(GAPS.piece_s * rate), stop)
            if end - at >= GAPS.shortest_piece_s * rate:
                pieces.append((at, end))
    if not pieces:
        return None, None
    most = max(1, round(GAPS.most_s / GAPS.piece_s))
    pieces = [pieces[k] for k in np.unique(np.linspace(0, len(pieces) - 1, min(len(pieces), most)).round().astype(int))]
    decimator = Decimator(rate)
    low = [decimator.stretch(sound, start, stop) for start, stop in pieces]
    free = [k for k, piece in enumerate(low) if not _rings(piece, decimator.rate_hz)]
    pieces, low = [pieces[k] for k in free], [low[k] for k in free]
    if not pieces:
        return None, None
    hum = _find_hum(low, decimator.rate_hz)
    return _noise_of(sound, pieces, hum), hum


def _rings(piece: FloatArray, rate_hz: float) -> bool:
    """Whether a note still rings in a piece: a line that no mains frequency explains."""
    power = np.abs(np.fft.rfft((piece - piece.mean()) * np.hanning(len(piece)))) ** 2
    hz = np.fft.rfftfreq(len(piece), 1 / rate_hz)
    inside = (hz > GAPS.note_hz[0]) & (hz < GAPS.note_hz[1])
    mains = np.minimum(np.abs(hz - 50 * np.rint(hz / 50)), np.abs(hz - 60 * np.rint(hz / 60)))
    free = inside & (mains > max(3.0, 2.2 * rate_hz / len(piece)))
    # The floor is seldom flat: each bin is measured against the half octave around it.
    level = np.log(power + 1e-30)
    for low in np.geomspace(*GAPS.note_hz, 7)[:-1]:
        part = (hz >= low) & (hz < low * 1.46)
        if np.count_nonzero(part & free) > 8:
            median = float(np.median(level[part]))
            if float(level[part & free].max()) - median > GAPS.note_over_db / 10 * math.log(10):
                return True
    return False


def _noise_of(sound: Sound, pieces: list[tuple[int, int]], hum: Hum | None) -> Noise | None:
    """Level of the gaps above the rumble, without the lines of the hum."""
    rate = sound.rate_hz
    # Bins of about 6 Hz, which separate the lines of a hum.
    size = 1 << round(math.log2(0.17 * rate))
    window = np.hanning(size + 1)[:-1]
    total, count, frames = np.zeros(size // 2 + 1), 0, 0
    for start, stop in pieces:
        frames += stop - start
        piece = sound.read(start, stop)
        if len(piece) < size:
            continue
        rows = np.lib.stride_tricks.sliding_window_view(piece, size)[:: size // 2]
        total += (np.abs(np.fft.rfft(rows * window, axis=1)) ** 2).sum(axis=0)
        count += len(rows)
    if not count:
        return None
    hz: FloatArray = np.fft.rfftfreq(size, 1 / rate).astype(np.float64)
    density = total / count * 2 / (rate * np.sum(window**2))
    kept = density.copy()
    if hum is not None:
        for line in hum.lines:
            away = np.abs(hz - line.hz)
            near = away < 2.5 * hz[1]
            beside = (away >= 2.5 * hz[1]) & (away < 6 * hz[1]) & (hz > LIMITS.lowest_noise_hz)
            kept[near] = np.minimum(kept[near], np.median(kept[beside]) if beside.any() else 0.0)
    kept[hz < LIMITS.lowest_noise_hz] = 0.0
    weight = 10 ** (response_db(k_weighting(rate), hz[1:], rate) / 10)
    power = float(kept.sum() * hz[1])
    if power <= 0:
        return None
    return Noise(10 * math.log10(power), lufs_of_power(float((kept[1:] * weight).sum() * hz[1])), frames / rate, hz,
                 density)


def _find_hum(pieces: list[FloatArray], rate_hz: float) -> Hum | None:
    """The mains series in the gaps, if there is one."""
    found = [hum for hum in (_series(pieces, rate_hz, mains) for mains in (50.0, 60.0)) if hum is not None]
    # 300 and 600 Hz belong to both series; the one with more lines, then the louder one, is the right one.
    return max(found, key=lambda hum: (len(hum.lines), hum.level_db), default=None)


def _series(pieces: list[FloatArray], rate_hz: float, mains_hz: float) -> Hum | None:
    """Lines at the multiples of a mains frequency, all pieces together."""
    longest = max(pieces, key=len)
    grid = mains_hz * (1 + np.linspace(-LIMITS.mains_reach, LIMITS.mains_reach, 9))
    numbers = np.arange(1, LIMITS.harmonics + 1)
    middle = mains_hz
    if len(longest) > 0.9 * rate_hz:
        strength = _amplitudes(longest, np.outer(grid, numbers[1:6]), rate_hz).sum(axis=1)
        middle = float(grid[int(np.argmax(strength))])
    hz: FloatArray = (numbers * middle).astype(np.float64)
    powers, around, fades = (np.empty((len(pieces), LIMITS.harmonics)) for _ in range(3))
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
    steady = (np.median(powers, axis=0) > power / 3) & (np.abs(np.median(fades, axis=0)) < LIMITS.fades_db)
    lines = [HumLine(float(hz[k]), 10 * math.log10(power[k] / 2), float(over_db[k]))
             for k in np.flatnonzero(steady & (over_db > LIMITS.line_over_db))]
    low = [line for line in lines if line.hz < 3.5 * mains_hz]
    if not low or (len(lines) < 2 and low[0].over_db < LIMITS.lone_line_over_db):
        return None
    return Hum(middle, 10 * math.log10(sum(10 ** (line.level_db / 10) for line in lines)), lines)


def _amplitudes(piece: FloatArray, hz: FloatArray, rate_hz: float) -> FloatArray:
    """Squared amplitudes of a piece at exact frequencies, through a Hann window; as many as frequencies."""
    count = len(piece)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(count) + 0.5) / count)
    rows = -(-count // _ROW)
    weighted = np.pad(window * (piece - piece.mean()), (0, rows * _ROW - count)).reshape(rows, _ROW)
    phase = 2 * np.pi / rate_hz * hz.ravel()
    inside, along = np.outer(np.arange(_ROW), phase), np.outer(np.arange(rows) * _ROW, phase)
    turned = weighted @ np.cos(inside) - 1j * (weighted @ np.sin(inside))
    sums = (turned * np.exp(-1j * along)).sum(axis=0)
    squared: FloatArray = np.abs(sums.reshape(hz.shape)) ** 2 * (2 / window.sum()) ** 2
    return squared

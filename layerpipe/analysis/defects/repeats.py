"""Parts of a take that are an earlier part of it once more: a section that was copied and pasted.

The course of the level says where an earlier part may be the same; there, short pieces of the wave decide. No two
performances have the same wave. Seconds count from the start of the sound.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.defects.copies import best_match
from layerpipe.core.sound import Float32Array, FloatArray, Sound


@dataclass(frozen=True)
class RepeatSettings:
    """What is compared, and what counts as the same; ours."""

    step_s: float = 0.02
    """Of the level; twice the step in which it was measured."""
    stretch_s: float = 3.0
    hop_s: float = 1.5
    alike: float = 0.9
    """Correlation of the level from which the wave is looked at: the same attacks, up to half a step apart."""
    least_spread: float = 0.05
    """Of the level, relative to its mean over the take; less is no course that could be recognised."""
    pieces: int = 4
    """Of each stretch, around its loudest places: what rings on from before a pasted section is in one of them."""
    agreeing: int = 3
    piece_s: float = 0.1
    near_s: float = 0.03
    same: float = 0.98
    """Correlation of the wave; a paste without processing has more than 0.999."""
    one_lag_s: float = 0.0005
    equal: float = 2e-6
    """Correlations of the level this close are equal: a product of 32-bit floats is no more exact."""
    at_once: int = 512
    """Stretches that are multiplied with as many others: 1 MB."""
    steps_at_once: int = 1 << 14
    """Stretches whose mean and spread are calculated."""
    edge_s: float = 0.1
    """How exactly the ends of a pasted section are found."""


REPEATS = RepeatSettings()


@dataclass(frozen=True)
class Repeat:
    """What sounds from `start_s` to `stop_s` is what sounds from `of_s` on, once more."""

    start_s: float
    stop_s: float
    of_s: float


def find_repeats(sound: Sound, *, power: Callable[[], FloatArray | Float32Array]) -> list[Repeat]:
    """Find pasted parts of a sound.

    Parameters
    ----------
    sound : Sound
    power : function
        Returns that of every 10 ms.

    Returns
    -------
    list of Repeat
        In order of time, each at least 3 s long.
    """
    size, hop = (round(length / REPEATS.step_s) for length in (REPEATS.stretch_s, REPEATS.hop_s))
    level = _level(power())
    found: list[tuple[float, float]] = []
    for at, earlier in _alike(level, size, hop):
        lag_s = _same_wave(sound, level[at : at + size], at * REPEATS.step_s, earlier * REPEATS.step_s)
        if lag_s is not None:
            found.append((at * REPEATS.step_s, lag_s))
    repeats: list[Repeat] = []
    for at_s, lag_s in found:
        stop_s, of_s = at_s + REPEATS.stretch_s, at_s - lag_s
        last = repeats[-1] if repeats else None
        if last is not None and at_s <= last.stop_s and abs(last.start_s - last.of_s - lag_s) < REPEATS.one_lag_s:
            repeats[-1] = Repeat(last.start_s, stop_s, last.of_s)
        else:
            repeats.append(Repeat(at_s, stop_s, of_s))
    return [_to_its_ends(sound, one) for one in repeats]


def _level(power: FloatArray | Float32Array) -> FloatArray:
    """Level of every two steps."""
    level: FloatArray = np.sqrt(power[: len(power) // 2 * 2].reshape(-1, 2).mean(axis=1, dtype=np.float64))
    return level


def _to_its_ends(sound: Sound, one: Repeat) -> Repeat:
    """A repeat as far as the wave is the same: its stretches reach over its ends, or not so far."""
    lag_s, edge_s, most = one.start_s - one.of_s, REPEATS.edge_s, round(REPEATS.hop_s / REPEATS.edge_s)

    def edges_from(at_s: float, step_s: float) -> int:
        """Edges by which an end is further on in the direction of `step_s`; fewer than 0 for the other."""
        inside_s = 0.0 if step_s > 0 else edge_s
        if _is_same(sound, at_s - (edge_s - inside_s), lag_s):
            return next((n for n in range(most) if not _is_same(sound, at_s + n * step_s - inside_s, lag_s)), most)
        return -next((n for n in range(2 * most) if _is_same(sound, at_s - (n + 1) * step_s - inside_s, lag_s)), 0)

    early, late = edges_from(one.start_s, -edge_s) * edge_s, edges_from(one.stop_s, edge_s) * edge_s
    return Repeat(one.start_s - early, one.stop_s + late, one.of_s - early)


def _is_same(sound: Sound, at_s: float, lag_s: float) -> bool:
    """Whether a short piece is that of `lag_s` before."""
    rate_hz, length = sound.rate_hz, round(REPEATS.edge_s * sound.rate_hz)
    start, there = round(at_s * rate_hz), round((at_s - lag_s) * rate_hz)
    if there < 2 or start + length > sound.frames:
        return False
    match = best_match(sound.read(start, start + length), sound.read(there - 2, there + length + 2))
    return match is not None and match[0] > REPEATS.same


def _alike(level: FloatArray, size: int, hop: int) -> list[tuple[int, int]]:
    """First steps of stretches, each with that of the earlier stretch whose level is most like its own.

    Every stretch is multiplied with every earlier one, many at a time: a matrix product takes 1 % of the time in which
    the song would be transformed for each stretch. What is alike is then calculated anew, with all digits.
    """
    starts = np.arange(size, len(level) - size + 1, hop)
    if not len(starts):
        return []
    peak, means, spreads = level.max() or 1.0, np.empty(len(starts)), np.empty((2, len(starts)))
    scale = np.empty(len(level) - size + 1, np.float32)
    for here, mean, spread in _moments(level, size):
        scale[here] = peak / spread
        inside = (starts >= here.start) & (starts < here.stop)
        means[inside], spreads[0, inside] = (of[starts[inside] - here.start] for of in (mean, spread))
    windows = np.lib.stride_tricks.sliding_window_view((level / peak).astype(np.float32), size)
    best, highest = np.zeros(len(starts), np.int64), np.full(len(starts), -np.inf, np.float32)
    for first in range(0, len(starts), REPEATS.at_once):
        later = starts[first : first + REPEATS.at_once]
        pieces = windows[later] - windows[later].mean(axis=1, keepdims=True)
        for begin in range(0, int(later[-1]) - size + 1, REPEATS.at_once):
            end = min(begin + REPEATS.at_once, int(later[-1]) - size + 1)
            alike = pieces @ (windows[begin:end] * scale[begin:end, None]).T
            if end > later[0] - size + 1:
                alike[np.arange(begin, end) > later[:, None] - size] = -np.inf
            value = alike.max(axis=1)
            better = np.flatnonzero(value > highest[first : first + len(later)] - REPEATS.equal)
            # Of equal ones the last: at its ends a section that was pasted twice is like the nearest one only.
            top = end - 1 - (alike[better, ::-1] >= value[better, None] - REPEATS.equal).argmax(axis=1)
            best[first + better] = top
            highest[first + better] = np.maximum(highest[first + better], value[better])
    for here, _, spread in _moments(level, size):
        inside = (best >= here.start) & (best < here.stop)
        spreads[1, inside] = spread[best[inside] - here.start]
    found = []
    for n, (at, earlier) in enumerate(zip(starts.tolist(), best.tolist(), strict=True)):
        product = float((level[at : at + size] - means[n]) @ level[earlier : earlier + size])
        if product / (size * spreads[0, n] * spreads[1, n]) > REPEATS.alike:
            found.append((at, earlier))
    return found


def _moments(level: FloatArray, size: int) -> Iterator[tuple[slice, FloatArray, FloatArray]]:
    """Mean and spread of the stretches of a level that begin at some steps, and then at the next ones."""
    least = (REPEATS.least_spread * level.mean()) ** 2 + 1e-20
    before = np.zeros(2)
    for first in range(0, len(level) - size + 1, REPEATS.steps_at_once):
        piece = level[first : first + REPEATS.steps_at_once + size - 1]
        sums, squares = (np.cumsum(np.concatenate([[start], of])) for start, of in zip(
            before, (piece, piece**2), strict=True))
        count = len(piece) - size + 1
        mean, square = ((of[size : size + count] - of[:count]) / size for of in (sums, squares))
        before = np.array([sums[count], squares[count]])
        yield slice(first, first + count), mean, np.sqrt(np.maximum(square - mean**2, least))


def _same_wave(sound: Sound, level: FloatArray, at_s: float, earlier_s: float) -> float | None:
    """How much later a stretch is than the earlier one, if both are one recording."""
    rate_hz, lags = sound.rate_hz, list[float]()
    length, near = round(REPEATS.piece_s * rate_hz), round(REPEATS.near_s * rate_hz)
    for number, part in enumerate(np.array_split(np.arange(len(level)), REPEATS.pieces)):
        if number - len(lags) > REPEATS.pieces - REPEATS.agreeing:
            return None
        start = round((at_s + float(part[int(level[part].argmax())]) * REPEATS.step_s) * rate_hz)
        there = start - round((at_s - earlier_s) * rate_hz)
        first = max(there - near, 0)
        if start + length > sound.frames:
            continue
        match = best_match(sound.read(start, start + length), sound.read(first, there + length + near))
        if match is not None and match[0] > REPEATS.same:
            lags.append((start - first - match[1]) / rate_hz)
    lag_s = float(np.median(lags)) if lags else 0.0
    agree = sum(abs(lag - lag_s) < REPEATS.one_lag_s for lag in lags)
    return lag_s if agree >= REPEATS.agreeing else None

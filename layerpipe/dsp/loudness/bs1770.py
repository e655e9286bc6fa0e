"""Loudness by ITU-R BS.1770-5 and EBU Tech 3341 / 3342, read from the energies of 10 ms steps.

A step's energy is the sum over its frames, and over the channels, of the K-weighted samples squared; step k covers
frames round(k rate / 100) to round((k+1) rate / 100). Every figure is a sum of whole steps: gating and short-term
blocks start every 100 ms, momentary ones every 10 ms, and a block that is not complete is never used. Results are
LUFS or LU; `None` means too short to measure, -inf means silence (or all of it under the absolute gate).
Sources: ITU-R BS.1770-5 (11/2023) Annex 1; EBU Tech 3341 and Tech 3342, version 4 (11/2023).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.dsp.filters import run_sections
from layerpipe.dsp.loudness.k_weighting import k_weighting

STEPS_PER_S = 100
HOP_STEPS = 10
MOMENTARY_STEPS = 40
SHORT_TERM_STEPS = 300

ABSOLUTE_GATE_LUFS = -70.0
INTEGRATED_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
_OFFSET_LU = -0.691
BLOCKS_AT_ONCE = 4096
# Exactly the weighted mean square at which BS.1770-5 eq. 2 reads the absolute gate.
ABSOLUTE_GATE_POWER = 10 ** ((ABSOLUTE_GATE_LUFS - _OFFSET_LU) / 10)


@dataclass(frozen=True)
class Loudness:
    """Loudness of one programme; None if too short to measure, -inf for silence."""

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    range_lu: float | None


def step_starts(first: int, stop: int, rate_hz: int, every: int = 1) -> npt.NDArray[np.int64]:
    """First frames of the 10 ms steps `first` to `stop`, both included, or of `every` second, third ... of them.

    Halves round up. The grid is counted from frame 0.
    """
    k = np.arange(first, stop + 1, every, dtype=np.int64)
    return (2 * k * rate_hz + STEPS_PER_S) // (2 * STEPS_PER_S)


def frames_of_steps(first: int, stop: int, rate_hz: int, every: int = 1) -> npt.NDArray[np.int64]:
    """How many frames each of the 10 ms steps `first` to `stop` holds, or `every` so many: not to be written to."""
    if rate_hz * every % STEPS_PER_S == 0:
        # All the same: one number in memory, where a long song would need millions.
        return np.broadcast_to(np.int64(rate_hz * every // STEPS_PER_S), ((stop - first) // every,))
    return np.diff(step_starts(first, stop, rate_hz, every))


def step_start(step: int, rate_hz: int) -> int:
    """First frame of one 10 ms step."""
    return (2 * step * rate_hz + STEPS_PER_S) // (2 * STEPS_PER_S)


def steps_inside(start_frame: int, stop_frame: int, rate_hz: int) -> tuple[int, int]:
    """First step and end (one past the last) of the 10 ms steps that are entirely inside a span of frames."""
    first = max(0, -(-start_frame * STEPS_PER_S // rate_hz) - 1)
    while step_start(first, rate_hz) < start_frame:
        first += 1
    stop = stop_frame * STEPS_PER_S // rate_hz + 1
    while step_start(stop, rate_hz) > stop_frame:
        stop -= 1
    return first, max(first, stop)


def lufs_of_power(power: float) -> float:
    """Loudness of a weighted mean square summed over the channels; 0 is -inf. BS.1770-5 eq. 2."""
    return _OFFSET_LU + 10 * math.log10(power) if power > 0 else -math.inf


def powers(steps: FloatArray, step_frames: npt.NDArray[np.int64], width_steps: int, hop_steps: int) -> FloatArray:
    """Mean square of every complete block of `width_steps` steps, one every `hop_steps`.

    Parameters
    ----------
    steps : np.ndarray [shape=(..., steps), float64]
        Energies.
    step_frames : np.ndarray [shape=(steps,), int64]
        Frames in each step.
    width_steps, hop_steps : int
        The width is a multiple of the hop.

    Returns
    -------
    np.ndarray [shape=(..., blocks), float64]
        None if there are fewer steps than one block needs.
    """
    whole = steps.shape[-1] // hop_steps
    hops = steps[..., : whole * hop_steps].reshape(*steps.shape[:-1], whole, hop_steps)
    frames = step_frames[: whole * hop_steps].reshape(whole, hop_steps)
    width = width_steps // hop_steps
    energy = _sliding_sums(hops.sum(axis=-1) if hop_steps > 1 else hops[..., 0], width)
    return energy / _sliding_sums(frames.sum(axis=-1).astype(np.float64), width)


def integrated(block_powers: FloatArray) -> float | None:
    """Integrated loudness of the powers of 400 ms blocks, one every 100 ms, in LUFS.

    References
    ----------
    BS.1770-5 eq. 4 to 7: absolute gate at -70 LKFS, then 10 LU below the mean of what passed; a block passes if it is
    *above*.
    """
    if block_powers.shape[-1] == 0:
        return None
    heard = block_powers[block_powers > ABSOLUTE_GATE_POWER]
    if not len(heard):
        return -math.inf
    kept = heard[heard > heard.mean() * 10 ** (INTEGRATED_GATE_LU / 10)]
    return lufs_of_power(float(kept.mean()))


def integrated_each(block_powers: Callable[[int, int], FloatArray], blocks: int) -> FloatArray:
    """`integrated` of several programmes, shape (programmes,); nan where there are no blocks.

    Parameters
    ----------
    block_powers : function of first, stop
        Powers of these blocks, shape (programmes, stop - first); of long programmes each is asked for twice.
    blocks : int
        Of each programme.
    """
    if blocks <= BLOCKS_AT_ONCE:
        held = block_powers(0, blocks)
        if not blocks:
            return np.full(len(held), np.nan)

    def mean_above(gate: FloatArray | float) -> FloatArray:
        def sums(first: int, stop: int) -> FloatArray:
            powers = held if blocks <= BLOCKS_AT_ONCE else block_powers(first, stop)
            heard = np.where(powers > gate, powers, 0.0)
            return np.stack([heard.sum(axis=1), np.count_nonzero(heard, axis=1)])

        power, passed = _sum_by_pieces(sums, 0, blocks)
        # Without a block above the gate it is 0 / 1: silence.
        mean: FloatArray = power / np.maximum(1, passed)
        return mean

    relative = mean_above(ABSOLUTE_GATE_POWER) * 10 ** (INTEGRATED_GATE_LU / 10)
    return lufs_of_powers(mean_above(np.maximum(relative, ABSOLUTE_GATE_POWER)[:, None]))


def _sum_by_pieces(sums: Callable[[int, int], FloatArray], first: int, stop: int) -> FloatArray:
    """Sum of pieces, cut and added as numpy cuts and adds a long row: the cuts change no bit."""
    if stop - first <= BLOCKS_AT_ONCE:
        return sums(first, stop)
    middle = first + (stop - first) // 2 // 8 * 8
    return _sum_by_pieces(sums, first, middle) + _sum_by_pieces(sums, middle, stop)


def lufs_of_powers(power: FloatArray) -> FloatArray:
    """`lufs_of_power` of each."""
    with np.errstate(divide="ignore"):
        return _OFFSET_LU + 10 * np.log10(power)


def loudest(block_powers: FloatArray) -> float | None:
    """Highest loudness among blocks, in LUFS: momentary for 400 ms blocks, short-term for 3 s blocks."""
    return lufs_of_power(float(block_powers.max())) if block_powers.shape[-1] else None


def loudness_range(block_powers: FloatArray) -> float | None:
    """Loudness range of the powers of 3 s blocks, one every 100 ms, in LU.

    None if there is no complete block or none reaches the absolute gate. Under about a minute of programme the
    figure is not yet stable (EBU Tech 3341, section 2.4).

    References
    ----------
    EBU Tech 3342: blocks *at or above* -70 LUFS, then at or above 20 LU below their mean power; 95th minus 10th
    percentile, each the nearest member of the sorted list.
    """
    heard = block_powers[block_powers >= ABSOLUTE_GATE_POWER]
    if not len(heard):
        return None
    kept = np.sort(heard[heard >= heard.mean() * 10 ** (RANGE_GATE_LU / 10)])
    low, high = (float(kept[math.floor((len(kept) - 1) * share + 0.5)]) for share in (0.10, 0.95))
    return 10 * math.log10(high / low)


def loudness_of_steps(steps: FloatArray, step_frames: npt.NDArray[np.int64]) -> Loudness:
    """All four figures from the energies of 10 ms steps, shape (steps,); the grid of blocks starts at the first."""
    short_term = powers(steps, step_frames, SHORT_TERM_STEPS, HOP_STEPS)
    return Loudness(
        integrated_lufs=integrated(powers(steps, step_frames, MOMENTARY_STEPS, HOP_STEPS)),
        momentary_max_lufs=_loudest_momentary(steps, step_frames),
        short_term_max_lufs=loudest(short_term),
        range_lu=loudness_range(short_term),
    )


def _loudest_momentary(steps: FloatArray, step_frames: npt.NDArray[np.int64]) -> float | None:
    """Highest loudness of the 400 ms blocks, one every 10 ms; piece by piece, for in a long song these are millions."""
    highest = []
    for at in range(0, len(steps) - MOMENTARY_STEPS + 1, BLOCKS_AT_ONCE):
        end = at + BLOCKS_AT_ONCE + MOMENTARY_STEPS - 1
        highest.append(float(powers(steps[at:end], step_frames[at:end], MOMENTARY_STEPS, 1).max()))
    return lufs_of_power(max(highest)) if highest else None


def measure(samples: npt.ArrayLike, rate_hz: int, *, weights: Sequence[float] | None = None) -> Loudness:
    """Measure a sound held in memory.

    Parameters
    ----------
    samples : array_like [shape=(frames,) or (frames, channels)]
        Full scale is 1.0. A mono sound counts as one channel of weight 1: the same sound on both sides of a stereo
        pair reads 3.01 LU more.
    rate_hz : int
        Frames per second, 8000 to 192000.
    weights : sequence of float, optional
        One per channel; 1.0 each unless given (BS.1770-5 table 3: 1.41 for the surrounds).

    Returns
    -------
    Loudness

    Raises
    ------
    ParameterError
        If the rate is outside the range, or the weights are not one per channel.
    """
    sound = np.asarray(samples, dtype=np.float64)
    sound = sound[:, None] if sound.ndim == 1 else sound
    if weights is not None and len(weights) != sound.shape[1]:
        raise ParameterError(f"weights: {len(weights)} given for {sound.shape[1]} channels")
    meter = LoudnessMeter(rate_hz, weights if weights is not None else [1.0] * sound.shape[1])
    meter.add(sound)
    return meter.loudness


class LoudnessMeter:
    """Measures a stream of (frames, channels), one weight each; where it is cut into blocks changes no bit."""

    def __init__(self, rate_hz: int, weights: Sequence[float] = (1.0, 1.0)) -> None:
        self._rate_hz, self._weights, self._sections = rate_hz, weights, k_weighting(rate_hz)
        self._states: list[FloatArray | None] = [None] * len(weights)
        self._rest = [np.zeros(0) for _ in weights]
        self._steps: list[FloatArray] = []
        self._frames = self._done = 0

    def add(self, block: FloatArray) -> None:
        """Add the next frames."""
        self._frames += len(block)
        first, stop = self._done, steps_inside(0, self._frames, self._rate_hz)[1]
        starts = step_starts(first, stop, self._rate_hz) - step_start(first, self._rate_hz)
        steps = np.zeros(stop - first)
        for channel, weight in enumerate(self._weights):
            heard, self._states[channel] = run_sections(self._sections, block[:, channel], self._states[channel])
            heard = np.concatenate([self._rest[channel], heard])
            self._rest[channel] = heard[starts[-1] :]
            if len(steps):
                steps += weight * np.add.reduceat(heard[: starts[-1]] ** 2, starts[:-1])
        self._steps.append(steps)
        self._done = stop

    @property
    def loudness(self) -> Loudness:
        """Loudness of what was added so far; an incomplete last step is not counted."""
        return loudness_of_steps(np.concatenate([*self._steps, np.zeros(0)]),
                                 frames_of_steps(0, self._done, self._rate_hz))


def _sliding_sums(values: FloatArray, width: int) -> FloatArray:
    """Sums of `width` neighbours, by doubling: a running sum would round away quiet blocks beside loud ones."""
    count = values.shape[-1] - width + 1
    if count <= 0:
        return values[..., :0]
    total: FloatArray | None = None
    power, done, span = values, 0, 1
    while done < width:
        if width & span:
            piece = power[..., done : done + count]
            total = piece.copy() if total is None else total + piece
            done += span
        if 2 * span <= width:
            power = power[..., :-span] + power[..., span:]
        span *= 2
    assert total is not None
    return total

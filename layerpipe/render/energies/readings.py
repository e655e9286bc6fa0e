"""Every loudness of every blend, from the inner products of its takes: no sound is touched after the first pass.

K-weighting is linear. With G the products of one step and a_left, a_right the gains (level, pan, polarity) of the
takes, the step's energy is a_left' G a_left + a_right' G a_right. Gains are amplitude factors, constant or one set per
10 ms step of the song (the root mean square of a ramp inside its step). Loudness is LUFS as in `dsp.loudness`, with
its None ("not measurable") and -inf (silence). Blocks of a section begin at the first step that lies wholly inside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.dsp import loudness
from layerpipe.render.energies.meter import DamagedEnergies, Energies, EnergyMeter

__all__ = ["Blend", "DamagedEnergies", "Energies", "EnergyMeter", "Gains", "Piece", "Readings", "hear", "hear_by_piece",
           "readings", "rows_of"]

Gains = FloatArray | Callable[[int, int], FloatArray]
"""Per take: shape (takes,); per step and take: (steps of the song, takes), or what gives rows first to stop of that."""
Piece = tuple[FloatArray, FloatArray, FloatArray]
_QUIETEST_POWER = 2.0**-46 / 12
"""Mean square of the rounding to 24 bits. What is left below it of takes that cancel is the rounding of the sums, which
depends on the processor; a correlation of that means nothing."""


@dataclass(frozen=True)
class Readings:
    """What the meters show of a blend over a span.

    `correlation` is that of left and right, unweighted, over the whole hops of 100 ms; None where a side is silent.
    `mono_loss_lu` is the loudness in stereo less the loudness of (left + right) / 2 on both speakers: 0 for equal
    sides, 3.01 for independent or hard-panned ones, inf where the sides cancel. A take alone, with no right side, is
    measured as one channel of weight 1.
    """

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    range_lu: float | None
    correlation: float | None
    mono_loss_lu: float | None


@dataclass(frozen=True)
class Blend:
    """A blend's energies: (steps,) in stereo and folded to mono, and (hops, 3) unweighted left, right, and across."""

    rate_hz: int
    first_step: int
    stereo: FloatArray
    mono: FloatArray
    plain: FloatArray

    def readings(self, start_frame: int = 0, stop_frame: int | None = None) -> Readings:
        """Read a span of frames; only steps that lie wholly inside it, and were heard, count."""
        stereo, frames = self._span(self.stereo, start_frame, stop_frame)
        mono, _ = self._span(self.mono, start_frame, stop_frame)
        shown = loudness.loudness_of_steps(stereo, frames)
        folded = loudness.integrated(loudness.powers(mono, frames, loudness.MOMENTARY_STEPS, loudness.HOP_STEPS))
        first, stop = _inside(self, start_frame, stop_frame)
        hop = self.first_step // loudness.HOP_STEPS
        plain = self.plain[-(-first // loudness.HOP_STEPS) - hop : max(0, stop // loudness.HOP_STEPS - hop)]
        left, right, across = plain.sum(axis=0)
        quietest = _QUIETEST_POWER * len(plain) * loudness.HOP_STEPS * self.rate_hz / loudness.STEPS_PER_S
        lufs = shown.integrated_lufs
        both_sound = min(left, right) > quietest
        return Readings(
            lufs, shown.momentary_max_lufs, shown.short_term_max_lufs, shown.range_lu,
            correlation=float(np.clip(across / math.sqrt(left * right), -1, 1)) if both_sound else None,
            mono_loss_lu=None if lufs is None or folded is None or lufs == -math.inf else lufs - folded,
        )

    def gating_blocks(self, steps: FloatArray, start_frame: int, stop_frame: int | None,
                      width_steps: int) -> FloatArray:
        """Powers of the blocks of a span, one every 100 ms, from `self.stereo` or `self.mono`."""
        inside, frames = self._span(steps, start_frame, stop_frame)
        return loudness.powers(inside, frames, width_steps, loudness.HOP_STEPS)

    def _span(self, steps: FloatArray, start_frame: int,
              stop_frame: int | None) -> tuple[FloatArray, npt.NDArray[np.int64]]:
        """The steps of a span and how many frames each holds."""
        first, stop = _inside(self, start_frame, stop_frame)
        starts = loudness.step_starts(first, stop, self.rate_hz)
        return steps[first - self.first_step : stop - self.first_step], np.diff(starts)


def hear(energies: Energies, blends: Sequence[tuple[Gains, Gains]], start_frame: int = 0,
         stop_frame: int | None = None) -> list[Blend]:
    """Follow several blends through the song in one pass over the products.

    Parameters
    ----------
    blends : sequence of (left, right)
        Gains of the takes on either side; see `Gains`.
    start_frame, stop_frame : int
        Hear this part only; nothing outside it can be read later.

    Returns
    -------
    list of Blend [about 16 bytes per step each]

    Raises
    ------
    ParameterError
        If gains have another shape.
    """
    heard: list[list[Piece]] = [[(np.zeros(0), np.zeros(0), np.zeros((0, 3)))] for _ in blends]
    for pieces in hear_by_piece(energies, blends, start_frame, stop_frame):
        for so_far, piece in zip(heard, pieces, strict=True):
            so_far.append(piece)
    first, _ = _steps_heard(energies, start_frame, stop_frame)
    result = []
    for so_far in heard:
        result.append(Blend(energies.rate_hz, first // loudness.HOP_STEPS * loudness.HOP_STEPS,
                            *(np.concatenate(parts) for parts in zip(*so_far, strict=True))))
        so_far.clear()
    return result


def hear_by_piece(energies: Energies, blends: Sequence[tuple[Gains, Gains]], start_frame: int = 0,
                  stop_frame: int | None = None) -> Iterator[list[Piece]]:
    """As `hear`, piece by piece of the song: for each piece one list, of each blend the arrays of a `Blend`."""
    first, stop = _steps_heard(energies, start_frame, stop_frame)
    sides = [tuple(rows_of(gains, energies) for gains in blend) for blend in blends]
    upper, lower = np.triu_indices(energies.takes)
    for at, weighted, plain in energies.chunks(first, stop):
        end = at + len(weighted)
        pieces: list[Piece] = []
        for left_of, right_of in sides:
            left, right = left_of(at, end), right_of(at, end)
            middle = (left + right) / 2
            stereo = _form(weighted, _pairs(left, left, upper, lower) + _pairs(right, right, upper, lower))
            mono = _form(weighted, 2 * _pairs(middle, middle, upper, lower))
            a, b = _by_hop(left, len(plain)), _by_hop(right, len(plain))
            sums = [_form(plain, _pairs(one, other, upper, lower)) for one, other in ((a, a), (b, b), (a, b))]
            # Where takes cancel, rounding may leave a hair less than nothing.
            pieces.append((np.maximum(stereo[: stop - at], 0.0), np.maximum(mono[: stop - at], 0.0),
                           np.stack(sums, axis=1)))
        yield pieces


def readings(energies: Energies, left: Gains, right: Gains, start_frame: int = 0,
             stop_frame: int | None = None) -> Readings:
    """Read one blend over one span: `hear` and `Blend.readings` in one. For many spans or blends use those."""
    return hear(energies, [(left, right)], start_frame, stop_frame)[0].readings(start_frame, stop_frame)


def rows_of(gains: Gains, energies: Energies) -> Callable[[int, int], FloatArray]:
    """Gains of steps first to stop: (takes,) where nothing changes in between, else (steps, takes).

    Raises
    ------
    ParameterError
        If gains have another shape; those that are asked for step by step, when they are.
    """
    if callable(gains):
        def called(first: int, stop: int) -> FloatArray:
            return _plainest(gains(first, stop), stop - first, energies)
        return called
    held = np.asarray(gains, dtype=np.float64)
    if held.ndim == 1:
        _plainest(held, 0, energies)
        return lambda first, stop: held
    if held.shape != (energies.steps, energies.takes):
        raise ParameterError(f"gains of shape {held.shape}: must be ({energies.takes},) or "
                             f"({energies.steps}, {energies.takes})")
    return lambda first, stop: _plainest(held[first:stop], stop - first, energies)


def _plainest(rows: FloatArray, steps: int, energies: Energies) -> FloatArray:
    """Checked for shape; one row if all are the same."""
    if rows.shape not in ((energies.takes,), (steps, energies.takes)):
        raise ParameterError(f"gains of shape {rows.shape}: must be ({energies.takes},) or "
                             f"({steps}, {energies.takes})")
    return rows[0] if rows.ndim == 2 and len(rows) and bool((rows == rows[0]).all()) else rows


def _by_hop(rows: FloatArray, hops: int) -> FloatArray:
    """Mean gains of each whole hop."""
    if rows.ndim == 1:
        return rows
    whole: FloatArray = rows[: hops * loudness.HOP_STEPS].reshape(hops, loudness.HOP_STEPS, -1).mean(axis=1)
    return whole


def _pairs(one: FloatArray, other: FloatArray, upper: npt.NDArray[np.intp], lower: npt.NDArray[np.intp]) -> FloatArray:
    """Weights of the packed products in the inner product of two mixes of the takes, shape (..., pairs)."""
    swapped = one[..., lower] * other[..., upper]
    weights: FloatArray = one[..., upper] * other[..., lower] + np.where(upper == lower, 0.0, swapped)
    return weights


def _form(products: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted sums of each step's products; what weighs nothing is not read."""
    used = np.flatnonzero(weights if weights.ndim == 1 else weights.any(axis=0))
    if len(used) < products.shape[1]:
        products, weights = products[:, used], weights[..., used]
    result: FloatArray = products @ weights if weights.ndim == 1 else np.einsum("sp,sp->s", products, weights)
    return result


def _steps_heard(energies: Energies, start_frame: int, stop_frame: int | None) -> tuple[int, int]:
    """Steps of the energies that lie wholly inside a span of frames."""
    stop_frame = energies.frames if stop_frame is None else stop_frame
    first, stop = loudness.steps_inside(max(0, start_frame), stop_frame, energies.rate_hz)
    stop = min(stop, energies.steps)
    return min(first, stop), stop


def _inside(blend: Blend, start_frame: int, stop_frame: int | None) -> tuple[int, int]:
    """Steps of a span of frames that were heard."""
    end = blend.first_step + len(blend.stereo)
    if stop_frame is None:
        stop_frame = loudness.step_start(end, blend.rate_hz)
    first, stop = loudness.steps_inside(max(0, start_frame), stop_frame, blend.rate_hz)
    first = min(max(first, blend.first_step), end)
    return first, max(first, min(stop, end))

"""A layer at many levels: what each does to the loudness of the blend, and which one gives a wanted difference.

Each step's energy is a quadratic in the layer's gain, so three measurements of the song give those of every level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.loudness import bs1770 as loudness
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.mixes import Mix, measure_hops
from layerpipe.render.energies.readings import Hops

_VALUES_AT_ONCE = 1 << 16
"""Levels times blocks in one array: 512 KB."""


@dataclass(frozen=True)
class Sweep:
    """What a layer does at each of several levels: arrays (levels,); nan is "not measurable", -inf silence.

    `added_lu`: loudness of the blend less that of the rest alone. `relative_lu`: loudness of the layer alone less that
    of the reference alone, so a layer 9 LU under it reads -9. `mono_loss_lu` as in `Readings`.
    """

    levels_db: FloatArray
    integrated_lufs: FloatArray
    short_term_max_lufs: FloatArray
    added_lu: FloatArray
    relative_lu: FloatArray
    mono_loss_lu: FloatArray


def sweep(energies: Energies, rest: Mix, layer: Mix, levels_db: npt.ArrayLike, start_frame: int = 0,
          stop_frame: int | None = None, *, reference: Mix | None = None) -> Sweep:
    """Try many levels of one layer at once.

    Parameters
    ----------
    energies : Energies
    rest : Mix
        The rest of the blend.
    layer : Mix
        The layer at level 0 dB.
    levels_db : array_like [shape=(levels,)]
        -inf is the rest alone.
    start_frame, stop_frame : int
    reference : Mix, optional
        What `relative_lu` is relative to; the rest unless given.

    Returns
    -------
    Sweep
        Each figure equals a full measurement of the span of the blend at that level.
    """
    levels = np.atleast_1d(np.asarray(levels_db, dtype=np.float64))
    compared = None if reference is None else _integrated(measure_hops(energies, reference, start_frame, stop_frame))
    # One after the other: of each only the hops are kept.
    measured = [measure_hops(energies, mix, start_frame, stop_frame) for mix in (rest, rest + layer, layer)]
    gating, shorts = (measured[0].blocks(width) for width in (loudness.MOMENTARY_STEPS, loudness.SHORT_TERM_STEPS))

    @lru_cache(maxsize=3)
    def parts(fold: int, width: int, first: int, stop: int) -> list[FloatArray]:
        """Powers of blocks: what counts once, times the gain, and times its square."""
        at_0, at_1, of_layer = (hops.powers(fold, width, first, stop) for hops in measured)
        return [at_0, at_1 - at_0 - of_layer, of_layer]

    def swept(fold: int, width: int, gain: FloatArray, first: int, stop: int) -> FloatArray:
        a, b, c = parts(fold, width, first, stop)
        return np.maximum(a + gain * b + gain * gain * c, 0.0)

    out = np.full((4, len(levels)), np.nan)
    gains = 10 ** (levels / 20)
    size = max(1, _VALUES_AT_ONCE // max(1, min(gating, loudness.BLOCKS_AT_ONCE)))
    for at in range(0, len(levels), size):
        gain = gains[at : at + size, None]
        part = out[:, at : at + size]
        for fold in (0, 1):
            part[fold] = loudness.integrated_each(partial(swept, fold, loudness.MOMENTARY_STEPS, gain), gating)
        part[2] = loudness.integrated_each(partial(_alone, gain, measured[2]), gating)
        highest = [swept(0, loudness.SHORT_TERM_STEPS, gain, first, min(first + loudness.BLOCKS_AT_ONCE, shorts)
                         ).max(axis=1) for first in range(0, shorts, loudness.BLOCKS_AT_ONCE)]
        if highest:
            part[3] = loudness.lufs_of_powers(np.max(highest, axis=0))
    rest_alone = _integrated(measured[0])
    compared = rest_alone if compared is None else compared
    with np.errstate(invalid="ignore"):
        return Sweep(levels, out[0], out[3], added_lu=out[0] - rest_alone, relative_lu=out[2] - compared,
                     mono_loss_lu=out[0] - out[1])


def _alone(gain: FloatArray, hops: Hops, first: int, stop: int) -> FloatArray:
    """Powers of gating blocks of a mix alone at gains (gains, 1)."""
    return gain * gain * hops.powers(0, loudness.MOMENTARY_STEPS, first, stop)


def _integrated(hops: Hops) -> float:
    """Loudness of a mix alone; nan where it is too short."""
    alone = partial(_alone, np.ones((1, 1)), hops)
    return float(loudness.integrated_each(alone, hops.blocks(loudness.MOMENTARY_STEPS))[0])


def level_for_difference(energies: Energies, reference: Mix, layer: Mix, under_lu: float, start_frame: int = 0,
                         stop_frame: int | None = None) -> float | None:
    """Find the level at which a layer alone is `under_lu` quieter than a reference alone.

    Parameters
    ----------
    energies : Energies
    reference, layer : Mix
        The rest of the blend or another layer, and the layer at level 0 dB.
    under_lu : float
        9 puts the layer 9 LU under the reference; negative puts it over.
    start_frame, stop_frame : int

    Returns
    -------
    float or None
        Level in dB, such that `Sweep.relative_lu` there is -under_lu; None where either is silent in the span or the
        span is too short to measure. Where a quiet passage of the layer crosses the absolute gate its loudness jumps,
        and no level meets a difference inside the jump: the lowest level past it is given.
    """
    of_reference, of_layer = (measure_hops(energies, mix, start_frame, stop_frame).powers(0, loudness.MOMENTARY_STEPS)
                              for mix in (reference, layer))
    alone = loudness.integrated(of_reference)
    if alone is None or alone == -math.inf or not np.any(of_layer > 0):
        return None
    wanted = alone - under_lu
    peak = 10 * math.log10(float(of_layer.max()))
    # The layer is nowhere louder than its loudest block, and its gated mean is never 100 LU under that.
    low, high = wanted - peak - 10, max(wanted, loudness.ABSOLUTE_GATE_LUFS) - peak + 110
    while high - low > 1e-9:
        middle = (low + high) / 2
        found = loudness.integrated(of_layer * 10 ** (middle / 10))
        assert found is not None
        low, high = (low, middle) if found >= wanted else (middle, high)
    return high


"""A layer at many levels: what each does to the loudness of the blend, and which one gives a wanted difference.

Each step's energy is a quadratic in the layer's gain, so three measurements of the song give those of every level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.loudness import bs1770 as loudness
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.mixes import Mix, measure_mixes
from layerpipe.render.energies.readings import Blend

_VALUES_AT_ONCE = 1 << 18
"""Levels times blocks in one array: 2 MB."""


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
    mixes = [rest, rest + layer, layer] + ([] if reference is None else [reference])
    # One after the other: of each only a block of every 100 ms is kept.
    measured = [_blocks(measure_mixes(energies, [mix], start_frame, stop_frame)[0], start_frame, stop_frame)
                for mix in mixes]
    blocks = {}
    for kind in measured[0]:
        at_0, at_1, of_layer = (found[kind] for found in measured[:3])
        blocks[kind] = at_0, at_1 - at_0 - of_layer, of_layer
    out = np.full((4, len(levels)), np.nan)
    gains = 10 ** (levels / 20)
    size = max(1, _VALUES_AT_ONCE // max(1, len(blocks["gating", "stereo"][0])))
    for at in range(0, len(levels), size):
        gain = gains[at : at + size, None]
        part = out[:, at : at + size]
        swept = {key: np.maximum(a + gain * b + gain * gain * c, 0.0) for key, (a, b, c) in blocks.items()}
        part[0] = loudness.integrated_each(swept["gating", "stereo"])
        part[1] = loudness.integrated_each(swept["gating", "mono"])
        part[2] = loudness.integrated_each(gain * gain * blocks["gating", "stereo"][2])
        if swept["short", "stereo"].shape[1]:
            part[3] = loudness.lufs_of_powers(swept["short", "stereo"].max(axis=1))
    alone, compared = (float(loudness.integrated_each(found["gating", "stereo"][None])[0])
                       for found in (measured[0], measured[0 if reference is None else 3]))
    with np.errstate(invalid="ignore"):
        return Sweep(levels, out[0], out[3], added_lu=out[0] - alone, relative_lu=out[2] - compared,
                     mono_loss_lu=out[0] - out[1])


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
    of_reference, of_layer = (_blocks(measure_mixes(energies, [mix], start_frame, stop_frame)[0], start_frame,
                                      stop_frame)["gating", "stereo"] for mix in (reference, layer))
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


def _blocks(blend: Blend, start_frame: int, stop_frame: int | None) -> dict[tuple[str, str], FloatArray]:
    """Powers of the blocks of a span, one every 100 ms, by kind and fold."""
    return {(kind, fold): blend.gating_blocks(getattr(blend, fold), start_frame, stop_frame, width)
            for kind, fold, width in (("gating", "stereo", loudness.MOMENTARY_STEPS),
                                      ("gating", "mono", loudness.MOMENTARY_STEPS),
                                      ("short", "stereo", loudness.SHORT_TERM_STEPS))}

"""A layer at many levels: what each does to the loudness of the blend, and which one puts it where it is wanted.

Each step's energy is a quadratic in the layer's gain, so that three readings of the song give those of every level.
Figures and gains are those of `energies.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray
from layerpipe.dsp import loudness
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.readings import Blend, Gains, hear, rows_of

_SWEPT_AT_ONCE = 1 << 18


@dataclass(frozen=True)
class Sweep:
    """What a layer does at each of several levels: arrays (levels,); nan is "not measurable", -inf silence.

    `adds_lu`: loudness of the blend less that of the rest alone. `against_rest_lu`: loudness of the layer alone less
    that of the rest alone, so a layer that sits 9 LU under reads -9. `mono_loss_lu` as in `Readings`.
    """

    levels_db: FloatArray
    integrated_lufs: FloatArray
    short_term_max_lufs: FloatArray
    adds_lu: FloatArray
    against_rest_lu: FloatArray
    mono_loss_lu: FloatArray


def sweep(energies: Energies, fixed_left: Gains, fixed_right: Gains, layer_left: Gains, layer_right: Gains,
          levels_db: npt.ArrayLike, start_frame: int = 0, stop_frame: int | None = None) -> Sweep:
    """Try many levels of one layer at once: each step's energy is a quadratic in the layer's gain.

    Parameters
    ----------
    fixed_left, fixed_right : Gains
        The rest of the blend; zero for the takes of the layer.
    layer_left, layer_right : Gains
        The layer at level 0 dB; zero for all other takes.
    levels_db : array_like [shape=(levels,)]
        -inf is the rest alone.

    Returns
    -------
    Sweep
        Each figure equals a full measurement of the span of the blend at that level.
    """
    levels = np.atleast_1d(np.asarray(levels_db, dtype=np.float64))
    rest, layer, both = _three(energies, (fixed_left, fixed_right), (layer_left, layer_right), start_frame, stop_frame)
    blocks = {}
    for name, width in (("gating", loudness.MOMENTARY_STEPS), ("short", loudness.SHORT_TERM_STEPS)):
        for fold in ("stereo", "mono") if name == "gating" else ("stereo",):
            at_0, at_1, of_layer = (blend.gating_blocks(getattr(blend, fold), start_frame, stop_frame, width)
                                    for blend in (rest, both, layer))
            blocks[name, fold] = at_0, at_1 - at_0 - of_layer, of_layer
    out = np.full((4, len(levels)), np.nan)
    gains = 10 ** (levels / 20)
    size = max(1, _SWEPT_AT_ONCE // max(1, len(blocks["gating", "stereo"][0])))
    for at in range(0, len(levels), size):
        gain = gains[at : at + size, None]
        part = out[:, at : at + size]
        swept = {key: np.maximum(a + gain * b + gain * gain * c, 0.0) for key, (a, b, c) in blocks.items()}
        part[0] = loudness.integrated_each(swept["gating", "stereo"])
        part[1] = loudness.integrated_each(swept["gating", "mono"])
        part[2] = loudness.integrated_each(gain * gain * blocks["gating", "stereo"][2])
        if swept["short", "stereo"].shape[1]:
            part[3] = loudness.lufs_of_powers(swept["short", "stereo"].max(axis=1))
    alone = float(loudness.integrated_each(blocks["gating", "stereo"][0][None])[0])
    with np.errstate(invalid="ignore"):
        return Sweep(levels, out[0], out[3], adds_lu=out[0] - alone, against_rest_lu=out[2] - alone,
                     mono_loss_lu=out[0] - out[1])


def level_for_difference(energies: Energies, fixed_left: Gains, fixed_right: Gains, layer_left: Gains,
                         layer_right: Gains, under_lu: float, start_frame: int = 0,
                         stop_frame: int | None = None) -> float | None:
    """Find the level at which a layer alone is `under_lu` quieter than the rest alone.

    Parameters
    ----------
    under_lu : float
        9 puts the layer 9 LU under the rest; negative puts it over.

    Returns
    -------
    float or None
        Level in dB, such that `Sweep.against_rest_lu` there is -under_lu; None where either is silent in the span
        or the span is too short to measure. Where a quiet passage of the layer crosses the absolute gate its
        loudness jumps, and a difference inside the jump is met by no level: the lowest one past it is given.
    """
    rest, layer = hear(energies, [(fixed_left, fixed_right), (layer_left, layer_right)], start_frame, stop_frame)
    of_rest, of_layer = (blend.gating_blocks(blend.stereo, start_frame, stop_frame, loudness.MOMENTARY_STEPS)
                         for blend in (rest, layer))
    alone = loudness.integrated(of_rest)
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


def _three(energies: Energies, fixed: tuple[Gains, Gains], layer: tuple[Gains, Gains], start_frame: int,
           stop_frame: int | None) -> list[Blend]:
    """The rest alone, the layer alone, both."""
    def added(side: int) -> Gains:
        one, other = rows_of(fixed[side], energies), rows_of(layer[side], energies)
        return lambda first, stop: one(first, stop) + other(first, stop)
    return hear(energies, [fixed, layer, (added(0), added(1))], start_frame, stop_frame)

"""Sums of decaying sines, of which most made-up sounds consist."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


class Wave(NamedTuple):
    """A decaying sine that ends after some frames."""

    level: float
    pitch_hz: float
    phase: float
    pace: float
    """It falls as exp(-pace t)."""
    frames: int


def sum_waves(waves: list[Wave], frames: int, rate_hz: int, *, rises: Array | None = None) -> Array:
    """Add up level sin(2 pi pitch t + phase) exp(-pace t), with `rises` times 1 - exp(-rise t).

    With frame n = step k + j each is a product of a power for k and one for j, and all together are one product of
    matrices: ten times as fast as sine by sine.
    """
    levels, pitches, phases, paces, lengths = np.array(waves).T
    all_paces = paces[np.newaxis] if rises is None else np.stack([paces, paces + rises])
    signs = np.array([[1.0], [-1.0]])[: len(all_paces)]
    per_frame = (2j * math.pi * pitches - all_paces) / rate_hz
    step = math.isqrt(frames) + 1
    count = np.arange(step)
    coarse = np.exp(per_frame[..., np.newaxis] * (step * count))
    coarse *= (signs * levels * np.exp(1j * phases))[..., np.newaxis]
    coarse *= step * count < lengths[:, np.newaxis]
    fine = np.exp(per_frame[..., np.newaxis] * count)
    out = np.zeros((step, step))
    for left, right in ((coarse.real, fine.imag), (coarse.imag, fine.real)):
        out += np.tensordot(left, right, axes=((0, 1), (0, 1)))
    for n, length in enumerate(lengths.astype(int)):
        # The step in which a wave ends was added whole.
        last, kept = divmod(length - 1, step)
        out[last, kept + 1 :] -= (coarse[:, n, last] @ fine[:, n, kept + 1 :]).imag
    return out.ravel()[:frames]

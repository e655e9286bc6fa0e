"""The K-weighting of ITU-R BS.1770-5 at any rate.

Its parameters are the analogue-matched ones of De Man, AES Convention 145 (2018), which meet the tables of the standard
at 48 kHz.
"""

from __future__ import annotations

import math

import numpy as np

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray

_HIGH_PASS_A0_48K = 1 + (_K := math.tan(math.pi * 38.13547087613982 / 48000)) / 0.5003270373253953 + _K * _K
_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ = 8000, 192000


def k_weighting(rate_hz: int) -> FloatArray:
    """Design the K-weighting: a high shelf for the head, then a high-pass, as second-order sections.

    Parameters
    ----------
    rate_hz : int
        Frames per second, 8000 to 192000.

    Returns
    -------
    np.ndarray [shape=(2, 6), float64]
        Rows for `run_sections`. The high-pass numerator is 1, -2, 1 at 48 kHz, as in the standard's table, and
        scaled at other rates so that the pass band has the same gain there ("the same frequency response"). Meters
        that keep 1, -2, 1 at every rate read 0.004 dB higher at 44.1 kHz and 0.02 dB lower at 96 kHz.

    Raises
    ------
    ParameterError
        If the rate is outside the range.

    References
    ----------
    ITU-R BS.1770-5 Annex 1, tables 1 and 2; De Man (2018) for the analogue parameters behind them.
    """
    if not _LOWEST_RATE_HZ <= rate_hz <= _HIGHEST_RATE_HZ:
        raise ParameterError(f"rate_hz={rate_hz} must be inside [{_LOWEST_RATE_HZ}, {_HIGHEST_RATE_HZ}]")
    k, q = math.tan(math.pi * 1681.9744509555319 / rate_hz), 0.7071752369554193
    high = 10 ** (3.99984385397 / 20)
    # Gain of the shelf at its centre: the exponent that fits the standard's table, close to a square root.
    middle = high**0.499666774155
    a0 = 1 + k / q + k * k
    shelf = [(high + middle * k / q + k * k) / a0, 2 * (k * k - high) / a0, (high - middle * k / q + k * k) / a0,
             1.0, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0]
    k, q = math.tan(math.pi * 38.13547087613982 / rate_hz), 0.5003270373253953
    a0 = 1 + k / q + k * k
    # The table's numerator, 1 -2 1, raises the pass band by 0.043 dB at 48 kHz; other rates are scaled to match.
    b0 = _HIGH_PASS_A0_48K / a0
    high_pass = [b0, -2 * b0, b0, 1.0, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0]
    return np.array([shelf, high_pass])

"""Constant-power panning of a mono take.

Pan runs from -100 (left) over 0 to 100 (right); gains are amplitude factors, and left^2 + right^2 = 1 everywhere.
"""

from __future__ import annotations

import math

from layerpipe.core.errors import ParameterError


def pan_gains(pan: float) -> tuple[float, float]:
    """Left and right gain by the sine/cosine law.

    Parameters
    ----------
    pan : float
        -100 left ... 0 centre (-3.01 dB on both sides) ... 100 right.

    Returns
    -------
    (left, right) : floats inside [0, 1], exactly 0 on the far side of a hard pan.

    Raises
    ------
    ParameterError
        If pan is outside [-100, 100].

    References
    ----------
    Sine/cosine panning, e.g. Zolzer (ed.), DAFX: Digital Audio Effects, 2nd ed., Wiley, 2011 (that it has
    this law: from memory).
    """
    if not -100 <= pan <= 100:
        raise ParameterError(f"pan={pan:g} must be inside [-100, 100]")
    if abs(pan) == 100:
        # cos(pi/2) is 6e-17 in floating point; a hard pan must be silent on the far side.
        return (1.0, 0.0) if pan < 0 else (0.0, 1.0)
    theta = (pan / 100 + 1) * math.pi / 4
    return math.cos(theta), math.sin(theta)

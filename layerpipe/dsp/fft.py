"""Lengths at which the fast Fourier transform is fast."""

from __future__ import annotations

import math


def next_fast_length(least: int) -> int:
    """Smallest fast length of at least `least`: 1, 3, 5, 9 or 15 times a power of two."""
    return min(odd << max(math.ceil(math.log2(least / odd)), 0) for odd in (1, 3, 5, 9, 15))

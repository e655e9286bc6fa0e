"""Lengths that the fast Fourier transform is fast at."""

from __future__ import annotations

import math


def next_fast_length(least: int) -> int:
    """A length of at least so much that is quickly transformed: an odd number made of threes and fives, doubled."""
    return min(odd << max(math.ceil(math.log2(least / odd)), 0) for odd in (1, 3, 5, 9, 15))

"""High-passes, shelves and bells: designed in closed form, run as streams of second-order sections.

Corners are Hz, gains dB; a section is a row b0 b1 b2 1 a1 a2, normalised to a0 = 1. State goes in and comes out.
Sources: W3C Working Group Note "Audio EQ Cookbook"; Butterworth, S. (1930), On the theory of filter amplifiers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray
from layerpipe.dsp import kernels

STEEPEST_DB_PER_OCTAVE = 48


def design_high_pass(corner_hz: float, rate_hz: float, *, slope_db_per_octave: int = 12) -> FloatArray:
    """Design a Butterworth high-pass of 6, 12, 18, ... 48 dB an octave.

    Parameters
    ----------
    corner_hz : float
        Where the response is 3.01 dB down; inside (0, rate_hz / 2).
    rate_hz : float
        Frames per second.
    slope_db_per_octave : int
        6 times the order.

    Returns
    -------
    np.ndarray [shape=(sections, 6), float64]
        Rows for `run_sections`.

    Raises
    ------
    ParameterError
        If the corner lies outside (0, rate_hz / 2) or the slope is none of these.

    References
    ----------
    Butterworth (1930); each second-order section is the cookbook's HPF with the Q of its pole pair.
    """
    w0 = _angle(corner_hz, rate_hz)
    order, rest = divmod(slope_db_per_octave, 6)
    if rest or not 6 <= slope_db_per_octave <= STEEPEST_DB_PER_OCTAVE:
        raise ParameterError(f"slope_db_per_octave={slope_db_per_octave} must be a multiple of 6 up to "
                             f"{STEEPEST_DB_PER_OCTAVE}")
    rows = []
    if order % 2:
        # Bilinear transform of s / (s + 1), pre-warped: a one-pole in a second-order row.
        t = math.tan(w0 / 2)
        rows.append([1 / (1 + t), -1 / (1 + t), 0.0, 1.0, (t - 1) / (t + 1), 0.0])
    for pair in range(order // 2):
        # Poles of an even order sit at odd multiples of pi/2n from the axis, of an odd order at multiples of pi/n.
        angle = math.pi * (2 * pair + 1) / (2 * order) if order % 2 == 0 else math.pi * (pair + 1) / order
        q = 1 / (2 * math.cos(angle))
        c, alpha = math.cos(w0), math.sin(w0) / (2 * q)
        rows.append(_row(((1 + c) / 2, -(1 + c), (1 + c) / 2), (1 + alpha, -2 * c, 1 - alpha)))
    return np.array(rows, dtype=np.float64)


def design_band_pass(low_hz: float, high_hz: float, rate_hz: float, *, order: int = 3) -> FloatArray:
    """Design a Butterworth band-pass that is 3.01 dB down at both corners.

    Parameters
    ----------
    low_hz, high_hz : float
        Inside (0, rate_hz / 2), the lower one first.
    rate_hz : float
        Frames per second.
    order : int
        Of the low-pass prototype: the slope on either side is 6 times that many dB per octave.

    Returns
    -------
    np.ndarray [shape=(order, 6), float64]
        Rows for `run_sections`.

    Raises
    ------
    ParameterError
        If the corners lie outside (0, rate_hz / 2) or are not in order.

    References
    ----------
    Butterworth (1930); s becomes (s^2 + w^2) / (b s), then the bilinear transform, pre-warped.
    """
    low, high = (2 * math.tan(_angle(corner_hz, rate_hz) / 2) for corner_hz in (low_hz, high_hz))
    if not low < high:
        raise ParameterError(f"{low_hz:g} to {high_hz:g} Hz must be in order")
    middle = np.exp(2j * math.atan(math.sqrt(low * high) / 2))
    rows = []
    # The upper half of the low-pass's poles; each gives two of the band-pass, which have complex conjugates.
    for n in range((order + 1) // 2):
        half = (high - low) / 2 * np.exp(1j * math.pi * (2 * n + order + 1) / (2 * order))
        apart = np.sqrt(half**2 - low * high)
        first, second = ((2 + pole) / (2 - pole) for pole in (half + apart, half - apart))
        # The middle pole of an odd order is real: its two belong together.
        pairs = [(first, second)] if 2 * n + 1 == order else [(pole, pole.conjugate()) for pole in (first, second)]
        for pair in pairs:
            below = np.poly(pair).real
            gain = abs(np.polyval(below, middle) / np.polyval([1.0, 0.0, -1.0], middle))
            rows.append([gain, 0.0, -gain, *below])
    return np.array(rows, dtype=np.float64)


def design_shelf(side: Literal["low", "high"], midpoint_hz: float, gain_db: float, rate_hz: int, *,
                 slope: float = 1.0) -> FloatArray:
    """Design a low or high shelf that reaches half its gain (in dB) at the midpoint.

    Returns
    -------
    np.ndarray [shape=(1, 6), float64]

    Raises
    ------
    ParameterError
        If the midpoint lies outside (0, rate_hz / 2) or the slope outside (0, 1].

    References
    ----------
    W3C Audio EQ Cookbook, lowShelf and highShelf with shelf slope S.
    """
    w0 = _angle(midpoint_hz, rate_hz)
    if not 0 < slope <= 1:
        raise ParameterError(f"slope={slope:g} must be inside (0, 1]")
    a = 10 ** (gain_db / 40)
    c = math.cos(w0)
    alpha = math.sin(w0) / 2 * math.sqrt((a + 1 / a) * (1 / slope - 1) + 2)
    r = 2 * math.sqrt(a) * alpha
    # The high shelf is the low one mirrored in frequency: every cosine changes sign.
    s = 1.0 if side == "low" else -1.0
    b = (a * ((a + 1) - s * (a - 1) * c + r), s * 2 * a * ((a - 1) - s * (a + 1) * c),
         a * ((a + 1) - s * (a - 1) * c - r))
    d = ((a + 1) + s * (a - 1) * c + r, -s * 2 * ((a - 1) + s * (a + 1) * c), (a + 1) + s * (a - 1) * c - r)
    return np.array([_row(b, d)])


def design_bell(centre_hz: float, gain_db: float, rate_hz: int, *, q: float = 1.0) -> FloatArray:
    """Design a peaking filter.

    Returns
    -------
    np.ndarray [shape=(1, 6), float64]

    Raises
    ------
    ParameterError
        If the centre lies outside (0, rate_hz / 2) or q is not above 0.

    References
    ----------
    W3C Audio EQ Cookbook, peakingEQ.
    """
    w0 = _angle(centre_hz, rate_hz)
    if not q > 0:
        raise ParameterError(f"q={q:g} must be above 0")
    a = 10 ** (gain_db / 40)
    c, alpha = math.cos(w0), math.sin(w0) / (2 * q)
    return np.array([_row((1 + alpha * a, -2 * c, 1 - alpha * a), (1 + alpha / a, -2 * c, 1 - alpha / a))])


def run_sections(sections: FloatArray, samples: FloatArray,
                 state: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """Filter a block; where the sound is cut into blocks changes no bit.

    Parameters
    ----------
    sections : np.ndarray [shape=(sections, 6), float64]
    samples : np.ndarray [shape=(frames,), float64]
    state : np.ndarray [shape=(sections, 2), float64], optional
        As returned for the block before; None starts from rest.

    Returns
    -------
    np.ndarray [shape=(frames,), float64], np.ndarray [shape=(sections, 2), float64]
        The filtered block and the state for the next one. The numbers equal scipy.signal.sosfilt's.
    """
    held = np.zeros((len(sections), 2)) if state is None else state.copy()
    sound = np.ascontiguousarray(samples, dtype=np.float64)
    if not len(sections):
        return sound, held
    for at in range(0, len(sections) - 1, 2):
        out = np.empty_like(sound)
        kernels.run_two_sections(sections[at], sections[at + 1], sound, held[at : at + 2], out)
        sound = out
    if len(sections) % 2:
        b0, b1, b2, _, a1, a2 = (float(value) for value in sections[-1])
        out = np.empty_like(sound)
        kernels.run_one_section(b0, b1, b2, a1, a2, sound, held[-1], out)
        sound = out
    return sound, held


def response_db(sections: FloatArray, at_hz: Sequence[float] | FloatArray, rate_hz: float) -> FloatArray:
    """Magnitude response of a cascade in dB at the given frequencies, shape (len(at_hz),)."""
    z = np.exp(-2j * np.pi * np.asarray(at_hz, dtype=np.float64) / rate_hz)
    powers = np.stack([np.ones_like(z), z, z * z])
    response = np.ones_like(z)
    for row in np.atleast_2d(sections):
        response = response * (row[:3] @ powers) / (row[3:] @ powers)
    with np.errstate(divide="ignore"):
        level: FloatArray = 20 * np.log10(np.abs(response))
    return level


def _angle(corner_hz: float, rate_hz: float) -> float:
    """Corner as an angle in radians per sample; checked."""
    if not 0 < corner_hz < rate_hz / 2:
        raise ParameterError(f"{corner_hz:g} Hz must be inside (0, {rate_hz / 2:g}), half the rate")
    return 2 * math.pi * corner_hz / rate_hz


def _row(b: tuple[float, float, float], a: tuple[float, float, float]) -> list[float]:
    """Normalise a section to a0 = 1."""
    return [value / a[0] for value in b] + [1.0] + [value / a[0] for value in a[1:]]

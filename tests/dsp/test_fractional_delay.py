"""Delays by parts of a frame: against sines whose delayed values are known, and against scipy's Fourier transform."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import fft, signal

from layerpipe.core.errors import ParameterError
from layerpipe.dsp.fractional_delay import REACH, delay_kernel, delay_part

RATE_HZ = 48_000


def delayed(samples: np.ndarray, part: float) -> np.ndarray:
    """The middle of a sound, later by a part of a frame."""
    return delay_part(samples, delay_kernel(part))


@pytest.mark.parametrize("hz", [50.0, 997.0, 5_000.0, 12_000.0, 20_000.0])
@pytest.mark.parametrize("part", [0.1, 0.25, 0.5, 0.9])
def test_a_sine_is_later_by_the_part_of_a_frame_and_as_loud(hz: float, part: float) -> None:
    at = np.arange(2_000)
    found = delayed(np.sin(2 * np.pi * hz * at / RATE_HZ), part)
    wanted = np.sin(2 * np.pi * hz * (at[REACH : REACH + len(found)] - part) / RATE_HZ)
    assert np.abs(found - wanted).max() < 10 ** (-80 / 20)


def test_noise_is_delayed_as_a_phase_ramp_delays_it(rng: np.random.Generator) -> None:
    # A band-limited periodic sound, which scipy's Fourier transform delays exactly.
    size, part = 4_096, 0.37
    spectrum = fft.rfft(rng.standard_normal(size))
    hz = fft.rfftfreq(size, 1 / RATE_HZ)
    spectrum[hz > 20_000] = 0.0
    exact = fft.irfft(spectrum * np.exp(-2j * np.pi * hz * part / RATE_HZ), size)
    sound = np.tile(fft.irfft(spectrum, size), 3)
    found = delayed(sound, part)[size - REACH : 2 * size - REACH]
    assert np.abs(found - exact).max() < 2e-4 * np.abs(exact).max()


def test_every_frequency_is_delayed_alike() -> None:
    hz, delay = signal.group_delay((delay_kernel(0.3)[::-1], [1.0]), w=np.linspace(50, 18_000, 100), fs=RATE_HZ)
    assert len(hz) == 100
    np.testing.assert_allclose(delay, REACH - 1 + 0.3, atol=1e-3)


@given(cut=st.integers(1, 9_999), part=st.floats(0.001, 0.999))
def test_where_a_sound_is_cut_changes_no_bit(cut: int, part: float) -> None:
    sound = np.random.default_rng(5).standard_normal(10_000 + 2 * REACH - 1)
    kernel = delay_kernel(part)
    pieces = [delay_part(sound[: cut + 2 * REACH - 1], kernel), delay_part(sound[cut:], kernel)]
    np.testing.assert_array_equal(np.concatenate(pieces), delay_part(sound, kernel))


@pytest.mark.parametrize("part", [-0.1, 1.0, float("nan")])
def test_a_delay_outside_a_frame_is_refused(part: float) -> None:
    with pytest.raises(ParameterError, match="must be inside"):
        delay_kernel(part)

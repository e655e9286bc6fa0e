"""Loops of the searches, compiled and as written, against numpy and scipy and against plain counting."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import ndimage, signal

from layerpipe.dsp import kernels
from layerpipe.dsp.kernels.jit import Kernel

Loop = Callable[..., Any]


@pytest.fixture(params=["compiled", "as written"])
def of(request: pytest.FixtureRequest) -> Callable[[Kernel[..., Any]], Loop]:
    """A loop as it runs, or as it is written."""
    return (lambda loop: loop) if request.param == "compiled" else (lambda loop: loop.plain)


def test_running_medians_are_those_of_numpy(of, rng):
    values, medians = np.round(rng.standard_normal(700), 1), np.empty(280)
    of(kernels.running_medians)(values, 2, np.empty(142), medians)
    rows = np.lib.stride_tricks.sliding_window_view(values, 142)[::2]
    assert np.array_equal(medians, np.median(rows, axis=1))


@pytest.mark.parametrize(("factor", "taps", "count"), [(12, 249, 40), (2, 49, 1500), (3, 2, 7)])
def test_a_reduced_rate_is_a_filter_and_every_so_manyth_sample(of, rng, factor, taps, count):
    sound, low_pass, out = rng.standard_normal((count + taps // factor + 1) * factor), rng.standard_normal(taps), \
        np.empty(count)
    of(kernels.decimate)(np.ascontiguousarray(sound.reshape(-1, factor).T), low_pass, out)
    assert out == pytest.approx(signal.correlate(sound, low_pass, "valid")[::factor][:count], abs=1e-12)


def test_crests_and_powers_of_slices_are_those_of_their_samples(of, rng):
    sound, pattern, crests = rng.standard_normal(8 * 700 + 24), rng.standard_normal(24), np.empty(700)
    of(kernels.find_crests)(sound, pattern, np.empty(8 * 256), crests)
    filtered = signal.correlate(sound, pattern, "valid")[: 8 * 700]
    assert crests == pytest.approx((filtered**2).reshape(700, 8).max(axis=1))
    powers = np.empty(700)
    of(kernels.measure_slices)(sound[: 8 * 700], powers, crests)
    squares = (sound[: 8 * 700] ** 2).reshape(700, 8)
    assert powers == pytest.approx(squares.mean(axis=1))
    assert np.array_equal(crests, squares.max(axis=1))


def test_equal_stretches_have_equal_fingerprints(of, rng):
    sound = rng.standard_normal(1200)
    sound[700:900] = sound[100:300]
    sound[1000:1100] = 0.25
    bits, factors = sound.view(np.uint64), rng.integers(1, 2**63, 8, dtype=np.uint64) | np.uint64(1)
    prints, places = np.empty(1200, np.uint64), np.empty(1200, np.int64)
    with np.errstate(over="ignore"):
        count = of(kernels.choose_fingerprints)(bits, factors, prints, places)
        wanted = [sum(int(bits[n + k] >> np.uint64(20)) * int(factors[k]) for k in range(8)) % 2**64
                  for n in range(1193)]
    chosen = [n for n in range(1193) if (wanted[n] >> 40) % 8 == 0 and bits[n] != bits[n + 7]]
    assert places[:count].tolist() == chosen
    assert prints[:count].tolist() == [wanted[n] for n in chosen]
    pairs = np.empty((count, 2), np.int64)
    found = of(kernels.find_equal)(prints[:count].copy(), np.empty(1024, np.uint64), np.empty(1024, np.int64), pairs)
    latest: dict[int, int] = {}
    equal = []
    for n, value in enumerate(prints[:count].tolist()):
        if value in latest:
            equal.append([latest[value], n])
        latest[value] = n
    assert pairs[:found].tolist() == equal
    assert [places[later] - places[earlier] for earlier, later in equal] == [600] * found != []


def test_what_stands_out_and_what_is_loudest_are_the_highest_means(of, rng):
    powers, places = rng.random(400) ** 4, np.arange(20, 380, 7)
    widths, usual = np.array([1, 2, 6, 18]), np.array([7.0, 4.8, 3.2, 2.8])
    starts, found = np.empty_like(places), np.empty_like(places)
    of(kernels.find_prominent)(powers, places, widths, usual, starts, found)
    for at, start, width in zip(places, starts, found, strict=True):
        best = max((powers[first : first + w].mean() / u, first, w) for w, u in zip(widths, usual, strict=True)
                   for first in range(at - w + 1, at + 1))
        assert (start, width) == best[1:]
    stops, means = np.minimum(starts + 30, len(powers)), np.empty(len(places))
    stops[3] = starts[3]
    of(kernels.find_loudest)(powers, starts, stops, found, means)
    # Outside source: the running mean of scipy.ndimage.
    for start, stop, width, mean in zip(starts, stops, found, means, strict=True):
        of_each = ndimage.uniform_filter1d(powers, width, origin=-(width // 2))[start : max(stop - width + 1, start)]
        assert mean == pytest.approx(of_each.max(initial=0.0))


def test_the_mean_of_a_comb_is_that_of_its_lines(of, rng):
    spectrum, apart, means = rng.random(500), rng.uniform(8, 12, 20), np.empty(20)
    of(kernels.average_lines)(spectrum, apart, 3, 40, means)
    lines = np.rint(np.arange(3, 40) * apart[:, np.newaxis]).astype(int)
    assert means == pytest.approx(spectrum[lines].mean(axis=1))

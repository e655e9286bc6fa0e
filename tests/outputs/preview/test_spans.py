"""True peaks of an excerpt, measured in spans side by side, are those of the whole."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import numpy as np
import pytest

from layerpipe.core.units import db_of_gain
from layerpipe.dsp.peaks.true_peak import true_peak
from layerpipe.outputs.preview.excerpt import Excerpt, ExcerptSound, Version
from layerpipe.outputs.preview.write import _true_peaks_dbtp

RATE_HZ, SECONDS = 8_000, 5


def _song(sound):
    """As much of a song as an excerpt reads: one layer of one take, in the centre."""
    return SimpleNamespace(
        rate_hz=RATE_HZ, bed=None, blocks=lambda start, stop, size: iter([(start, [sound[start:stop]])]),
        layer_of=lambda layer, blocks, at: np.stack([blocks[0], blocks[0]], axis=1).astype(np.float64))


@pytest.mark.parametrize("workers", [1, 2, 3, 7])
@pytest.mark.parametrize(("start", "stop"), [(0, SECONDS * RATE_HZ), (1_234, 4 * RATE_HZ + 1), (3_000, 3_040),
                                             (RATE_HZ - 1, RATE_HZ + 1)])
def test_a_peak_beside_any_cut_is_found_whatever_the_number_of_cores(rng, workers, start, stop):
    layer = SimpleNamespace(name="a")
    for cut in range(RATE_HZ, SECONDS * RATE_HZ, RATE_HZ):
        for at in (cut - 25, cut - 24, cut - 2, cut - 1, cut, cut + 23, cut + 24):
            sound = (0.01 * rng.standard_normal(SECONDS * RATE_HZ)).astype(np.float32)
            # Two equal frames, neighbours of opposite ones: the peak is between them.
            sound[at - 1 : at + 3] = (-0.5, 0.5, 0.5, -0.5)
            excerpt = ExcerptSound(_song(sound), Excerpt(None, start, stop, 0, 0), keep=True)
            with ThreadPoolExecutor(2) as pool:
                (found,) = _true_peaks_dbtp(excerpt, [Version("a", (layer,))], pool, workers)
            # To the bit: our own meter over the whole, which has outside references in its own tests.
            assert found == db_of_gain(float(true_peak(sound[start:stop]).max()))

"""The artist's page sounds as the blend does: every setting equally loud, looped without a gap, gliding."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pyebur128
import pytest

from layerpipe.core.units import gain_of_db
from layerpipe.dsp.loudness.bs1770 import integrated, measure
from layerpipe.outputs.artist_page import build_page
from tests.support.pages.browser import rendered
from tests.support.pages.songs import RATE_HZ

OFF = None


def gains_of(levels_db):
    return np.array([gain_of_db(-math.inf if level is OFF else level) for level in levels_db])


def rms_db(samples):
    return 20 * math.log10(max(math.sqrt(np.mean(samples**2)), 1e-12))


SETTINGS = [
    ([0, OFF, OFF], None, False), ([0, -24, OFF], None, False), ([0, -9, -7.3], None, True),
    ([0, 0, 0], None, True), ([0, -7.5, OFF], 1, False), ([0, -12.5, -3], 0, False),
]


@pytest.mark.parametrize(("levels", "alone", "bed"), SETTINGS)
def test_the_page_sounds_as_the_blend_does_and_as_loud_as_any_other_setting(plain_page, demo, levels, alone, bed):
    song, sounds = demo
    heard = rendered(plain_page, 1, levels=levels, alone=alone, bed=bed, seconds=4.0)
    gains = np.append(gains_of(levels), float(bed))
    if alone is not None:
        gains = np.eye(4)[alone]
    blend = np.tensordot(gains, np.stack(sounds[1]), 1)
    loudness = measure(blend, RATE_HZ).integrated_lufs
    master = gain_of_db(song.sections[1].reference_lufs - loudness)
    # Four streams of 16 bits with triangular dither add up to -90 dBFS; a frame's delay or 0.01 dB would show.
    assert rms_db(heard - master * blend) < -80
    assert measure(heard, RATE_HZ).integrated_lufs == pytest.approx(song.sections[1].reference_lufs, abs=0.05)
    other = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    other.add_frames(np.ascontiguousarray(heard).reshape(-1), len(heard))
    assert pyebur128.get_loudness_global(other) == pytest.approx(song.sections[1].reference_lufs, abs=0.05)
    assert np.abs(heard).max() < gain_of_db(-1.0)


def test_the_page_reckons_loudness_as_python_does(open_page, demo, rng, tmp_path):
    song, _ = demo
    # Many blocks from loud to under either gate, half of them under the absolute one, so that both have work to do.
    products = np.tile(song.sections[0].products, (8, 1))
    decades = np.where(rng.integers(0, 2, len(products)), rng.uniform(-2, 0, len(products)), -9)
    products = products * 10 ** decades[:, None]
    uneven = dataclasses.replace(song, sections=(dataclasses.replace(song.sections[0], products=products),))
    path = tmp_path / "uneven.html"
    path.write_bytes(build_page(uneven))
    page = open_page(path)
    upper, lower = np.triu_indices(4)
    for _ in range(8):
        mix = np.append(rng.uniform(0, 1.5, 3) * rng.integers(0, 2, 3), 0.0)  # the bed is off
        mix[0] = max(mix[0], 0.3)
        levels = [20 * math.log10(gain) if gain else OFF for gain in mix[:3]]
        powers = np.maximum(products @ (mix[upper] * mix[lower] * np.where(upper == lower, 1, 2)), 0)
        told = page.evaluate("levels => layerpipePage.loudness(0, levels)", levels)
        assert told == pytest.approx(integrated(powers), abs=1e-9)
        # BS.1770-5, eq. 4 to 7: without either gate the answer would be another.
        absolute = 10 ** (-69.309 / 10)
        for first_gate, second in ((absolute, 0.0), (0.0, 0.1)):
            gate = max(powers[powers > first_gate].mean() * second, first_gate)
            lacking = -0.691 + 10 * math.log10(powers[powers > gate].mean())
            assert abs(lacking - told) > 0.05


@pytest.mark.slow
def test_a_louder_setting_than_was_foreseen_lowers_them_all_alike(open_page, demo, tmp_path):
    song, _ = demo
    sections = tuple(dataclasses.replace(part, reference_lufs=-3.0) for part in song.sections)
    loud = dataclasses.replace(song, sections=sections)
    path = tmp_path / "loud.html"
    path.write_bytes(build_page(loud))
    page = open_page(path)
    one, other = (rendered(page, 1, levels=levels, seconds=4.0) for levels in ([0, 0, 0], [0, OFF, OFF]))
    # Down to the ceiling to the sample, not to a bound of it.
    assert np.abs(one).max() == pytest.approx(gain_of_db(-1.0), rel=1e-5)
    assert np.abs(other).max() <= gain_of_db(-1.0) * 1.00001
    last = page.evaluate("layerpipePage.song.sections[1].reference")
    assert last < -3.0
    again = rendered(page, 1, levels=[0, 0, 0], seconds=4.0)
    for sound in (other, again):
        assert measure(sound, RATE_HZ).integrated_lufs == pytest.approx(last, abs=0.05)


def test_it_goes_round_without_a_gap(plain_page, demo):
    frames = demo[0].sections[0].frames
    heard = rendered(plain_page, 0, levels=[0, -6, -6], seconds=7.5)
    for turn in range(2):
        np.testing.assert_array_equal(heard[turn * frames : (turn + 1) * frames][: len(heard) - (turn + 1) * frames],
                                      heard[(turn + 1) * frames : (turn + 2) * frames])


def test_a_slid_level_glides(plain_page, demo):
    song, sounds = demo
    moves = [[0.7, [0, 0, OFF]], [0.72, [0, -6, 0]], [1.6, [0, OFF, OFF]]]
    heard = rendered(plain_page, 1, levels=[0, OFF, -12], seconds=2.5, moves=moves)
    held = {}
    for levels in ([0, OFF, -12], *(levels for _, levels in moves)):
        blend = np.tensordot(gains_of(levels), np.stack(sounds[1][:3]), 1)
        held[str(levels)] = gains_of(levels) * gain_of_db(song.sections[1].reference_lufs
                                                          - measure(blend, RATE_HZ).integrated_lufs)
    # An exponential with a time constant of 12 ms: no step, wherever a move falls into another.
    gain = np.tile(held[str([0, OFF, -12])], (len(heard), 1))
    for at_s, levels in moves:
        # Chromium hands control over at blocks of 128 frames.
        at = math.ceil(at_s * RATE_HZ / 128 - 1e-9) * 128
        turn = np.exp(-np.arange(len(heard) - at) / RATE_HZ / 0.012)[:, None]
        gain[at:] = held[str(levels)] + (gain[at] - held[str(levels)]) * turn
    expected = sum(gain[:, n : n + 1] * sounds[1][n][: len(heard)] for n in range(3))
    assert rms_db(heard - expected) < -80
    assert np.abs(heard).max() < gain_of_db(-1.0)

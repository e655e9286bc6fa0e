"""K-weighting, gating and the loudness figures, against ITU-R BS.1770-5, pyebur128 and pyloudnorm."""

from __future__ import annotations

import math

import numpy as np
import pyebur128
import pyloudnorm
import pytest

from layerpipe.core.errors import ParameterError
from layerpipe.dsp.filters import response_db
from layerpipe.dsp.loudness import bs1770 as loudness
from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.dsp.loudness.k_weighting import k_weighting

# ITU-R BS.1770-5 (11/2023) Annex 1, tables 1 and 2: coefficients at 48 kHz.
ITU_TABLES = np.array([
    [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
    [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
])
# Response of those tables in dB, computed from them.
ITU_RESPONSE_DB = {25: -10.3928, 40: -5.5669, 50: -3.9341, 80: -1.7318, 100: -1.1335, 160: -0.4350, 250: -0.1529,
                   500: 0.0425, 997: 0.69101, 1000: 0.6977, 2000: 3.0713, 4000: 3.9680, 8000: 4.0394, 10000: 4.0419,
                   16000: 4.0431}


def test_k_weighting_is_that_of_the_itu_tables_at_48_khz():
    np.testing.assert_allclose(k_weighting(48_000), ITU_TABLES, rtol=0, atol=2e-12)


def test_k_weighting_has_the_response_of_the_itu_tables():
    found = response_db(k_weighting(48_000), list(ITU_RESPONSE_DB), 48_000)
    np.testing.assert_allclose(found, list(ITU_RESPONSE_DB.values()), rtol=0, atol=0.001)


# "The same frequency response" at other rates (BS.1770-5, below table 2). A bilinear design bends near half the rate:
# under 22 kHz only the lower part can be the same.
@pytest.mark.parametrize(("rate_hz", "up_to_hz", "tolerance_db"), [
    (8_000, 500, 0.03), (16_000, 1000, 0.06), (22_050, 2000, 0.03), (44_100, 16_000, 0.01), (88_200, 16_000, 0.01),
    (96_000, 16_000, 0.01), (192_000, 16_000, 0.01),
])
def test_k_weighting_sounds_the_same_at_every_rate(rate_hz, up_to_hz, tolerance_db):
    at_hz = [hz for hz in ITU_RESPONSE_DB if hz <= up_to_hz]
    found = response_db(k_weighting(rate_hz), at_hz, rate_hz)
    np.testing.assert_allclose(found, response_db(ITU_TABLES, at_hz, 48_000), rtol=0, atol=tolerance_db)


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_k_weighting_agrees_with_pyloudnorm_but_for_the_level_of_the_high_pass(rate_hz):
    # pyloudnorm 0.2.0, filter class "DeMan", keeps 1, -2, 1 at every rate.
    theirs = pyloudnorm.Meter(rate_hz, filter_class="DeMan")._filters
    shelf, high_pass = k_weighting(rate_hz)
    np.testing.assert_allclose(shelf, [*theirs["high_shelf_DeMan"].b, *theirs["high_shelf_DeMan"].a], atol=1e-14)
    np.testing.assert_allclose(high_pass[3:], theirs["high_pass_DeMan"].a, rtol=0, atol=1e-14)
    np.testing.assert_allclose(high_pass[:3] / high_pass[0], theirs["high_pass_DeMan"].b, rtol=0, atol=1e-14)


@pytest.mark.parametrize("rate_hz", [7_999, 192_001, 0])
def test_k_weighting_refuses_rates_it_was_not_made_for(rate_hz):
    with pytest.raises(ParameterError, match=f"rate_hz={rate_hz}"):
        k_weighting(rate_hz)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_full_scale_sine_of_997_hz_reads_minus_3_01(rate_hz):
    # BS.1770-5 Annex 1, after eq. 7: one of left, right, centre -3.01 LKFS; both sides together 0.00.
    sine = np.sin(2 * np.pi * 997 * np.arange(20 * rate_hz) / rate_hz)
    assert measure(sine, rate_hz).integrated_lufs == pytest.approx(-3.01, abs=0.005)
    assert measure(np.stack([sine, sine], axis=1), rate_hz).integrated_lufs == pytest.approx(0.0, abs=0.005)


def test_blocks_at_the_absolute_gate_are_left_out_and_above_it_kept():
    # BS.1770-5 eq. 5: l > -70, strictly.
    gate = loudness.ABSOLUTE_GATE_POWER
    assert loudness.integrated(np.array([gate, gate])) == -math.inf
    above = np.nextafter(gate, 1.0)
    assert loudness.integrated(np.array([above, gate])) == pytest.approx(-70.0, abs=1e-9)


def test_blocks_at_the_relative_gate_are_left_out_and_above_it_kept():
    # BS.1770-5 eq. 6 and 7: with two blocks of power 1 and p, the gate is (1 + p) / 20; p = 1/19 lies on it.
    assert loudness.integrated(np.array([1.0, 0.99 / 19])) == pytest.approx(-0.691, abs=1e-9)
    kept = 1.01 / 19
    assert loudness.integrated(np.array([1.0, kept])) == pytest.approx(-0.691 + 10 * math.log10((1 + kept) / 2))


@pytest.mark.parametrize("blocks", [1, 60, 4096, 4099, 20_003])
def test_the_gates_of_many_programmes_at_once_are_those_of_each_whatever_the_pieces(blocks, rng, monkeypatch):
    powers = 10 ** rng.uniform(-10, 0, (10, blocks))
    powers[7] = 0.0
    one_by_one = [loudness.integrated(row) for row in powers]
    found = loudness.integrated_each(lambda first, stop: powers[:, first:stop], blocks)
    np.testing.assert_allclose(found, one_by_one, rtol=0, atol=1e-12)
    monkeypatch.setattr(loudness, "BLOCKS_AT_ONCE", blocks)
    assert loudness.integrated_each(lambda first, stop: powers[:, first:stop], blocks).tobytes() == found.tobytes()


def test_programmes_without_blocks_have_no_loudness():
    assert np.isnan(loudness.integrated_each(lambda first, stop: np.zeros((2, 0)), 0)).all()


def test_a_loudness_range_keeps_blocks_that_lie_on_its_gates():
    # EBU Tech 3342: at or above -70 LUFS, at or above 20 LU under the mean; a block on the absolute gate stays.
    assert loudness.loudness_range(np.full(20, loudness.ABSOLUTE_GATE_POWER)) == pytest.approx(0.0)
    # Twenty blocks 1 LU apart: the 10th and 95th percentiles are members round(19 x 0.1) = 2 and round(19 x 0.95) = 18.
    assert loudness.loudness_range(10 ** (-np.arange(20) / 10)) == pytest.approx(18 - 2)


@pytest.mark.parametrize(("frames", "measurable"), [(0, False), (1, False), (19_199, False), (19_200, True)])
def test_sound_shorter_than_a_gating_block_is_not_measurable(frames, measurable):
    found = measure(np.full(frames, 0.1), 48_000)
    assert (found.integrated_lufs is not None) is measurable
    assert (found.momentary_max_lufs is not None) is measurable
    assert found.short_term_max_lufs is None
    assert found.range_lu is None


def test_silence_reads_minus_infinity_and_has_no_range():
    found = measure(np.zeros((48_000 * 4, 2)), 48_000)
    assert found.integrated_lufs == found.momentary_max_lufs == found.short_term_max_lufs == -math.inf
    assert found.range_lu is None


@pytest.mark.parametrize("seconds", [0.45, 0.46, 0.499, 0.55])
def test_an_incomplete_gating_block_is_not_used(seconds):
    # BS.1770-5 Annex 1, eq. 3: a meter that counts the last, shorter block reads up to 0.2 LU low here.
    t = np.arange(round(seconds * 48_000)) / 48_000
    tone = 10 ** (-23 / 20) * np.sin(2 * np.pi * 1000 * t)
    expected = measure(np.stack([tone, tone], axis=1)[: 48_000 * 2 // 5], 48_000).integrated_lufs
    found = measure(np.stack([tone, tone], axis=1), 48_000).integrated_lufs
    assert found == pytest.approx(expected, abs=0.01)
    assert found == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 48_000])
def test_steps_inside_a_span_are_those_that_lie_wholly_in_it(rate_hz, rng):
    starts = loudness.step_starts(0, 500, rate_hz)
    assert [loudness.step_start(k, rate_hz) for k in range(501)] == starts.tolist()
    assert starts.tolist() == [math.floor(k * rate_hz / 100 + 0.5) for k in range(501)]
    for _ in range(200):
        start, stop = np.sort(rng.integers(0, starts[-1], 2))
        inside = [k for k in range(500) if starts[k] >= start and starts[k + 1] <= stop]
        first, end = loudness.steps_inside(int(start), int(stop), rate_hz)
        assert list(range(first, end)) == inside


def _moving_programme(rng, rate_hz, seconds=25):
    """Stereo noise, low-pitched, whose level moves by 30 dB from second to second."""
    levels = np.repeat(10 ** rng.uniform(-2.5, -1, (seconds, 2)), rate_hz, axis=0)
    noise = rng.standard_normal((seconds * rate_hz, 2)) * levels
    return np.clip(noise + 0.5 * np.roll(noise, 1, axis=0), -1, 1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_all_figures_agree_with_pyebur128(rate_hz, rng):
    # pyebur128 0.1.1 (libebur128 1.2.6): momentary and short-term are polled every 100 ms as EBU Tech 3341 asks.
    sound = _moving_programme(rng, rate_hz)
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, rate_hz, modes.MODE_I | modes.MODE_LRA | modes.MODE_S | modes.MODE_M)
    momentary, short_term = [], []
    for at in range(0, len(sound), rate_hz // 10):
        piece = np.ascontiguousarray(sound[at : at + rate_hz // 10])
        state.add_frames(piece.reshape(-1), len(piece))
        momentary.append(pyebur128.get_loudness_momentary(state))
        short_term.append(pyebur128.get_loudness_shortterm(state))
    found = measure(sound, rate_hz)
    assert found.integrated_lufs == pytest.approx(pyebur128.get_loudness_global(state), abs=0.01)
    assert found.short_term_max_lufs == pytest.approx(max(short_term), abs=0.01)
    # Ours looks every 10 ms and may find a little more.
    assert max(momentary) - 0.01 <= found.momentary_max_lufs <= max(momentary) + 1.0
    # Its range is read from a histogram of 0.1 LU classes.
    assert found.range_lu == pytest.approx(pyebur128.get_loudness_range(state), abs=0.2)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_integrated_loudness_and_range_agree_with_pyloudnorm(rate_hz, rng):
    # pyloudnorm 0.2.0 with filter class "DeMan"; whole tenths of a second, where it has no incomplete block to count.
    sound = _moving_programme(rng, rate_hz)
    theirs = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    found = measure(sound, rate_hz)
    assert found.integrated_lufs == pytest.approx(theirs.integrated_loudness(sound), abs=0.01)
    assert found.range_lu == pytest.approx(theirs.loudness_range(sound), abs=0.5)


def test_weights_are_one_per_channel():
    with pytest.raises(ParameterError, match="2 given for 3 channels"):
        measure(np.zeros((100, 3)), 48_000, weights=[1.0, 1.0])


@pytest.mark.parametrize("width", [1, 2, 3, 4, 30, 40, 41])
def test_sliding_sums_are_sums_of_neighbours(width, rng):
    values = rng.standard_normal(100)
    expected = [values[at : at + width].sum() for at in range(100 - width + 1)]
    np.testing.assert_allclose(loudness._sliding_sums(values, width), expected, atol=1e-12)
    assert len(loudness._sliding_sums(values[: width - 1], width)) == 0


def test_a_quiet_passage_beside_a_loud_one_is_measured_in_full():
    # A running sum over the whole song would lose it to rounding.
    steps = np.concatenate([np.full(100, 1e6), np.full(100, 1e-12)])
    blocks = loudness.powers(steps, np.full(200, 480), loudness.MOMENTARY_STEPS, 1)
    assert blocks[-1] == pytest.approx(1e-12 / 480, rel=1e-12)

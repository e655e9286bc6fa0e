"""Loudness from inner products against full measurements of the rendered blend, by our meter and by pyebur128."""

from __future__ import annotations

import math

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.core.errors import ParameterError
from layerpipe.dsp import kernels
from layerpipe.dsp.loudness import bs1770 as loudness
from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.dsp.loudness.k_weighting import k_weighting
from layerpipe.render.energies.meter import Energies, EnergyMeter
from layerpipe.render.energies.mixes import Alone, Mix, measure_mixes, read_mix
from layerpipe.render.energies.sweep import sweep
from tests.support.examples import few

RATE_HZ = 48_000
TAKES = 4


def make_takes(seed: int, rate_hz: int = RATE_HZ, seconds: float = 12.0, takes: int = TAKES) -> np.ndarray:
    """Noise whose level moves, partly common to all takes, so that they are correlated as doubles are."""
    random = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    common = random.standard_normal(frames)
    own = random.standard_normal((takes, frames))
    turns = math.ceil(seconds / 0.7)
    level = np.repeat(10 ** random.uniform(-3, -0.7, (takes, turns)), math.ceil(0.7 * rate_hz), axis=1)[:, :frames]
    sound = level * (0.4 * common + own)
    # Low-pitched rather than white, as takes are.
    return sound + 0.9 * np.roll(sound, 1, axis=1)


def meter_takes(sound: np.ndarray, rate_hz: int = RATE_HZ) -> Energies:
    """Energies of a sound of shape (takes, frames)."""
    meter = EnergyMeter(len(sound), rate_hz)
    meter.add(sound)
    return meter.finish()


def mixed(sound: np.ndarray, left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """The blend itself, shape (frames, 2)."""
    return np.stack([left @ sound, right @ sound], axis=1)


def folded(blend: np.ndarray) -> np.ndarray:
    """(left + right) / 2 on both sides."""
    return np.repeat(blend.mean(axis=1, keepdims=True), 2, axis=1)


@pytest.fixture(scope="module")
def takes() -> np.ndarray:
    return make_takes(1)


@pytest.fixture(scope="module")
def energies(takes) -> Energies:
    return meter_takes(takes)


GAINS = st.lists(st.one_of(st.just(0.0), st.floats(-2, 2)), min_size=TAKES, max_size=TAKES).map(np.array)


@settings(max_examples=few(8, 25))
@given(left=GAINS, right=GAINS)
def test_any_levels_pans_and_polarities_read_what_a_full_measurement_of_the_blend_reads(takes, energies, left, right):
    found = read_mix(energies, Mix(left, right))
    blend = mixed(takes, left, right)
    full = measure(blend, RATE_HZ)
    # Promised is 0.001 LU; it is exact but for rounding.
    for name in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "range_lu"):
        expected = getattr(full, name)
        assert getattr(found, name) == (None if expected is None else pytest.approx(expected, abs=1e-6))
    if full.integrated_lufs > -math.inf:
        in_mono = measure(folded(blend), RATE_HZ).integrated_lufs
        assert found.mono_loss_lu == pytest.approx(full.integrated_lufs - in_mono, abs=1e-6)
    power = np.square(blend).sum(axis=0)
    if (power > 1e-12 * power.sum()).all() and power.sum() > 1e-6:
        across = float(blend[:, 0] @ blend[:, 1]) / math.sqrt(power[0] * power[1])
        assert found.correlation == pytest.approx(across, abs=1e-9)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 96_000])
def test_every_rate_reads_what_a_full_measurement_reads(rate_hz, rng):
    sound = make_takes(2, rate_hz, 4.37, takes=3)
    left, right = rng.uniform(-1, 1, (2, 3))
    found, full = read_mix(meter_takes(sound, rate_hz), Mix(left, right)), measure(mixed(sound, left, right), rate_hz)
    assert found.integrated_lufs == pytest.approx(full.integrated_lufs, abs=1e-6)
    assert found.momentary_max_lufs == pytest.approx(full.momentary_max_lufs, abs=1e-6)
    assert found.short_term_max_lufs == pytest.approx(full.short_term_max_lufs, abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_random_blends_agree_with_pyebur128(seed, takes, energies):
    random = np.random.default_rng(seed)
    left, right = random.uniform(-1, 1, (2, TAKES))
    blend = np.ascontiguousarray(mixed(takes, left, right))
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(blend.reshape(-1), len(blend))
    expected = pyebur128.get_loudness_global(state)
    assert read_mix(energies, Mix(left, right)).integrated_lufs == pytest.approx(expected, abs=0.01)


@settings(max_examples=few(6, 20))
@given(cuts=st.lists(st.integers(0, 60_000), max_size=8), single=st.booleans(),
       rate_hz=st.sampled_from([48_000, 11_025]))
def test_cutting_the_takes_anywhere_changes_no_bit(cuts, single, rate_hz):
    sound = make_takes(3, 48_000, 1.25, takes=3).astype(np.float32 if single else np.float64)
    whole = meter_takes(sound, rate_hz)
    meter = EnergyMeter(3, rate_hz)
    for piece in np.split(sound, sorted(cuts), axis=1):
        meter.add(piece)
    pieces = meter.finish()
    assert pieces.frames == whole.frames
    assert pieces.steps == whole.steps == loudness.steps_inside(0, 60_000, rate_hz)[1]
    for one, other in zip(whole.chunks(0, whole.steps), pieces.chunks(0, pieces.steps), strict=True):
        np.testing.assert_array_equal(one[1], other[1])
        np.testing.assert_array_equal(one[2], other[2])


@pytest.mark.parametrize("takes", [1, 2, 5, 9])
def test_products_are_those_of_plain_multiplication(takes):
    sound = make_takes(4, RATE_HZ, 0.55, takes=takes)
    weighted = [loudness.run_sections(k_weighting(RATE_HZ), row)[0] for row in sound]
    pairs = list(zip(*np.triu_indices(takes), strict=True))
    (first, by_step, by_hop), = meter_takes(sound).chunks(0, 55)
    assert first == 0
    assert by_step.shape == (55, len(pairs))
    assert by_hop.shape == (5, len(pairs))
    for at, (i, j) in enumerate(pairs):
        expected = [weighted[i][k : k + 480] @ weighted[j][k : k + 480] for k in range(0, 55 * 480, 480)]
        np.testing.assert_allclose(by_step[:, at], expected, rtol=1e-9, atol=1e-9)
        plain = [sound[i, k : k + 4800] @ sound[j, k : k + 4800] for k in range(0, 5 * 4800, 4800)]
        np.testing.assert_allclose(by_hop[:, at], plain, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(("start", "stop"), [(0, None), (48_000, 300_000), (1, 200_001), (123_456, 456_789)])
def test_a_section_is_read_over_the_steps_that_lie_wholly_inside_it(start, stop, takes, energies):
    left, right = np.array([1.0, 0.2, -0.5, 0.7]), np.array([0.1, 0.9, 0.5, -0.3])
    first, end = loudness.steps_inside(start, len(takes[0]) if stop is None else stop, RATE_HZ)
    weighted = [loudness.run_sections(k_weighting(RATE_HZ), side)[0] for side in mixed(takes, left, right).T]
    inside = slice(first * 480, end * 480)
    steps = sum(np.square(side[inside]).reshape(-1, 480).sum(axis=1) for side in weighted)
    expected = loudness.loudness_of_steps(steps, np.full(len(steps), 480))
    found = read_mix(energies, Mix(left, right), start, stop)
    assert found.integrated_lufs == pytest.approx(expected.integrated_lufs, abs=1e-6)
    assert found.momentary_max_lufs == pytest.approx(expected.momentary_max_lufs, abs=1e-6)
    assert found.short_term_max_lufs == pytest.approx(expected.short_term_max_lufs, abs=1e-6)


def test_many_blends_and_sections_are_read_in_one_pass(energies, rng):
    blends = [Mix(rng.uniform(-1, 1, TAKES), rng.uniform(-1, 1, TAKES)) for _ in range(5)]
    spans = [(0, None), (96_000, 384_000), (100_001, 500_000)]
    for blend, heard in zip(blends, measure_mixes(energies, blends), strict=True):
        for start, stop in spans:
            alone, together = read_mix(energies, blend, start, stop), heard.readings(start, stop)
            assert together.integrated_lufs == pytest.approx(alone.integrated_lufs, abs=1e-9)
            assert together.range_lu == pytest.approx(alone.range_lu, abs=1e-9)
            assert together.correlation == pytest.approx(alone.correlation, abs=1e-9)
            assert together.mono_loss_lu == pytest.approx(alone.mono_loss_lu, abs=1e-9)


def test_gains_that_follow_the_sections_read_as_the_blend_whose_level_moves(takes, energies):
    # Level of takes 2 and 3 falls by 10 dB at 6 s, with a ramp of 20 ms.
    frames = takes.shape[1]
    line = np.interp(np.arange(frames), [6 * RATE_HZ - 960, 6 * RATE_HZ], [1.0, 10**-0.5])
    gains = np.ones((energies.steps, TAKES))
    gains[600:, 2:] = 10**-0.5
    left, right = np.array([1.0, 0.3, 0.8, 0.0]), np.array([0.0, 0.9, 0.4, -1.0])
    moved = takes.copy()
    moved[2:] *= line
    full = measure(mixed(moved, left, right), RATE_HZ)
    blend = mixed(moved, left, right)
    found = read_mix(energies, Mix(lambda first, stop: left * gains[first:stop],
                                   lambda first, stop: right * gains[first:stop],
                                   ((6 * RATE_HZ - 960, 6 * RATE_HZ),), lambda start, stop: blend[start:stop]))
    for name in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "range_lu"):
        assert getattr(found, name) == pytest.approx(getattr(full, name), abs=1e-6)


def test_a_mix_whose_gains_move_needs_its_sound(energies):
    with pytest.raises(ParameterError, match="needs its sound"):
        read_mix(energies, Mix(np.ones(TAKES), np.ones(TAKES), ((0, 100),)))


def test_gains_of_another_shape_are_refused(energies):
    for wrong in (np.ones(3), np.ones((5, TAKES)), lambda first, stop: np.ones((1, 9))):
        with pytest.raises(ParameterError, match="gains of shape"):
            read_mix(energies, Mix(wrong, np.ones(TAKES)))


def test_a_take_alone_is_one_channel_of_weight_one(takes, energies):
    one, none = np.eye(TAKES)[2], np.zeros(TAKES)
    found = read_mix(energies, Mix(one, none))
    assert found.integrated_lufs == pytest.approx(measure(takes[2], RATE_HZ).integrated_lufs, abs=1e-6)
    assert found.correlation is None
    assert read_mix(energies, Alone(2, -1.0)) == found


@pytest.mark.parametrize("rate_hz", [RATE_HZ, 11_025])
def test_sounds_measured_alone_read_as_channels_and_leave_them_as_they_are(rate_hz):
    sound = make_takes(5, rate_hz, 4.0, takes=7)
    meter = EnergyMeter(2, rate_hz, alone=5)
    meter.add(sound)
    some = meter.finish()
    together = meter_takes(sound, rate_hz)
    (_, of_some, _), (_, of_all, _) = next(some.chunks(0, 400)), next(together.chunks(0, 400))
    assert of_some.shape == (len(of_all), 3 + 5)
    for row in range(7):
        one, other = read_mix(some, Alone(row, 0.5)), read_mix(together, Alone(row, 0.5))
        assert one.integrated_lufs == pytest.approx(measure(0.5 * sound[row], rate_hz).integrated_lufs, abs=1e-6)
        assert one.mono_loss_lu == pytest.approx(other.mono_loss_lu, abs=1e-9)
        assert one.correlation is other.correlation is None
    first_two = Mix(np.array([0.3, -1.0]), np.array([0.9, 0.2]))
    padded = Mix(*(np.pad(side, (0, 5)) for side in (first_two.left, first_two.right)))
    one, other = read_mix(some, first_two), read_mix(together, padded)
    assert one.integrated_lufs == pytest.approx(other.integrated_lufs, abs=1e-9)
    assert one.correlation == pytest.approx(other.correlation, abs=1e-9)


@pytest.mark.parametrize(("left", "right", "correlation", "loss_lu"), [
    ([1, 0, 0, 0], [1, 0, 0, 0], 1.0, 0.0),
    ([1, 0, 0, 0], [0, 0, 0, 0], None, 3.0103),
    ([1, 0, 0, 0], [-1, 0, 0, 0], -1.0, math.inf),
    ([0, 0, 0, 0], [0, 0, 0, 0], None, None),
])
def test_correlation_and_mono_loss_of_plain_cases(left, right, correlation, loss_lu, energies):
    found = read_mix(energies, Mix(np.array(left, dtype=float), np.array(right, dtype=float)))
    assert found.correlation == (None if correlation is None else pytest.approx(correlation, abs=1e-12))
    assert found.mono_loss_lu == (None if loss_lu is None else pytest.approx(loss_lu, abs=0.001))


@pytest.mark.parametrize("frames", [0, 1, 479, 480, 4800, 19_199, 19_200, 30_000])
def test_short_songs_read_as_not_measurable_and_break_nothing(frames):
    sound = np.full((2, frames), 0.1) * np.cos(np.arange(frames) * 0.2)
    energies = meter_takes(sound)
    found = read_mix(energies, Mix(np.array([1.0, 0.0]), np.array([0.0, 1.0])))
    assert (found.integrated_lufs is not None) == (frames >= 19_200)
    assert found.short_term_max_lufs is None
    assert (found.correlation is not None) == (frames >= 4800)
    swept = sweep(energies, Mix(np.array([1.0, 0.0]), np.zeros(2)), Mix(np.array([0.0, 1.0]), np.zeros(2)), [0.0, -6.0])
    assert np.isnan(swept.integrated_lufs).all() == (frames < 19_200)
    assert np.isnan(swept.short_term_max_lufs).all()


def test_silence_reads_minus_infinity_and_breaks_nothing():
    energies = meter_takes(np.zeros((2, RATE_HZ * 4)))
    found = read_mix(energies, Mix(np.ones(2), np.ones(2)))
    assert found.integrated_lufs == found.momentary_max_lufs == found.short_term_max_lufs == -math.inf
    assert found.range_lu is found.correlation is found.mono_loss_lu is None
    left, right, none = np.array([1.0, 0]), np.array([0, 1.0]), np.zeros(2)
    swept = sweep(energies, Mix(left, none), Mix(right, none), [0.0, -math.inf])
    assert (swept.integrated_lufs == -math.inf).all()
    assert np.isnan(swept.added_lu).all()


def test_a_section_outside_the_song_is_not_measurable(energies):
    for start, stop in ((energies.frames, energies.frames + 48_000), (480_000, 470_000), (10**9, None)):
        mix = Mix(np.ones(TAKES), np.ones(TAKES))
        assert read_mix(energies, mix, start, stop).integrated_lufs is None
        assert measure_mixes(energies, [mix])[0].readings(start, stop).integrated_lufs is None


def test_four_sounds_at_once_are_weighted_as_each_alone_to_the_bit(rng):
    sections = k_weighting(RATE_HZ)
    sound = rng.standard_normal((4, 700))
    results = []
    for run in (kernels.run_two_sections_of_four, kernels.run_two_sections_of_four.plain):
        state, out = np.zeros((4, 4)), np.empty_like(sound)
        for piece in (slice(0, 300), slice(300, 700)):
            run(sections[0], sections[1], sound[:, piece], state, out[:, piece])
        results.append(out)
    alone = np.stack([loudness.run_sections(sections, row)[0] for row in sound])
    np.testing.assert_array_equal(results[0], results[1])
    np.testing.assert_array_equal(results[0], alone)

"""Rounding, dither and packing, against the theory and against Python's own integers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from layerpipe.core.errors import ParameterError
from layerpipe.dsp import kernels
from layerpipe.dsp.quantize import DitherStream, Overs, pack_pcm, to_pcm


def sine(frames: int, level: float) -> np.ndarray:
    """A sine whose period is no whole number of frames."""
    return level * np.sin(np.arange(frames) * 0.06180339887)


@pytest.mark.parametrize("bit_depth", [16, 24])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_samples_go_to_the_nearest_step_and_halves_to_the_even_one(bit_depth: int, dtype: type) -> None:
    step = 2.0 ** (1 - bit_depth)
    steps = np.array([0.0, 0.4, 0.5, 0.6, 1.5, 2.5, -0.4, -0.5, -0.6, -1.5, -2.5, 100.49])
    pcm, overs = to_pcm((steps * step).astype(dtype), bit_depth)
    assert pcm.dtype == np.int32
    assert pcm.tolist() == [0, 0, 0, 1, 2, 2, 0, 0, -1, -2, -2, 100]
    assert not overs


@pytest.mark.parametrize("bit_depth", [16, 24])
def test_rounding_has_no_mean_error(bit_depth: int, rng: np.random.Generator) -> None:
    # Libraries that truncate are half a step low (python-soundfile issue 257, libsndfile pull request 959).
    sound = rng.uniform(-0.9, 0.9, 1_000_000)
    scale = 2 ** (bit_depth - 1)
    error = to_pcm(sound, bit_depth)[0] - sound * scale
    assert abs(error.mean()) < 0.01
    assert np.abs(error).max() <= 0.5
    # Undithered: step / sqrt(12).
    assert 20 * math.log10(error.std()) == pytest.approx(20 * math.log10(1 / math.sqrt(12)), abs=0.05)


@pytest.mark.parametrize(("bit_depth", "dbfs_of_sine"), [(16, -93.32), (24, -141.48)])
@pytest.mark.parametrize("level", [0.0, 0.3 * 2.0**-15, 0.5])
def test_triangular_dither_leaves_an_even_floor_whatever_the_sound(bit_depth: int, dbfs_of_sine: float,
                                                                   level: float) -> None:
    # Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992, 355-375: error of mean 0 and of the power of triangular dither
    # (step^2/6) and rounding (step^2/12) together, step^2/4; that is step/2 rms, -93.32 dB (16 bit) and -141.48 dB
    # (24 bit) against a full-scale sine (AES17 style).
    sound = sine(1_000_000, level)
    pcm, _ = to_pcm(sound, bit_depth, dither=DitherStream("stem"))
    error = pcm / 2 ** (bit_depth - 1) - sound
    assert 20 * math.log10(error.std() * math.sqrt(2)) == pytest.approx(dbfs_of_sine, abs=0.05)
    assert abs(error.mean()) * 2 ** (bit_depth - 1) < 0.01


def test_dithered_error_does_not_follow_the_sound() -> None:
    sound = sine(1_000_000, 1.5 * 2.0**-15)
    pcm, _ = to_pcm(sound, 16, dither=DitherStream("stem"))
    error = pcm / 2**15 - sound
    assert abs(np.corrcoef(error, sound)[0, 1]) < 0.005
    assert abs(np.corrcoef(error**2, sound**2)[0, 1]) < 0.005
    # Without dither a sound this small is mostly distortion.
    bare = to_pcm(sound, 16)[0] / 2**15 - sound
    assert abs(np.corrcoef(bare, sound)[0, 1]) > 0.02


@pytest.mark.parametrize("cut", [1, 137, 8_191, 8_192, 20_001])
@pytest.mark.parametrize("channels", [1, 2])
def test_dither_does_not_care_where_the_sound_is_cut(cut: int, channels: int) -> None:
    sound = np.stack([sine(25_000, 0.1), sine(25_000, 0.2)], axis=1)
    sound = sound if channels == 2 else sound[:, 0]
    stream = DitherStream("octave", channels)
    whole, _ = to_pcm(sound, 16, dither=stream)
    head, _ = to_pcm(sound[:cut], 16, dither=stream)
    tail, _ = to_pcm(sound[cut:], 16, dither=stream, start=cut)
    np.testing.assert_array_equal(np.concatenate([head, tail]), whole)


def test_dither_is_the_same_again_and_another_under_another_name() -> None:
    silence = np.zeros(10_000)
    one, _ = to_pcm(silence, 16, dither=DitherStream("left"))
    again, _ = to_pcm(silence, 16, dither=DitherStream("left"))
    other, _ = to_pcm(silence, 16, dither=DitherStream("right"))
    np.testing.assert_array_equal(one, again)
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.05
    assert set(np.unique(one)) == {-1, 0, 1}


def test_the_generator_gives_the_published_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    # SplitMix64, seed 1234567: the first five numbers as published with the xoshiro reference code and on Rosetta Code.
    published = [6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431,
                 16408922859458223821]
    stream = DitherStream("any")
    monkeypatch.setattr(stream, "_key", np.uint64(1234567))
    expected = [((n & 0xFFFFFFFF) - (n >> 32)) * 2.0**-32 for n in published]
    np.testing.assert_array_equal(stream.add(np.zeros(5), 0, 1.0), expected)
    np.testing.assert_array_equal(stream.add(np.zeros(2), 3, 1.0), expected[3:])


def test_what_passes_full_scale_is_counted_and_placed() -> None:
    sound = np.zeros((20_000, 2))
    sound[9_000] = [1.0, 0.5]
    sound[9_005, 1] = -2.0
    pcm, overs = to_pcm(sound, 24, start=100)
    assert overs
    assert (overs.count, overs.first_frame) == (2, 9_100)
    assert overs.peak_dbfs == pytest.approx(6.0206, abs=1e-4)
    assert pcm[9_000].tolist() == [2**23 - 1, 2**22]
    assert pcm[9_005, 1] == -(2**23)
    quiet, none = to_pcm(np.array([-1.0, 1 - 2.0**-23]), 24)
    assert not none
    assert quiet.tolist() == [-(2**23), 2**23 - 1]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_counts_as_past_full_scale(value: float) -> None:
    _, overs = to_pcm(np.array([0.0, value, 0.0], np.float32), 16)
    assert (overs.count, overs.first_frame, overs.peak_dbfs) == (1, 1, math.inf)


def test_overs_add_up_in_order_of_time() -> None:
    total = Overs().and_then(Overs(2, 500, 0.5)).and_then(Overs(1, 900, 1.5))
    assert total == Overs(3, 500, 1.5)
    assert not Overs().and_then(Overs())


@pytest.mark.parametrize("count", [0, 1, 3, 4, 5, 1023])
@pytest.mark.parametrize("bit_depth", [16, 24])
def test_packing_gives_the_bytes_python_gives(count: int, bit_depth: int, rng: np.random.Generator) -> None:
    limit = 1 << (bit_depth - 1)
    pcm = rng.integers(-limit, limit, count).astype(np.int32)
    pcm[:2] = [-limit, limit - 1][: len(pcm[:2])]
    expected = b"".join(int(value).to_bytes(bit_depth // 8, "little", signed=True) for value in pcm)
    assert pack_pcm(pcm, bit_depth)[: len(expected)].tobytes() == expected
    room = np.zeros(5_000, np.uint8)
    assert pack_pcm(pcm, bit_depth, room) is room
    assert room[: len(expected)].tobytes() == expected


def test_the_compiled_loops_and_numpy_give_the_same_bits(rng: np.random.Generator) -> None:
    wild = rng.standard_normal(30_000) * rng.choice([1e-9, 0.1, 1.0, 3.0], 30_000)
    wild[[3, 77, 20_000]] = np.nan, np.inf, -np.inf
    for sound in (wild, wild.astype(np.float32)):
        fast, noisy = np.empty(len(wild), np.int32), np.empty(len(wild))
        rounded = np.rint(sound.astype(np.float64) * 2.0**23)
        # In this order of comparison NaN is held at the low end.
        held = np.minimum(np.where(rounded > -(2.0**23), rounded, -(2.0**23)), 2.0**23 - 1)
        assert kernels.round_samples(sound, 1.0, 2.0**23, fast) == np.count_nonzero(held != rounded)
        np.testing.assert_array_equal(fast, held.astype(np.int32))
        kernels.add_noise(np.uint64(5), np.uint64(2**63 + 5), 1e-3, sound, noisy)
        np.testing.assert_array_equal(noisy, sound + split_mix(5, 2**63 + 5, len(sound)) * 1e-3)


def split_mix(start: int, key: int, count: int) -> np.ndarray:
    """Differences of the halves of SplitMix64's numbers, by Python's own integers."""
    whole, found = 2**64 - 1, []
    for n in range(1, count + 1):
        mixed = ((start + n) * 0x9E3779B97F4A7C15 + key) & whole
        mixed = ((mixed ^ (mixed >> 30)) * 0xBF58476D1CE4E5B9) & whole
        mixed = ((mixed ^ (mixed >> 27)) * 0x94D049BB133111EB) & whole
        mixed ^= mixed >> 31
        found.append(float(mixed & 0xFFFFFFFF) - float(mixed >> 32))
    return np.array(found)


def test_the_loops_as_written_give_the_same_bits_as_compiled(rng: np.random.Generator) -> None:
    sound = rng.uniform(-1.2, 1.2, 203)
    fast, plain = np.empty(203, np.int32), np.empty(203, np.int32)
    assert (kernels.round_samples(sound, 0.9, 32768.0, fast)
            == kernels.round_samples.plain(sound, 0.9, 32768.0, plain) > 0)
    np.testing.assert_array_equal(fast, plain)
    words, rest = np.zeros((2, 150), np.uint32), np.zeros((2, 9), np.uint8)
    kernels.pack_24(fast.view(np.uint32), words[0], rest[0])
    kernels.pack_24.plain(fast.view(np.uint32), words[1], rest[1])
    np.testing.assert_array_equal(words[0], words[1])
    np.testing.assert_array_equal(rest[0], rest[1])
    noisy = np.empty((2, 203))
    kernels.add_noise(np.uint64(9), np.uint64(2**64 - 3), 0.5, sound, noisy[0])
    with np.errstate(over="ignore"):
        kernels.add_noise.plain(np.uint64(9), np.uint64(2**64 - 3), 0.5, sound, noisy[1])
    np.testing.assert_array_equal(noisy[0], noisy[1])


def test_other_bit_depths_and_channel_counts_are_refused() -> None:
    with pytest.raises(ParameterError, match="bit_depth=20 must be 16 or 24"):
        to_pcm(np.zeros(3), 20)
    with pytest.raises(ParameterError, match="bit_depth=8"):
        pack_pcm(np.zeros(3, np.int32), 8)
    with pytest.raises(ParameterError, match="dither of 1 channels does not fit 2"):
        to_pcm(np.zeros((3, 2)), 16, dither=DitherStream("left"))

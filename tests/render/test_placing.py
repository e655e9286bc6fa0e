"""Files at their places: exact copies at whole frames, parts of a frame, silence, time stamps, microphones."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layerpipe.audio_files.reader import inspect
from layerpipe.core.errors import AudioError, ParameterError
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import Layer, Mic, Recipe, Song, Take
from layerpipe.render.takes.open_takes import OpenTake, open_all
from layerpipe.render.takes.placing import Place, PlacedSound, SummedSound, stamped_start_s
from tests.support.sounds.stamped_wave import write_wave

RATE_HZ = 48_000
HOUR = 3_600


def opened(*takes: Take, **song: float) -> list[OpenTake]:
    """Takes of one layer, opened."""
    return open_all(Recipe(song=Song(title="Lantern", **song), layer=[Layer(name="regular", take=list(takes))]))


def noise(frames: int, seed: int = 1) -> np.ndarray:
    """Noise as a 24-bit file holds it."""
    return np.round(np.random.default_rng(seed).uniform(-0.5, 0.5, frames) * 2**23) / 2**23


def test_a_start_is_a_whole_frame_and_a_shift_counts_in_parts() -> None:
    assert Place.of(1.0, 0.0, RATE_HZ) == Place(48_000, 0.0)
    assert Place.of(-1.00001, 0.0, RATE_HZ) == Place(-48_000, 0.0)
    assert Place.of(0.5, 10.0, RATE_HZ) == Place(24_480, 0.0)
    assert Place.of(0.0, -10.0, RATE_HZ) == Place(-480, 0.0)
    frame, part = Place.of(0.0, -0.005, RATE_HZ)
    assert (frame, part) == (-1, pytest.approx(0.76))
    # 25 ms are 1102.5 frames at 44.1 kHz.
    assert Place.of(0.0, 25.0, 44_100) == Place(1102, 0.5)


def test_a_whole_frame_is_an_exact_copy_with_exact_silence_around_it() -> None:
    x = noise(1_000)
    placed = PlacedSound(ArraySound(x, RATE_HZ), 5_000, Place(700, 0.0)).read(0, 5_000)
    np.testing.assert_array_equal(placed, np.r_[np.zeros(700), x, np.zeros(3_300)])
    early = PlacedSound(ArraySound(x, RATE_HZ), 800, Place(-300, 0.0)).read(0, 800)
    np.testing.assert_array_equal(early, np.r_[x[300:], np.zeros(100)])


def test_a_part_of_a_frame_keeps_the_silence_before_and_after_exact() -> None:
    at = np.arange(4_000)
    x = np.sin(2 * np.pi * 440 * at / RATE_HZ)
    y = PlacedSound(ArraySound(x, RATE_HZ), 9_000, Place(2_000, 0.25)).read(0, 9_000)
    assert not y[:2_000].any()
    assert not y[6_001:].any()
    inside = np.arange(2_100, 5_900)
    np.testing.assert_allclose(y[inside], np.sin(2 * np.pi * 440 * (inside - 2_000.25) / RATE_HZ), atol=1e-4)


@given(cuts=st.lists(st.integers(0, 6_000), max_size=6), frame=st.integers(-900, 5_500),
       part=st.sampled_from([0.0, 0.5, 0.013]))
def test_where_a_placed_sound_is_cut_changes_no_bit(cuts: list[int], frame: int, part: float) -> None:
    placed = PlacedSound(ArraySound(noise(1_000), RATE_HZ), 6_000, Place(frame, part))
    edges = [0, *sorted(cuts), 6_000]
    pieces = [placed.read(start, stop) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(pieces), placed.read(0, 6_000))


def test_microphones_are_added_with_their_gains_and_polarities(tmp_path: Path) -> None:
    pair = np.stack([noise(2_000), noise(2_000, 2)], axis=1)
    file = write_wave(tmp_path / "pair.wav", pair, RATE_HZ)
    mics = [Mic(file=file, channel=1), Mic(file=file, channel=2, gain_db=-6.0, shift_ms=1.0, invert_polarity=True)]
    (take,) = opened(Take(name="left", mics=mics))
    assert take.frames == 2_048
    wanted = np.r_[pair[:, 0], np.zeros(48)] - 10 ** (-6 / 20) * np.r_[np.zeros(48), pair[:, 1]]
    np.testing.assert_allclose(take.source.read(0, 2_048), wanted, atol=1e-12)
    summed = SummedSound([ArraySound(pair[:, n], RATE_HZ) for n in (0, 1)], [1.0, -1.0])
    np.testing.assert_array_equal(summed.read(10, 20), pair[10:20, 0] - pair[10:20, 1])


def test_takes_begin_where_they_say_and_the_song_is_as_long_as_the_last_of_them(tmp_path: Path) -> None:
    x = noise(48_000)
    file = write_wave(tmp_path / "a.wav", x, RATE_HZ)
    stamped = write_wave(tmp_path / "b.wav", x, 44_100, time_reference_frames=44_100 * HOUR + 88_200)
    takes = opened(Take(name="1", file=file, starts=-0.5), Take(name="2", file=file, starts="bar 3", shift_ms=1.0),
                   Take(name="3", file=stamped, starts="time reference"), tempo=120.0, bar_one_s=0.5,
                   time_reference_s=float(HOUR))
    # Bar 3 at 120 in 4/4 is 4 s after bar 1. The stamp is 2 s, counted at the file's own rate.
    assert [take.passes[0].start for take in takes] == [-24_000, 216_048, 96_000]
    assert {take.frames for take in takes} == {216_048 + 48_000}
    np.testing.assert_array_equal(takes[0].source.read(0, 24_010), np.r_[x[24_000:], np.zeros(10)])
    late = takes[1].source.read(0, takes[1].frames)
    np.testing.assert_array_equal(late, np.r_[np.zeros(216_048), x])
    assert not takes[2].source.read(0, 96_000).any()
    assert takes[2].source.read(96_000, 96_100).any()
    assert takes[2].main.rate_converted_from == 44_100


@pytest.mark.parametrize("stamp_last", [False, True])
def test_a_stamp_is_read_wherever_its_chunk_is(tmp_path: Path, stamp_last: bool) -> None:
    path = write_wave(tmp_path / "a.wav", noise(11), RATE_HZ, time_reference_frames=5 << 32, stamp_last=stamp_last)
    assert inspect(path).time_reference == 5 << 32
    assert inspect(write_wave(tmp_path / "b.wav", noise(11), RATE_HZ)).time_reference is None


def test_a_stamp_past_midnight_follows_the_song(tmp_path: Path) -> None:
    song_s = 24 * HOUR - 10.0
    for frames in (5 * RATE_HZ, (24 * HOUR + 5) * RATE_HZ):
        file = write_wave(tmp_path / "a.wav", noise(4_800), RATE_HZ, time_reference_frames=frames)
        assert stamped_start_s(inspect(file), song_s) == pytest.approx(15.0)
    file = write_wave(tmp_path / "b.wav", noise(480_000), RATE_HZ, time_reference_frames=(24 * HOUR - 3) * RATE_HZ)
    assert stamped_start_s(inspect(file), 2.0) == pytest.approx(-5.0)


@pytest.mark.parametrize(("frames", "words"), [
    (None, "no time stamp"),
    (48 * HOUR * RATE_HZ, "impossible time stamp, 48.0 hours"),
    (2**64 - 1, "impossible time stamp"),
    (HOUR * RATE_HZ - 96_000, "ends 1.000 s before the song begins: its time stamp is 0:59:58.000, the song begins at "
                              "1:00:00.000"),
    (3 * HOUR * RATE_HZ, "begins 2.0 hours after the song"),
])
def test_a_stamp_that_cannot_be_is_refused(tmp_path: Path, frames: int | None, words: str) -> None:
    file = write_wave(tmp_path / "a.wav", noise(48_000), RATE_HZ, time_reference_frames=frames)
    with pytest.raises(ParameterError, match=words):
        stamped_start_s(inspect(file), float(HOUR))


def test_all_stamps_that_cannot_be_are_refused_at_once_with_their_places(tmp_path: Path) -> None:
    none = write_wave(tmp_path / "none.wav", noise(48_000), RATE_HZ)
    far = write_wave(tmp_path / "far.wav", noise(48_000), RATE_HZ, time_reference_frames=9 * HOUR * RATE_HZ)
    with pytest.raises(AudioError) as refusal:
        opened(Take(name="1", file=none, starts="time reference"), Take(name="2", file=far, starts="time reference"),
               time_reference_s=0.0)
    told = str(refusal.value)
    assert 'take "1": has no time stamp' in told
    assert 'take "2": begins 9.0 hours after' in told


def test_a_song_in_which_no_take_is_heard_is_refused(tmp_path: Path) -> None:
    file = write_wave(tmp_path / "a.wav", noise(4_800), RATE_HZ)
    with pytest.raises(AudioError, match="every take ends before the song begins"):
        opened(Take(name="1", file=file, starts=-3.0))

"""Comps of passes: which pass is heard where, its crossfades, its moves; and that one pass is what it always was."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layerpipe.core.errors import RecipeError
from layerpipe.core.sound import ArraySound
from layerpipe.recipe.model.recipe import CompPart, Layer, Mic, Move, Pass, Recipe, Song, Take
from layerpipe.recipe.reader import RecipeFile, read_recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import process_takes
from layerpipe.render.takes.attack import attack_text
from layerpipe.render.takes.open_takes import OpenTake, open_all
from layerpipe.render.takes.passes import Comp, CompJoint
from tests.support.examples import few
from tests.support.sounds.stamped_wave import write_wave

RATE_HZ = 48_000
NAMES = ("1", "2", "3")


def tempo_map() -> TempoMap:
    """120 in 4/4, bar 1 at 0 s: a bar is 2 s."""
    return TempoMap.of(recipe_of(Take(name="t", file=Path("x.wav"))))


def recipe_of(take: Take) -> Recipe:
    """A song of one take."""
    return Recipe(song=Song(title="Lantern", tempo=120.0), layer=[Layer(name="regular", take=[take])])


def part(start: str | float, stop: str | float, name: str, crossfade_ms: float = 5.0) -> CompPart:
    """An entry of a comp."""
    return CompPart(start=start, stop=stop, played=name, crossfade_ms=crossfade_ms)


def take_of(parts: Sequence[CompPart], play: str | None = None) -> Take:
    """A take of three passes."""
    return Take(name="left", passes=[Pass(name=name, file=Path(f"{name}.wav")) for name in NAMES], play=play,
                comp=list(parts))


def comp_of(*parts: CompPart, play: str | None = None) -> Comp:
    """The comp of a take of three passes, at 1000 frames a second."""
    return Comp.of(take_of(parts, play), tempo_map(), 1_000)


@pytest.fixture
def sounds(rng: np.random.Generator) -> list[ArraySound]:
    """Three different passes of 10 s."""
    return [ArraySound(rng.standard_normal(10_000), 1_000) for _ in NAMES]


def test_the_pass_to_play_is_heard_where_the_comp_names_no_other() -> None:
    assert comp_of() == Comp(0, ())
    assert comp_of(play="3") == Comp(2, ())
    assert comp_of(part("bar 2", "bar 3", "3"), play="2") == Comp(1, (CompJoint(2_000, 1, 2, 5),
                                                                     CompJoint(4_000, 2, 1, 5)))


def test_entries_that_touch_share_one_joint_with_the_longer_crossfade() -> None:
    found = comp_of(part(4.0, 6.0, "3", 20.0), part(2.0, 4.0, "2"))
    assert found.joints == (CompJoint(2_000, 0, 1, 5), CompJoint(4_000, 1, 2, 20), CompJoint(6_000, 2, 0, 20))


def test_an_entry_of_the_pass_that_is_heard_anyhow_makes_no_joint() -> None:
    assert comp_of(part(1.0, 2.0, "1")) == Comp(0, ())
    assert comp_of(part(-1.0, 2.0, "2")) == Comp(1, (CompJoint(2_000, 1, 0, 5),))
    assert comp_of(part(1.0, 2.0, "2"), part(2.0, 3.0, "2")).joints == (CompJoint(1_000, 0, 1, 5),
                                                                       CompJoint(3_000, 1, 0, 5))


def test_a_comp_is_exact_outside_its_crossfades_which_end_at_its_positions(sounds: list[ArraySound]) -> None:
    comp = comp_of(part("bar 2", "bar 3", "2"), part("bar 4", 20.0, "3"))
    heard = comp.play(sounds).read(0, 10_000)
    x, y, z = (sound.read(0, 10_000) for sound in sounds)
    wanted = np.r_[x[:2_000], y[2_000:4_000], x[4_000:6_000], z[6_000:]]
    faded = np.r_[1_995:2_000, 3_995:4_000, 5_995:6_000]
    np.testing.assert_array_equal(np.delete(heard, faded), np.delete(wanted, faded))
    assert np.all(heard[faded] != wanted[faded])


def test_passes_that_are_one_sound_are_joined_without_a_trace(rng: np.random.Generator) -> None:
    x = ArraySound(rng.standard_normal(10_000), 1_000)
    comp = comp_of(part("bar 2", "bar 3", "2", 100.0))
    np.testing.assert_allclose(comp.play([x, x, x]).read(0, 10_000), x.read(0, 10_000), atol=1e-12)


def test_different_passes_keep_their_power_through_a_crossfade() -> None:
    # Independent noises: constant power, averaged over 200 comps (Fink, Holters, Zolzer, DAFx-16, 2016).
    rng = np.random.default_rng(3)
    comp, power = comp_of(part(2.0, 3.0, "2", 50.0)), np.zeros(50)
    for _ in range(200):
        passes = [ArraySound(rng.standard_normal(10_000), 1_000) for _ in NAMES]
        power += comp.play(passes).read(1_950, 2_000) ** 2 / 200
    assert power.mean() == pytest.approx(1.0, abs=0.05)


def test_each_attack_at_a_joint_is_heard_once_and_whole() -> None:
    # Strums of both passes within 20 ms after the position: only the incoming one is heard, and all of it.
    for first, second in ((2_010, 2_020), (2_020, 2_010), (2_000, 2_000)):
        strums = []
        for at in (first, second, 0):
            x = np.zeros(10_000)
            x[at : at + 300] = np.exp(-np.arange(300) / 60)
            strums.append(x)
        heard = comp_of(part("bar 2", "bar 3", "2")).play([ArraySound(x, 1_000) for x in strums]).read(0, 10_000)
        np.testing.assert_array_equal(heard[1_000:3_900], strums[1][1_000:3_900])


def test_a_joint_is_shortened_to_the_room_after_the_one_before(sounds: list[ArraySound]) -> None:
    comp = comp_of(part(2.0, 2.02, "2", 100.0))
    heard, (x, y, _) = comp.play(sounds).read(0, 10_000), [sound.read(0, 10_000) for sound in sounds]
    np.testing.assert_array_equal(heard[:1_900], x[:1_900])
    np.testing.assert_array_equal(heard[2_020:], x[2_020:])
    assert not np.array_equal(heard[1_990:2_000], y[1_990:2_000])


@settings(max_examples=few(15, 60))
@given(cuts=st.lists(st.integers(0, 10_000), max_size=8),
       bounds=st.lists(st.integers(-500, 11_000), min_size=2, max_size=8, unique=True).filter(lambda b: not len(b) % 2),
       names=st.lists(st.sampled_from(NAMES), min_size=4, max_size=4), crossfade_ms=st.sampled_from([0.1, 5.0, 100.0]))
def test_where_a_comp_is_cut_changes_no_bit(cuts: list[int], bounds: list[int], names: list[str],
                                            crossfade_ms: float) -> None:
    rng = np.random.default_rng(8)
    passes = [ArraySound(rng.standard_normal(10_000), 1_000) for _ in NAMES]
    ends = sorted(bounds)
    parts = [part(start / 1000, stop / 1000, name, crossfade_ms)
             for start, stop, name in zip(ends[::2], ends[1::2], names, strict=False)]
    comp = comp_of(*parts)
    edges = [0, *sorted(cuts), 10_000]
    played = comp.play(passes)
    pieces = [played.read(start, stop) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(pieces), comp.play(passes).read(0, 10_000))
    assert [stop for _, stop, _ in comp.spans(10_000)][-1] == 10_000


def noise(seed: int, frames: int = 2 * RATE_HZ) -> np.ndarray:
    """Noise."""
    return np.random.default_rng(seed).uniform(-0.5, 0.5, frames)


def opened(recipe: Recipe) -> OpenTake:
    """The one take of a recipe."""
    (take,) = open_all(recipe)
    return take


def test_moves_belong_to_a_pass_and_are_heard_where_it_is(tmp_path: Path) -> None:
    files = [write_wave(tmp_path / f"{seed}.wav", noise(seed), RATE_HZ) for seed in (1, 2)]
    moved = [Pass(name="1", file=files[0], move=[Move(start=0.2, stop=0.4, by_ms=10.0), Move(start=1.2, stop=1.4,
                                                                                              by_ms=20.0)]),
             Pass(name="2", file=files[1], move=[Move(start=1.2, stop=1.4, by_ms=-10.0)])]
    take = opened(recipe_of(Take(name="left", passes=moved, comp=[part(1.0, 5.0, "2")])))
    assert [(move.start, move.by) for move in take.heard_moves()] == [(9_600, 480), (57_600, -480)]
    alone = [opened(recipe_of(Take(name="left", file=one.file, move=one.move))).played() for one in moved]
    heard = take.played().read(0, take.frames)
    np.testing.assert_array_equal(heard[:47_700], alone[0].read(0, 47_700))
    np.testing.assert_array_equal(heard[48_000:], alone[1].read(48_000, take.frames))
    assert [take.pass_at(frame) for frame in (0, 47_999, 48_000, 95_999, 99_999)] == [0, 0, 1, 1, 1]


def test_a_song_ends_with_what_is_heard_of_its_passes(tmp_path: Path) -> None:
    long, short = (write_wave(tmp_path / f"{n}.wav", noise(n, n * RATE_HZ), RATE_HZ) for n in (3, 2))
    passes = [Pass(name="short", file=short), Pass(name="long", file=long)]
    assert opened(recipe_of(Take(name="left", passes=passes))).frames == 2 * RATE_HZ
    assert opened(recipe_of(Take(name="left", passes=passes, comp=[part(0.5, 1.0, "long")]))).frames == 2 * RATE_HZ
    assert opened(recipe_of(Take(name="left", passes=passes, comp=[part(0.5, 9.0, "long")]))).frames == 3 * RATE_HZ


def song_file(folder: Path, take: str) -> RecipeFile:
    """A recipe of one take, read from its file."""
    path = folder / "song.toml"
    path.write_text(f'[song]\ntitle = "Lantern"\ntempo = 120\n[[layer]]\nname = "regular"\n[[layer.take]]\n{take}\n')
    return read_recipe(path)


def test_one_pass_without_anything_new_is_the_same_cached_take(tmp_path: Path) -> None:
    write_wave(tmp_path / "a.wav", noise(1), RATE_HZ)
    cache = TakeCache(tmp_path / "cache")

    def key(take: str) -> str:
        return process_takes(song_file(tmp_path, take), cache).takes[0].sound.key

    plain = key('name = "left"\nfile = "a.wav"')
    assert key('name = "left"\npasses = [{ name = "1", file = "a.wav" }]') == plain
    assert key('name = "left"\nmics = [{ file = "a.wav" }]') == plain
    assert key('name = "left"\nfile = "a.wav"\nstarts = "bar 1"') == plain
    assert key('name = "left"\nfile = "a.wav"\nshift_ms = 0.01') != plain
    assert key('name = "left"\nmics = [{ file = "a.wav", gain_db = -1 }]') != plain


def test_a_pass_that_is_not_heard_is_not_part_of_a_cached_take(tmp_path: Path) -> None:
    for n in (1, 2, 3):
        write_wave(tmp_path / f"{n}.wav", noise(n), RATE_HZ)
    cache = TakeCache(tmp_path / "cache")
    passes = ", ".join(f'{{ name = "{n}", file = "{n}.wav" }}' for n in (1, 2, 3))
    take = f'name = "left"\npasses = [{passes}]\ncomp = [{{ from = "bar 1 beat 2", to = "bar 2", pass = "2" }}]'
    first = process_takes(song_file(tmp_path, take), cache).takes[0].sound.key
    write_wave(tmp_path / "3.wav", noise(30), RATE_HZ)
    assert process_takes(song_file(tmp_path, take), cache).takes[0].sound.key == first
    write_wave(tmp_path / "2.wav", noise(20), RATE_HZ)
    assert process_takes(song_file(tmp_path, take), cache).takes[0].sound.key != first


def test_a_replaced_pass_keeps_no_moves_silently(tmp_path: Path) -> None:
    for n in (1, 2):
        write_wave(tmp_path / f"{n}.wav", noise(n), RATE_HZ)
    passes = [Pass(name=str(n), file=tmp_path / f"{n}.wav") for n in (1, 2)]
    sounds = opened(recipe_of(Take(name="left", passes=passes))).pass_sounds
    moves = [f'move = [{{ from = {at}, to = {at + 0.2}, by_ms = 5, attack = "{attack_text(sounds[n], at)}" }}]'
             for n, at in ((0, 0.25), (1, 0.75))]
    take = ('name = "left"\npasses = [\n' + ",\n".join(f'{{ name = "{n}", file = "{n}.wav", {moves[n - 1]} }}'
                                                       for n in (1, 2)) + "]")
    cache = TakeCache(tmp_path / "cache")
    assert process_takes(song_file(tmp_path, take), cache).frames == 2 * RATE_HZ
    write_wave(tmp_path / "2.wav", noise(9), RATE_HZ)
    with pytest.raises(RecipeError) as refusal:
        process_takes(song_file(tmp_path, take), cache)
    assert len(refusal.value.faults) == 1
    assert "take 1, passes 2, move 1, attack: 2.wav no longer has the sound" in str(refusal.value)
    with pytest.raises(RecipeError, match=r"1\.wav no longer has the sound .*, or begins elsewhere"):
        process_takes(song_file(tmp_path, take.replace('file = "1.wav"', 'file = "1.wav", shift_ms = 3')), cache)


def test_the_same_file_twice_is_one_microphone_at_twice_the_level(tmp_path: Path) -> None:
    file = write_wave(tmp_path / "a.wav", noise(1) / 4, RATE_HZ)
    one, two = (opened(recipe_of(take)).source for take in (
        Take(name="t", file=file), Take(name="t", mics=[Mic(file=file), Mic(file=file)])))
    np.testing.assert_array_equal(two.read(0, two.frames), 2 * one.read(0, one.frames))

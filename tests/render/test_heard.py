"""What was heard is kept: when it is used again, when it is not, and what becomes of damage."""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from layerpipe.analysis.defects.single_pass import Measurements, measure_take
from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.onsets.onset import Detection
from layerpipe.audio_files.reader import SourceFile, StereoFile
from layerpipe.audio_files.resample import ConvertedSound
from layerpipe.core.helper import Helper
from layerpipe.core.listening import Ask, Question, listen_anew
from layerpipe.core.sound import ArraySound, Sound, made_of
from layerpipe.dsp.splicing import FrameMove
from layerpipe.render.cache import heard
from layerpipe.render.cache.heard import KIND, Heard
from layerpipe.render.cache.packed import pack
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.takes.joined import JoinedSound
from layerpipe.render.takes.made import sound_of
from layerpipe.render.takes.moves import MovedTake
from layerpipe.render.takes.placing import Place, PlacedSound, SummedSound
from tests.support.songs import plucked
from tests.support.waiting import PATIENCE_S

RATE_HZ = 8_000
asked_for: list[str] = []


@dataclass(frozen=True)
class Level:
    """An answer."""

    peak: float
    part: npt.NDArray[np.float32]


def level_of(sound: Sound, start: int = 0, *, loud: float = 0.0) -> Level:
    """A listener that counts how often it listens."""
    asked_for.append("level")
    samples = sound.read(start, sound.frames)
    return Level(float(np.abs(samples).max()), samples[:3].astype(np.float32))


def peak_of(sound: Sound, *, ask: Ask = listen_anew) -> float:
    """A listener that asks another one."""
    return ask(level_of, sound).peak


@pytest.fixture
def path(tmp_path, rng):
    path = tmp_path / "take.wav"
    soundfile.write(path, rng.uniform(-0.5, 0.5, (RATE_HZ, 2)), RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture
def cache(tmp_path):
    asked_for.clear()
    return TakeCache(tmp_path / "cache")


def entries(cache):
    return sorted(cache.folder.glob(f"*.{KIND}"))


def test_an_answer_is_found_again_and_is_the_same_to_the_last_bit(path, cache):
    one = Heard(cache)(level_of, SourceFile(path, 1), 5)
    again = Heard(TakeCache(cache.folder))(level_of, SourceFile(path, 1), 5, loud=1.0)
    assert (one.peak, one.part.tobytes()) == (again.peak, again.part.tobytes())
    assert (one.peak, one.part.tobytes()) == (level_of(SourceFile(path, 1), 5).peak, again.part.tobytes())
    assert asked_for == ["level"] * 2


def test_another_channel_place_or_question_is_heard_by_itself(path, cache):
    ask, sound = Heard(cache), SourceFile(path, 1)
    for one in (sound, SourceFile(path, 2), PlacedSound(sound, RATE_HZ, Place(7, 0.0)),
                PlacedSound(sound, RATE_HZ, Place(7, 0.5)), SummedSound([sound, SourceFile(path, 2)], [1.0, -0.5]),
                SummedSound([sound, SourceFile(path, 2)], [1.0, 0.5]),
                MovedTake(sound, [FrameMove(1000, 4000, 30, 20)]), ConvertedSound(sound, RATE_HZ, RATE_HZ, 11_025)):
        before = len(asked_for)
        assert ask(level_of, one).peak == level_of(one).peak
        assert len(asked_for) == before + 2
    ask(level_of, sound, 1)
    assert len(entries(cache)) == 9


def test_a_changed_file_is_heard_again_and_a_copy_of_it_is_not(path, cache, tmp_path):
    (tmp_path / "copy.wav").write_bytes(path.read_bytes())
    ask = Heard(cache)
    first = ask(level_of, SourceFile(path, 1))
    assert ask(level_of, SourceFile(tmp_path / "copy.wav", 1)).peak == first.peak
    assert asked_for == ["level"]
    soundfile.write(path, np.full((RATE_HZ, 2), 0.25), RATE_HZ, subtype="PCM_24")
    assert Heard(cache)(level_of, SourceFile(path, 1)).peak == 0.25
    assert asked_for == ["level"] * 2


def test_what_was_heard_of_a_file_that_changes_meanwhile_is_not_kept(path, cache):
    sound = SourceFile(path, 1)
    os.utime(path, ns=(1, 1))
    assert Heard(cache)(level_of, sound).peak > 0
    assert entries(cache) == []


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "swapped"])
def test_a_damaged_entry_is_made_again(path, cache, damage):
    good = Heard(cache)(level_of, SourceFile(path, 1))
    (kept,) = entries(cache)
    content = bytearray(kept.read_bytes())
    if damage == "swapped":
        Heard(cache)(level_of, SourceFile(path, 2))
        (other,) = [entry for entry in entries(cache) if entry != kept]
        content = bytearray(other.read_bytes())
    elif damage == "flip":
        content[-1] ^= 1
    kept.write_bytes(b"" if damage == "empty" else content[: 40 if damage == "cut" else None])
    asked_for.clear()
    again = Heard(cache)(level_of, SourceFile(path, 1))
    assert (again.peak, again.part.tobytes()) == (good.peak, good.part.tobytes())
    assert asked_for == ["level"]
    assert Heard(cache)(level_of, SourceFile(path, 1)).peak == good.peak
    assert asked_for == ["level"]


def test_without_a_place_to_keep_answers_everything_is_heard_each_time(path, tmp_path):
    cache = TakeCache(path / "no folder")
    assert Heard(cache)(level_of, SourceFile(path, 1)).peak == Heard(cache)(level_of, SourceFile(path, 1)).peak


@pytest.mark.parametrize("can_be_kept", [True, False])
def test_what_a_listener_asks_others_is_known_afterwards(path, cache, can_be_kept):
    sound = SourceFile(path, 1)
    ask = Heard(cache if can_be_kept else TakeCache(path / "no folder"))
    assert ask(peak_of, sound) == ask(level_of, sound).peak
    assert asked_for == ["level"]
    assert Heard(ask._cache)(level_of, sound).peak == ask(peak_of, sound)
    assert asked_for == ["level"] * (1 if can_be_kept else 2)


def failing(sound: Sound, *, ask: Ask = listen_anew) -> float:
    """A listener that asks another one and then fails."""
    ask(level_of, sound)
    raise ValueError("no answer")


def test_parts_are_kept_as_soon_as_they_are_heard(path, cache):
    with pytest.raises(ValueError, match="no answer"):
        Heard(cache)(failing, SourceFile(path, 1))
    assert len(entries(cache)) == 1
    Heard(cache)(level_of, SourceFile(path, 1))
    assert asked_for == ["level"]


def test_a_sound_in_memory_is_heard_each_time(cache):
    ask, sound = Heard(cache), ArraySound(np.linspace(0, 1, 50), RATE_HZ)
    assert ask(level_of, sound).peak == ask(level_of, PlacedSound(sound, 50)).peak == 1.0
    assert asked_for == ["level"] * 2
    assert entries(cache) == []


def test_the_cache_counts_and_removes_what_was_heard(path, cache):
    Heard(cache)(level_of, SourceFile(path, 1))
    assert cache.size_bytes() >= entries(cache)[0].stat().st_size > 0
    cache.empty()
    assert entries(cache) == []


@given(st.integers(-50, 50), st.integers(0, 150), st.integers(-120, 120), st.integers(1, 200),
       st.sampled_from([0, 0.3]))
def test_sounds_that_are_made_of_the_same_read_the_same(first, frames, second, length, part):
    class Source(ArraySound):
        made_of = ("channel", "noise")

    file = Source(np.random.default_rng(1).standard_normal(100), RATE_HZ)
    outer = PlacedSound(PlacedSound(file, frames, Place(first, part)), length, Place(second, 0.0))
    alone: Sound = file
    places = []
    made = made_of(outer)
    while made[0] == "placed":
        _, made, *place = made
        places.append(place)
    for frames, frame, part in reversed(places):
        alone = PlacedSound(alone, frames, Place(frame, part))
    np.testing.assert_array_equal(alone.read(0, alone.frames), outer.read(0, length))


def test_a_sound_made_again_from_what_it_is_made_of_reads_the_same(path):
    first, second = SourceFile(path, 1), SourceFile(path, 2)
    moved = MovedTake(PlacedSound(first, RATE_HZ, Place(7, 0.5)), [FrameMove(1000, 4000, 30, 20)])
    parts = [PlacedSound(moved, 700, Place(-at, 0.0)) for at in (0, 290, 980, 2000, 3700, 3999, RATE_HZ - 700)]
    for sound in (first, second, moved, *parts, SummedSound([moved, second], [1.0, -0.5]),
                  PlacedSound(ConvertedSound(second, RATE_HZ, RATE_HZ, 11_025), 12_000, Place(-9, 0.0))):
        again = sound_of(made_of(sound))
        assert (again.rate_hz, again.frames) == (sound.rate_hz, sound.frames)
        np.testing.assert_array_equal(again.read(0, again.frames), sound.read(0, sound.frames))


@pytest.mark.parametrize("helpers", [0, 1])
def test_questions_asked_together_are_answered_in_their_order_and_kept(path, cache, monkeypatch, helpers):
    monkeypatch.setattr(heard, "_most_helpers", lambda seconds: helpers)
    monkeypatch.setenv("LAYERPIPE_THREADS", "2")
    was_called, call, listen = threading.Event(), Helper.call, heard._listen
    if helpers:
        # Here nothing is heard before the helper has begun: it starts more slowly than all is done.
        monkeypatch.setattr(Helper, "call", lambda *asked, **more: was_called.set() or call(*asked, **more))
        monkeypatch.setattr(heard, "_listen", lambda *asked: was_called.wait(PATIENCE_S) and listen(*asked))
    sounds = [SourceFile(path, 1), ArraySound(np.ones(50), RATE_HZ), SourceFile(path, 2), SourceFile(path, 1),
              *(PlacedSound(SourceFile(path, 2), RATE_HZ + n, Place(n, 0.0)) for n in range(1, 9))]
    shares: list[float] = []
    found = Heard(cache).together([Question(measure_take, sound) for sound in sounds], shares.append)
    assert [pack(Measurements, one) for one in found] == [pack(Measurements, measure_take(sound)) for sound in sounds]
    assert sum(shares) == pytest.approx(1)
    assert len(entries(cache)) == 2 * 10  # steps are kept by themselves
    monkeypatch.setattr(heard, "_listen", lambda *asked: pytest.fail("was known"))
    (again,) = Heard(cache).together([Question(measure_take, sounds[0])])
    assert pack(Measurements, again) == pack(Measurements, found[0])


@pytest.mark.parametrize("helpers", [0, 1])
def test_of_a_comp_only_the_parts_with_joints_are_heard_anew(tmp_path, cache, monkeypatch, helpers):
    monkeypatch.setattr(heard, "_most_helpers", lambda seconds: helpers)
    monkeypatch.setenv("LAYERPIPE_THREADS", "2")
    passes = []
    for n in range(2):
        soundfile.write(tmp_path / f"{n}.wav", plucked(n, 20.0, RATE_HZ), RATE_HZ, subtype="PCM_24")
        passes.append(SourceFile(tmp_path / f"{n}.wav"))
    first, second = passes
    # The first 16 s are a part by themselves.
    comp = JoinedSound([PlacedSound(first, first.frames), second], [(17 * RATE_HZ, 17 * RATE_HZ + 80)])
    ask = Heard(cache)
    ask.together([Question(detect_onsets, sound) for sound in passes])
    assert len(entries(cache)) == 2 * (2 + 1)
    (found,) = ask.together([Question(detect_onsets, comp)])
    assert len(entries(cache)) == 2 * (2 + 1) + 1 + 1
    assert pack(Detection, found) == pack(Detection, detect_onsets(comp))
    assert len(found.onsets) > 20


def test_a_part_of_moved_sound_is_made_of_what_is_heard_there(path):
    file = SourceFile(path, 1)
    moved = MovedTake(file, [FrameMove(3000, 4000, 30, 20), FrameMove(6000, 7000, -30, 20)])
    for start, stop in ((0, 2950), (4500, 5900), (7100, RATE_HZ)):
        place = Place(-start, 0.0)
        assert made_of(PlacedSound(moved, stop - start, place)) == made_of(PlacedSound(file, stop - start, place))
    one_move = MovedTake(file, [FrameMove(3000, 4000, 30, 20)])
    assert made_of(PlacedSound(moved, 5000, Place(0, 0.0))) == made_of(PlacedSound(one_move, 5000, Place(0, 0.0)))


def test_a_file_between_silences_is_that_file(path):
    file = SourceFile(path, 1)
    placed = PlacedSound(file, 3 * RATE_HZ, Place(500, 0.0))
    assert made_of(PlacedSound(placed, RATE_HZ, Place(-500, 0.0))) == made_of(file)
    assert made_of(PlacedSound(placed, RATE_HZ + 1, Place(-500, 0.0))) != made_of(file)
    assert made_of(JoinedSound([file], [])) == made_of(file)
    assert made_of(StereoFile(path)) != made_of(file)

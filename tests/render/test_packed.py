"""What was heard as bytes: values come back as they were, what has no declared type is refused, damage is noticed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layerpipe.analysis.defects.single_pass import Measurements, measure_take
from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.onsets.onset import Detection
from layerpipe.audio_files.reader import SourceFile
from layerpipe.core.errors import DamagedFile
from layerpipe.render.cache.packed import pack, unpack
from tests.support.songs import plucked, write_take


@dataclass(frozen=True)
class Level:
    """A record with an array."""

    peak: float
    part: npt.NDArray[np.float32]


class Pair(NamedTuple):
    """Two things."""

    number: int
    text: str | None


@dataclass(frozen=True)
class Everything:
    """One of each kind."""

    numbers: list[float]
    by_number: dict[int, Pair]
    pairs: tuple[Pair, ...]
    either: Pair | Level | None
    flag: bool
    rows: npt.NDArray[np.float64]


@given(st.lists(st.floats()), st.lists(st.tuples(st.integers(), st.none() | st.text())), st.booleans(),
       st.integers(0, 3))
def test_packed_values_come_back(numbers, pairs, flag, rows):
    named = [Pair(*pair) for pair in pairs]
    value = Everything(numbers, dict(enumerate(named)), tuple(named), Level(0.1, np.arange(rows, dtype=np.float32)),
                       flag, np.full((rows, 2), np.pi))
    again = unpack(Everything, pack(Everything, value))
    # repr, because NaN is not equal to itself and -0.0 is equal to 0.0.
    assert repr(again.numbers) == repr(numbers)
    assert (again.pairs, again.by_number, again.flag) == (value.pairs, value.by_number, flag)
    assert again.rows.tobytes() == value.rows.tobytes()
    assert again.rows.shape == value.rows.shape
    assert again.either.part.dtype == np.float32


@pytest.mark.parametrize("value", [1j, "1", None])
def test_what_is_not_of_its_declared_type_is_refused(value):
    with pytest.raises(TypeError, match="declared"):
        pack(list[float], [value])
    with pytest.raises(TypeError, match="cannot be kept"):
        pack(set[str], set())


def test_objects_and_damaged_text_are_no_values():
    for data in (b"", b"\x02" + bytes(7) + b"{}", pack(list[float], [1.0])[:-1],
                 pack(npt.NDArray[np.float64], np.zeros(3)).replace(b"<f8", b"|O8")):
        with pytest.raises(DamagedFile):
            unpack(npt.NDArray[np.float64], data)


def test_what_the_listeners_hear_can_be_kept(tmp_path):
    sound = SourceFile(write_take(tmp_path / "take.wav", plucked(3)))
    for kind, value in ((Measurements, measure_take(sound)), (Detection, detect_onsets(sound))):
        assert pack(kind, unpack(kind, pack(kind, value))) == pack(kind, value)

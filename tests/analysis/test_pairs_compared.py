"""Two takes beside each other: the profiles of their notes, and how their distance changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from layerpipe.analysis.takes_compared.matching import Events
from layerpipe.analysis.takes_compared.notes import pairs, profiles
from layerpipe.analysis.takes_compared.notes.profiles import (
    LOWEST_NOTE,
    PER_SEMITONE,
    NoteProfiles,
    ProfilesInParts,
    note_profiles,
    step_times_s,
)
from layerpipe.analysis.takes_compared.offset import compare_offsets
from layerpipe.core.sound import ArraySound
from tests.support.sounds.strums import RATE_HZ


def test_the_profile_of_a_tone_has_its_peak_at_the_note_of_iso_16() -> None:
    # ISO 16: A above middle C is 440 Hz, MIDI 69; a take tuned 30 cents sharp is measured on its own scale.
    for cents in (0.0, 30.0):
        hz = 440 * 2 ** (cents / 1200)
        tone = ArraySound(np.sin(2 * np.pi * hz * np.arange(RATE_HZ) / RATE_HZ), RATE_HZ)
        (profile,) = note_profiles(tone, [0.1], cents).profiles
        assert int(np.argmax(profile)) == (69 - LOWEST_NOTE) * PER_SEMITONE


def test_notes_that_are_compared_in_parts_are_those_of_the_whole_take(monkeypatch, rng) -> None:
    sound, shift = ArraySound(rng.standard_normal(8 * 8000), 8000), 2
    whole = note_profiles(sound, step_times_s(sound))
    other = NoteProfiles(rng.permuted(whole.profiles, axis=0))
    rows = np.arange(len(whole) - shift)
    asked = (rows + shift, rows), rows // 4, 1, True
    at_once, lag = pairs.compare_notes(whole, other, *asked), pairs.find_lag(whole, other, (-3, 3))
    for module in (pairs, profiles):
        monkeypatch.setattr(module, "PART_ROWS", 7)
    monkeypatch.setattr(pairs, "_BARS_AT_ONCE", 2)
    in_parts = ProfilesInParts(sound, 0.0)
    again = pairs.compare_notes(in_parts, other, *asked)
    for name in ("bars", "agreement", "moved", "higher"):
        np.testing.assert_array_equal(getattr(again, name), getattr(at_once, name))
    assert pairs.find_lag(in_parts, other, (-3, 3)) == lag


@pytest.mark.parametrize(("percent", "course"), [(0.0, "steady"), (1.0, "wobble")])
def test_few_notes_show_a_quick_sway(percent: float, course: str) -> None:
    random = np.random.default_rng(3)
    at_s = 1.4 * np.arange(29) + random.uniform(-0.2, 0.2, 29)
    events = Events(at_s, np.zeros(29), random.dirichlet(np.ones(12), 29), np.ones(29))
    sway_s = percent / 100 * 14 / (2 * np.pi) * np.sin(2 * np.pi * at_s / 14)
    late = replace(events, time_s=at_s + sway_s + random.normal(0, 0.008, 29))
    assert compare_offsets(late, events, most_lag_s=4.0).course == course

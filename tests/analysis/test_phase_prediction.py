"""Strokes that stop no string are heard by the phases they spoil; ringing strings and hands spoil none for long."""

from __future__ import annotations

import numpy as np
import pytest

from layerpipe.analysis.onsets.onset_curve import onset_curve_db
from layerpipe.analysis.onsets.phase_prediction import added_strokes
from layerpipe.analysis.onsets.residual import Chunk, prediction_residual
from tests.support.sounds.strums import CHORDS, RATE_HZ, VOICES, Strings


def struck_beside(voice: str, soft: float | None) -> np.ndarray:
    """A chord at 0.5 s, and at 1.5 s three other strings, softer by a factor, or a hand that damps all."""
    rng = np.random.default_rng(5)
    strings = Strings(RATE_HZ, 2 * RATE_HZ)
    notes = [*((0.5, 1.0, string, note) for string, note in enumerate(CHORDS[0])),
             *((1.5, soft or 0.0, 10 + string, note) for string, note in enumerate((61, 66, 69)))]
    for at_s, level, string, note in notes:
        tone = VOICES[voice](440 * 2 ** ((note - 69) / 12), 1.0, False, 0, RATE_HZ)
        strings.pluck(string, round((at_s + 0.004 * (string % 10)) * RATE_HZ), level * tone)
    for string in range(len(CHORDS[0])) if soft is None else ():
        strings.silence(string, round((1.5 + 0.004 * string) * RATE_HZ), round(rng.uniform(0.008, 0.03) * RATE_HZ))
    strings.end()
    return 0.1 * strings.out + 1e-5 * rng.standard_normal(2 * RATE_HZ)


def added_s(samples: np.ndarray) -> list[float]:
    """When something is added to what rings, without the chord at half a second."""
    curve = onset_curve_db(prediction_residual(Chunk(samples, RATE_HZ, 0.0, (0.0, 2.0))), RATE_HZ)
    return [frame / RATE_HZ for frame, _ in added_strokes(samples, RATE_HZ, curve, (0.1, [0.5]))]


@pytest.mark.parametrize("voice", ["steel", "modal"])
@pytest.mark.parametrize(("soft", "expected_s"), [(0.03, [1.5]), (0.0, []), (None, [])])
def test_soft_strings_beside_ringing_ones_are_added_and_ringing_and_a_hand_are_not(voice, soft, expected_s):
    assert added_s(struck_beside(voice, soft)) == pytest.approx(expected_s, abs=0.025)


@pytest.mark.parametrize("frames", [0, 1, 300])
def test_a_sound_too_short_for_three_frames_has_no_added_strokes(frames):
    assert added_strokes(np.ones(frames), 8_000, np.zeros(frames // 8)) == []

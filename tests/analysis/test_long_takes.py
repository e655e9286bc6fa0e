"""Of long takes little is held: what is kept in parts, and calculated in parts, is what it is as a whole."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from layerpipe.analysis.defects import single_pass
from layerpipe.analysis.defects.levels.steps import Steps
from layerpipe.analysis.defects.repeats import _moments
from layerpipe.analysis.defects.single_pass import KeptSteps, measure_take
from layerpipe.analysis.onsets.metronome import comb as metronome_comb
from layerpipe.audio_files.reader import SourceFile
from layerpipe.core.sound import ArraySound
from layerpipe.render.cache.heard import KIND, Heard
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.songs import plucked, write_take


@pytest.mark.parametrize("seconds", [4.0, 5.37])
def test_steps_that_are_kept_in_parts_are_those_of_one_pass(tmp_path, monkeypatch, seconds):
    samples = np.rint(plucked(3, seconds) * 2**15) / 2**15
    sound, cache = SourceFile(write_take(tmp_path / "take.wav", samples)), TakeCache(tmp_path / "cache")
    whole = measure_take(ArraySound(sound.read(0, sound.frames), sound.rate_hz))
    monkeypatch.setattr(single_pass, "PART_S", 2)
    ask = Heard(cache)
    measured = ask(measure_take, sound)
    assert measured.steps is None
    assert measured.peak == whole.peak == float(np.float32(np.abs(sound.read(0, sound.frames)).max()))
    for again in range(2):
        kept = KeptSteps(sound, measured, ask)
        for one in fields(Steps):
            np.testing.assert_array_equal(getattr(kept, one.name), getattr(whole.steps, one.name))
        if not again:
            # Parts that are gone are measured anew.
            entries = sorted(cache.folder.glob(f"*.{KIND}"), key=lambda path: path.stat().st_size)
            for path in entries[-3:-1]:
                path.unlink()


def test_powers_put_together_from_parts_are_those_of_the_whole_transform(rng):
    # The other side is numpy's own transform.
    values = rng.random(30_000).astype(np.float32)
    size = 1 << 16
    powers = metronome_comb._powers(values, size, 3_000, 32_768)
    assert powers == pytest.approx(np.abs(np.fft.rfft(values.astype(np.float64), size)[3_000:32_768]) ** 2, rel=1e-3,
                                   abs=1e-2)


def test_means_and_spreads_of_stretches_are_those_of_each_stretch(rng):
    level, size = rng.uniform(0.5, 1.0, 17_000), 150
    stretches = np.lib.stride_tricks.sliding_window_view(level, size)
    means, spreads = (np.concatenate(column) for column in zip(
        *(rest for _, *rest in _moments(level, size)), strict=True))
    assert means == pytest.approx(stretches.mean(axis=1), rel=1e-9)
    assert spreads == pytest.approx(stretches.std(axis=1), rel=1e-6)

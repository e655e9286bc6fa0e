"""Listening files with `peaks = "limit"`: equally loud under the ceiling, limited by at most 6 dB, the same twice."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.dsp.peaks.true_peak import true_peak
from layerpipe.jobs.preview import preview_song
from layerpipe.outputs.preview.limit import limit_alike
from tests.support.examples import few
from tests.support.songs import RATE_HZ
from tests.support.studio import Studio


@dataclass
class Sounds:
    """Stands for a section: its versions are arrays."""

    rate_hz: int

    @property
    def song(self):
        return SimpleNamespace(rate_hz=self.rate_hz)

    def versions(self, versions):
        for at in range(0, len(versions[0]), self.rate_hz):
            yield at, [version[at : at + self.rate_hz] for version in versions]


def _true_peak_dbtp(sound):
    """scipy's 8x conversion."""
    return 20 * math.log10(np.abs(signal.resample_poly(sound, 8, 1, axis=0)).max())


def _loudness(sound, rate_hz):
    """libebur128's."""
    meter = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(sound.ravel().copy(), len(sound))
    return pyebur128.get_loudness_global(meter)


def _hard(seed, rate_hz):
    """Random material with peaks far above its loudness, below 0.42 of the rate, where all interpolators agree."""
    rng = np.random.default_rng(seed)
    frames = 3 * rate_hz // 2
    step = rate_hz // 50
    loud = np.repeat(rng.choice([0.1, 0.3, 1.0], (frames // step, 1), p=[0.5, 0.4, 0.1]), step, axis=0)
    hits = np.where(rng.random((frames, 2)) > 0.9995, rng.choice([-6.0, 6.0], (frames, 2)), 0.0)
    tone = np.sign(np.sin(2 * np.pi * rng.uniform(60, 4000) / rate_hz * np.arange(frames)))[:, None]
    sound = rng.standard_normal((frames, 2)) * loud + hits + tone * rng.uniform(0, 1) * loud[:, ::-1]
    return signal.sosfilt(signal.cheby2(12, 80, 0.45 * rate_hz, fs=rate_hz, output="sos"), sound, axis=0)


@settings(max_examples=few(2, 5), deadline=None)
@given(st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=3), st.sampled_from([44_100, 48_000]),
       st.floats(-20, -6), st.floats(-6, 0))
def test_hard_material_is_equally_loud_and_never_above_the_ceiling(seeds, rate_hz, wanted, ceiling):
    hard = [_hard(seed, rate_hz) for seed in seeds]
    lufs = [measure(sound, rate_hz).integrated_lufs for sound in hard]
    peaks = [20 * math.log10(true_peak(sound).max()) for sound in hard]
    with ThreadPoolExecutor(1) as pool:
        made = limit_alike(Sounds(rate_hz), hard, lufs, peaks, wanted, ceiling, pool)
    loud = []
    for sound, one in zip(hard, made, strict=True):
        heard = np.concatenate(list(one.sound(Sounds(rate_hz), sound)))
        assert heard.shape == sound.shape
        assert _true_peak_dbtp(heard) < ceiling + 0.1
        assert one.true_peak_dbtp <= ceiling
        assert 0 <= one.reduction_db <= 6.0
        loud.append(_loudness(heard, rate_hz))
        assert loud[-1] == pytest.approx(one.lufs, abs=0.05)
    assert max(loud) - min(loud) < 0.1
    assert max(loud) < wanted + 0.1
    # Quieter than asked only where one of them is at the limiter's limit, or close to it.
    assert max(loud) == pytest.approx(wanted, abs=0.1) or max(one.reduction_db for one in made) > 5.9


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    return Studio.of(tmp_path_factory.mktemp("studio"))


def _made(studio, name, lufs, **asked):
    def change(recipe):
        recipe["preview"].update(peaks="limit", loudness_lufs=lufs)

    return preview_song(studio.file(name, change), studio.folder / "previews", cache=studio.cache, **asked)


def test_limited_files_reach_the_wanted_loudness_and_say_by_how_much(studio):
    lowered = preview_song(studio.file("lowered", lambda recipe: recipe["preview"].update(loudness_lufs=-12.0)),
                           studio.folder / "previews", cache=studio.cache, sections=["chorus"])
    assert lowered.limits, "the material has to have peaks for this test"
    made = _made(studio, "limited", -12.0, sections=["chorus"])
    written = [one for one in made.files if one.file is not None]
    assert made.limits == ()
    assert any(one.gain_reduction_db > 0.5 for one in written)
    for one in written:
        sound, rate_hz = soundfile.read(one.file)
        assert rate_hz == RATE_HZ
        assert len(sound) == round(one.seconds * RATE_HZ)
        assert pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness(sound) == pytest.approx(
            -12.0, abs=0.1)
        assert one.lufs == pytest.approx(-12.0, abs=0.04)
        assert _true_peak_dbtp(sound) < -0.9
    again = _made(studio, "limited", -12.0, sections=["chorus"])
    bytes_of = [[one.file.read_bytes() for one in run.files if one.file] for run in (made, again)]
    assert bytes_of[0] == bytes_of[1]


def test_what_would_need_more_than_the_limiter_may_is_lowered_and_said_to_be(studio):
    made = _made(studio, "beyond", -3.0, sections=["chorus"])
    (limit,) = made.limits
    assert limit.lufs < -3.5
    assert limit.lowered_db == pytest.approx(-3.0 - limit.lufs)
    assert 5.5 < limit.gain_reduction_db <= 6.0
    assert limit.gain_reduction_db == max(one.gain_reduction_db for one in made.files)


def test_where_no_peak_is_too_high_nothing_changes(studio):
    def bytes_with(peaks):
        made = preview_song(
            studio.file("quiet", lambda recipe: recipe["preview"].update(peaks=peaks, loudness_lufs=-30.0)),
            studio.folder / "previews", cache=studio.cache, sections=["chorus"])
        assert all(one.gain_reduction_db == 0 for one in made.files)
        return [soundfile.read(one.file, dtype="int32")[0] for one in made.files if one.file]

    for one, other in zip(bytes_with("limit"), bytes_with("lower"), strict=True):
        np.testing.assert_array_equal(one, other)

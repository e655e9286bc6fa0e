"""`check` answers for files of any length, rate and number of channels, alone, as pairs and in recipes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.outputs.check.test_check import checked, written
from tests.support.command import run_command
from tests.support.examples import few, slow
from tests.support.sounds import faulty_takes as made

RATES_HZ = (8_000, 11_025, 16_000, 44_100, 48_000, 96_000)
VERDICTS = {"OK", "review", "re-record"}


def a_recipe(path: Path, files: list[Path], title: str = "A") -> Path:
    """A recipe with the files as takes of one layer."""
    takes = "".join(f'[[layer.take]]\nname = "take {n}"\nfile = "{file.name}"\nchannel = 1\n'
                    for n, file in enumerate(files))
    path.write_text(f'[song]\ntitle = "{title}"\n[[layer]]\nname = "one"\n{takes}')
    return path


def a_file(path: Path, seconds: float, rate_hz: int, channels: int = 1, seed: int = 0) -> Path:
    """Plucked tones over noise; at least one sample."""
    rng = np.random.default_rng(seed)
    t = np.arange(max(1, round(seconds * rate_hz))) / rate_hz
    sound = 0.3 * np.exp(-3 * (t % 0.5)) * np.sin(2 * np.pi * 196 * t) + 1e-4 * rng.standard_normal(len(t))
    soundfile.write(path, np.stack([sound] * channels, axis=1), rate_hz, subtype="PCM_24")
    return path


FILES = st.tuples(st.one_of(st.just(0.0), st.floats(0.0, 0.1), st.floats(0.0, 7.0)), st.sampled_from(RATES_HZ),
                  st.integers(1, 3))


@settings(max_examples=few(2, 20),
          suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(one=FILES, other=FILES)
def test_two_files_of_any_length_rate_and_channels_get_verdicts(tmp_path, one, other):
    files = [a_file(tmp_path / f"{name}.wav", *facts, seed=seed)
             for seed, (name, facts) in enumerate({"one": one, "other": other}.items())]
    _, document = checked(*files)
    assert len(document["takes"]) == one[2] + other[2]
    assert {take["verdict"] for take in document["takes"]} <= VERDICTS
    _, document = checked(a_recipe(tmp_path / "song.toml", files))
    assert len(document["takes"]) == 2
    assert len(document["pairs"]) == 1


@pytest.mark.parametrize("seconds", [1 / 48_000, slow(0.5), slow(4.0)])
def test_a_take_that_ends_early_is_reported_with_its_double(tmp_path, seconds):
    files = [a_file(tmp_path / "long.wav", 12.0, 48_000), a_file(tmp_path / "short.wav", seconds, 48_000, seed=1)]
    _, document = checked(a_recipe(tmp_path / "song.toml", files))
    (short,) = [take for take in document["takes"] if take["take"] == "take 1"]
    assert "early_end" in {fault["kind"] for fault in short["faults"]} or short["measured"]["playing_s"] is None


@pytest.mark.parametrize("rate_hz", [44_100, slow(8_000), slow(96_000)])
def test_a_copy_is_found_at_another_rate(tmp_path, rate_hz):
    import soxr

    take = made.make_take(21, instrument="nylon", seconds=8)
    copy = made.MadeTake(soxr.resample(take.samples, 48_000, rate_hz, quality="VHQ"), rate_hz, (), (), 0.0)
    _, document = checked(written(tmp_path / "a.wav", take), written(tmp_path / "b.wav", copy))
    assert document["pairs"][0]["same_performance"]


def test_several_recipes_are_checked_in_one_call(tmp_path):
    recipes = [a_recipe(tmp_path / f"{name}.toml", [a_file(tmp_path / f"{name}.wav", 2.0, 48_000)], title=name)
               for name in ("a", "b")]
    _, document = checked(*recipes, "--pictures", tmp_path / "pictures")
    assert [Path(made["recipe"]).name for made in document["songs"]] == ["a.toml", "b.toml"]
    assert [len(made["takes"]) for made in document["songs"]] == [1, 1]
    assert len({path for made in document["songs"] for path in made["pictures"]}) == 2
    shown = run_command("check", *recipes).stdout
    assert shown.index("a.toml\n") < shown.index("b.toml\n") < shown.index("2 songs: 2 ")
    mixed = run_command("check", str(recipes[0]), tmp_path / "a.wav")
    assert mixed.exit_code == 2
    assert "not both" in mixed.output


def test_a_fault_in_one_recipe_stops_no_other(tmp_path):
    good = a_recipe(tmp_path / "a.toml", [a_file(tmp_path / "a.wav", 1.0, 48_000)])
    (tmp_path / "b.toml").write_text("[song]\n")
    done = run_command("check", good, tmp_path / "b.toml", "--json")
    assert done.exit_code == 2
    checked, wrong = json.loads(done.stdout)["songs"]
    assert "b.toml" in wrong["refused"]
    assert len(checked["takes"]) == 1


def test_the_picture_marks_every_clipped_peak(tmp_path, monkeypatch):
    from matplotlib.axes import Axes

    marked = []
    plot = Axes.plot

    def noting(self: Axes, *args: object, **options: object) -> object:
        if options.get("label") == "clipped":
            marked.extend(args[0])  # type: ignore[call-overload]
        return plot(self, *args, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(Axes, "plot", noting)
    take = made.with_clipping(made.make_take(4, instrument="nylon", seconds=8, tempo=96), 3.0)
    _, document = checked(written(tmp_path / "take.wav", take), "--pictures", tmp_path)
    (fault,) = [fault for fault in document["takes"][0]["faults"] if fault["kind"] == "clipping"]
    assert len(marked) == fault["details"]["peaks"] > 1

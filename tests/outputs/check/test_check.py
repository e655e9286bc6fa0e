"""The check finds planted faults, reports them in the documented shape, and leaves clean takes alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.support.command import run_command
from tests.support.examples import slow
from tests.support.sounds import faulty_takes as made

PROJECT = Path(__file__).resolve().parents[3]
KINDS = {"clipping", "click", "rumble", "hum", "noise_floor", "dc", "dropout", "late_start", "early_end",
         "sample_rate", "bit_depth", "channels", "band_limit", "tuning", "strings", "copy", "imbalance", "high_pass"}


def written(path: Path, take: made.MadeTake, subtype: str = "PCM_24") -> Path:
    """A take as a file; rounded here, for the library would floor."""
    bits = int(subtype[-2:])
    pcm = np.clip(np.round(take.samples * 2 ** (bits - 1)), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1).astype(np.int64)
    soundfile.write(path, (pcm << (32 - bits)).astype(np.int32), take.rate_hz, subtype=subtype)
    return path


def checked(*args: object) -> tuple[int, dict]:
    """Exit code and document of `layerpipe check ... --json`."""
    result = run_command("check", *args, "--json")
    assert result.exit_code in (0, 1), result.output
    return result.exit_code, json.loads(result.stdout)


def faults_of(*args: object) -> list[dict]:
    """Faults of the only take."""
    return checked(*args)[1]["takes"][0]["faults"]


@pytest.fixture(scope="module")
def clean() -> made.MadeTake:
    """A take with nothing wrong."""
    return made.make_take(4, instrument="nylon", seconds=6, tempo=96)


@pytest.fixture(scope="module")
def double() -> tuple[made.MadeTake, made.MadeTake]:
    """Two performances of one song."""
    one, other = (made.make_take(seed, instrument="nylon", seconds=9, song=3, tempo=96, cents=cents)
                  for seed, cents in ((21, 0.0), (22, 1.0)))
    return one, other


@pytest.mark.parametrize(("instrument", "rate_hz"), [
    ("steel", 48_000), slow("small", 96_000), slow("nylon", 44_100), slow("loop electric", 48_000)])
def test_clean_takes_are_fine(tmp_path, instrument, rate_hz):
    take = made.make_take(31, instrument=instrument, rate_hz=rate_hz, seconds=8, tempo=88)
    code, document = checked(written(tmp_path / "take.wav", take))
    assert code == 0
    assert [fault["text"] for fault in document["takes"][0]["faults"]] == []
    assert document["takes"][0]["verdict"] == "OK"


@pytest.mark.parametrize(("spoil", "kind"), [
    (lambda take: made.with_clipping(take, 2.0), "clipping"),
    slow(lambda take: made.with_clipping(take, 3.0, ceiling_db=-6.0), "clipping"),
    slow(lambda take: made.with_clipping(take, 6.0, ceiling_db=-6.0, analogue=True), "clipping"),
    (lambda take: made.with_rumble(take, -52.0), "rumble"),
    (lambda take: made.with_noise(take, -54.0), "noise_floor"),
    (lambda take: made.with_dc(take, -40.0), "dc"),
    (lambda take: made.band_limited(take, 32_000), "band_limit"),
    (lambda take: take.with_samples(made.in_steps(take.samples, 16)), "bit_depth"),
])
def test_a_planted_fault_is_found_and_nothing_else(tmp_path, clean, spoil, kind):
    faults = faults_of(written(tmp_path / "take.wav", spoil(clean)))
    assert {fault["kind"] for fault in faults} == {kind}


@pytest.mark.parametrize(("mains_hz", "level_db"), [
    slow(50.0, -54.0), (60.0, -66.0), slow(60.0, -54.0), slow(50.0, -60.0), slow(60.0, -60.0), slow(50.0, -66.0)])
def test_hum_is_found_with_its_mains(tmp_path, clean, mains_hz, level_db):
    (fault,) = faults_of(written(tmp_path / "take.wav", made.with_hum(clean, mains_hz, level_db)))
    assert (fault["kind"], fault["hz"]) == ("hum", mains_hz)
    assert fault["level_db"] == pytest.approx(level_db, abs=2.0)


def test_notes_beside_the_mains_are_no_hum(tmp_path):
    # G1 and B1 lie 1.0 and 1.7 Hz from 50 and 60 Hz; G3 and B3 4 and 3 Hz from 200 and 250 (equal temperament, ISO 16).
    rng = np.random.default_rng(1)
    t = np.arange(6 * 48_000) / 48_000
    sound = sum(0.1 * np.exp(-1.5 * (t % 2.0)) * np.sin(2 * np.pi * 440 * 2 ** ((note - 69) / 12) * t)
                for note in (31, 35, 43, 47, 55, 59))
    sound = np.where(t < 0.7, 0.0, sound) + 1e-4 * rng.standard_normal(len(t))
    take = made.MadeTake(sound, 48_000, (), (), 0.0)
    assert "hum" not in {fault["kind"] for fault in faults_of(written(tmp_path / "take.wav", take))}


@pytest.mark.parametrize(("kind", "length_ms"), [("zeros", 2.0), ("held", 1.0), ("repeat", 3.0)])
def test_drop_outs_are_found_at_their_place(tmp_path, clean, kind, length_ms):
    at_s = clean.onsets_s[5] + 0.05
    code, document = checked(written(tmp_path / "take.wav", made.with_dropout(clean, at_s, length_ms, kind)))
    (fault,) = document["takes"][0]["faults"]
    assert (code, fault["kind"], document["takes"][0]["verdict"]) == (1, "dropout", "re-record")
    assert fault["at_s"] == pytest.approx(at_s, abs=0.002)


@pytest.mark.parametrize("quiet", [slow(True), False])
def test_clicks_are_found_at_their_places(tmp_path, clean, quiet):
    take = made.with_clicks(clean, 3, 3, 24.0, quiet=quiet)
    faults = faults_of(written(tmp_path / "take.wav", take))
    assert {fault["kind"] for fault in faults} == {"click"}
    np.testing.assert_allclose([fault["at_s"] for fault in faults], [at_s for _, at_s in take.planted], atol=0.005)


def test_loud_clicks_among_ringing_strings_are_no_strums(tmp_path):
    rings = made.make_take(5, instrument="steel", seconds=8, tempo=80)
    take = made.with_clicks(rings, 6, 4, 30.0, quiet=False)
    faults = faults_of(written(tmp_path / "take.wav", take))
    assert {fault["kind"] for fault in faults} == {"click"}
    np.testing.assert_allclose([fault["at_s"] for fault in faults], [at_s for _, at_s in take.planted], atol=0.005)


def test_a_click_comes_up_with_compression(tmp_path, clean):
    take = made.with_clicks(clean, 3, 1, 24.0, quiet=True)
    written(tmp_path / "take.wav", take)
    (tmp_path / "song.toml").write_text(
        '[song]\ntitle = "A"\ntempo = 96.0\nbar_one_s = 0.9\n[[layer]]\nname = "one"\n'
        '[layer.chain]\ncompressor = { hits_db = 2.0 }\n[[layer.take]]\nname = "left"\nfile = "take.wav"\n')
    (fault,) = faults_of(tmp_path / "song.toml")
    assert fault["details"]["compressed_db"] == pytest.approx(fault["level_db"] + 2.0)
    assert fault["details"]["compressed_10_db_more_db"] == pytest.approx(fault["level_db"] + 12.0)
    assert fault["place"].count(".") >= 2  # bar and beat


@pytest.mark.parametrize(("change", "offset_s", "gain_db", "polarity"), [
    (lambda x: np.roll(0.5 * x, 700), 700 / 48_000, -6.02, 1), slow(lambda x: -x, 0.0, 0.0, -1),
    slow(lambda x: x, 0.0, 0.0, 1),
])
def test_a_copy_is_no_double(tmp_path, double, change, offset_s, gain_db, polarity):
    one = double[0]
    files = [written(tmp_path / "a.wav", one), written(tmp_path / "b.wav", one.with_samples(change(one.samples)))]
    code, document = checked(*files)
    (pair,) = document["pairs"]
    assert code == 1
    assert pair["same_performance"]
    (fault,) = [fault for fault in pair["faults"] if fault["kind"] == "copy"]
    assert fault["details"]["offset_s"] == pytest.approx(offset_s, abs=5e-5)
    assert fault["details"]["gain_db"] == pytest.approx(gain_db, abs=0.1)
    assert fault["details"]["polarity"] == polarity


def test_two_performances_are_a_double_and_their_tuning_is_compared(tmp_path, double):
    code, document = checked(written(tmp_path / "a.wav", double[0]), written(tmp_path / "b.wav", double[1]))
    (pair,) = document["pairs"]
    assert code == 0
    assert not pair["same_performance"]
    assert pair["tuning_difference_cents"] == pytest.approx(1.0, abs=1.0)
    assert pair["faults"] == []


def test_a_pair_that_is_unbalanced_or_starts_late_is_named(tmp_path, double):
    one, other = double
    late = np.where(np.arange(len(other.samples)) < 2.2 * 48_000, 0.001 * other.samples, 0.3 * other.samples)
    _, document = checked(written(tmp_path / "a.wav", one), written(tmp_path / "b.wav", other.with_samples(late)))
    kinds = {fault["kind"] for fault in document["pairs"][0]["faults"]}
    assert {"imbalance", "late_start"} <= kinds


def test_an_octave_take_with_low_strings_is_named_and_the_right_one_is_not(tmp_path):
    lines = '[song]\ntitle = "A"\n'
    for seed, name, high in ((40, "good", True), (41, "bad", False)):
        written(tmp_path / f"{name}.wav", made.make_take(seed, instrument="nylon", seconds=14, high_strung=high))
        lines += (f'[[layer]]\nname = "{name}"\nstrings = ["E3", "A3", "D4", "G4", "B3", "E4"]\n'
                  f'[[layer.take]]\nname = "one"\nfile = "{name}.wav"\n')
    (tmp_path / "song.toml").write_text(lines)
    _, document = checked(tmp_path / "song.toml")
    found = {take["layer"]: {fault["kind"] for fault in take["faults"]} for take in document["takes"]}
    assert found == {"good": set(), "bad": {"strings"}}


def test_takes_that_do_not_fit_are_named(tmp_path):
    takes = {"a": (48_000, "PCM_24"), "b": (48_000, "PCM_24"), "c": (44_100, "PCM_16")}
    lines = '[song]\ntitle = "A"\n'
    for seed, (name, (rate, subtype)) in enumerate(takes.items()):
        take = made.make_take(60 + seed, instrument="nylon", seconds=4, rate_hz=rate)
        written(tmp_path / f"{name}.wav", take, subtype)
        lines += f'[[layer]]\nname = "{name}"\n[[layer.take]]\nname = "one"\nfile = "{name}.wav"\nmute = true\n'
    (tmp_path / "song.toml").write_text(lines)
    _, document = checked(tmp_path / "song.toml")
    found = {take["layer"]: {fault["kind"] for fault in take["faults"]} for take in document["takes"]}
    assert found == {"a": set(), "b": set(), "c": {"sample_rate", "bit_depth"}}


def test_high_passes_that_eat_the_instrument_are_named(tmp_path, clean):
    written(tmp_path / "take.wav", clean)
    (tmp_path / "song.toml").write_text(
        '[song]\ntitle = "A"\n[[layer]]\nname = "one"\nstrings = ["E2", "A2", "D3", "G3", "B3", "E4"]\n'
        '[layer.chain]\nhigh_pass = [{ hz = 250, slope_db_per_octave = 24 }]\n'
        '[[layer.take]]\nname = "left"\nfile = "take.wav"\n')
    (fault,) = faults_of(tmp_path / "song.toml")
    assert fault["kind"] == "high_pass"
    # Butterworth: 0.5 dB at 0.591 of the frequency for a second-order corner; E2 is 82.41 Hz (ISO 16).
    assert fault["details"]["highest_harmless_hz"] <= 0.591 * 2 * 82.41


@pytest.mark.slow
def test_the_demo_s_planted_faults_are_found_and_no_other():
    code, document = checked(PROJECT / "recipes" / "lantern.toml")
    found = {(take["layer"], take["take"]): [fault["kind"] for fault in take["faults"]] for take in document["takes"]}
    assert code == 0
    assert found == {("regular", "left"): ["rumble"], ("regular", "right"): [], ("octave", "left"): ["click"],
                     ("octave", "right"): []}
    assert {fault["kind"] for take in document["takes"] for fault in take["faults"]} <= KINDS
    assert {"layer", "take", "file", "verdict", "tuning_cents", "faults"} <= set(document["takes"][0])
    assert {"layer", "takes", "tuning_difference_cents", "same_performance", "faults"} <= set(document["pairs"][0])


@pytest.mark.parametrize("name", ["silence", "one note", "steady tone", "drum", "noise", "0.2 s", "one frame"])
def test_odd_takes_get_a_sensible_verdict(tmp_path, name):
    rng = np.random.default_rng(5)
    t = np.arange(5 * 48_000) / 48_000
    sound = {
        "silence": 0 * t, "one note": 0.2 * np.exp(-t) * np.sin(2 * np.pi * 220 * t),
        "steady tone": 0.2 * np.sin(2 * np.pi * 382 * t),
        "drum": 0.15 * np.exp(-40 * (t % 0.5)) * rng.standard_normal(len(t)),
        "noise": 0.1 * rng.standard_normal(len(t)),
        "0.2 s": 0.1 * rng.standard_normal(9_600), "one frame": np.array([0.1]),
    }[name]
    hiss = (0.0 if name == "silence" else 1e-5) * rng.standard_normal(len(sound))
    take = made.MadeTake(sound + hiss, 48_000, (), (), 0.0)
    code, document = checked(written(tmp_path / "take.wav", take))
    (heard,) = document["takes"]
    assert heard["verdict"] == ("re-record" if name == "silence" else "OK"), heard["faults"]
    assert code == (1 if name == "silence" else 0)
    if name in ("silence", "drum", "noise", "0.2 s", "one frame"):
        assert heard["tuning_cents"] is None


def test_a_damaged_or_missing_file_is_refused_by_name(tmp_path):
    (tmp_path / "a.wav").write_bytes(b"RIFF")
    result = run_command("check", tmp_path / "a.wav", tmp_path / "b.wav")
    assert result.exit_code == 1
    assert "a.wav" in result.output
    assert "b.wav" in result.output


def test_each_channel_of_a_stereo_file_is_checked(tmp_path, clean):
    both = np.stack([clean.samples, made.with_dc(clean, -30.0).samples], axis=1)
    soundfile.write(tmp_path / "stereo.wav", both, 48_000, subtype="FLOAT")
    _, document = checked(tmp_path / "stereo.wav")
    assert [take["channel"] for take in document["takes"]] == [2, 1] or len(document["takes"]) == 2
    assert any(fault["kind"] == "dc" for take in document["takes"] for fault in take["faults"])


def test_thresholds_can_be_set_in_the_recipe(tmp_path, clean):
    written(tmp_path / "take.wav", made.with_noise(clean, -54.0))
    recipe = ('[song]\ntitle = "A"\n[check]\nnoise_under_lu = 10.0\n[[layer]]\nname = "one"\n[[layer.take]]\n'
              'name = "left"\nfile = "take.wav"\n')
    (tmp_path / "song.toml").write_text(recipe)
    assert faults_of(tmp_path / "song.toml") == []


@pytest.mark.slow
def test_pictures_are_written_and_are_the_same_twice(tmp_path, clean):
    path = written(tmp_path / "take.wav", made.with_clicks(clean, 3, 2, 24.0, quiet=True))
    _, document = checked(path, "--pictures", tmp_path / "first")
    checked(path, "--pictures", tmp_path / "second")
    (name,) = [Path(file).name for file in document["pictures"]]
    assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes()

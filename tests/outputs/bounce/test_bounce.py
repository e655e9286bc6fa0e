"""A bounce from recipe to folder: its files, their sum, the same bytes twice, written completely or not at all."""

from __future__ import annotations

import hashlib
import json
import wave

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile
from scipy import signal

from layerpipe.core.errors import AudioError, OutputError, RecipeError
from layerpipe.jobs.bounce import bounce_song
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.songs import RATE_HZ, plucked, write_take


def _pcm(path):
    sound, _ = soundfile.read(path, dtype="int32", always_2d=True)
    return sound >> 8


@pytest.fixture(scope="module")
def plain(studio):
    return studio.bounce("plain")


def _files(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def test_a_bounce_holds_takes_layers_blend_and_documents(plain):
    folder, told = plain
    assert _files(folder) == ["blend.wav", "bounce.json", "delivery.html", "layers/octave.wav",
                              "layers/regular.wav", "recipe.toml", "takes/octave-left.wav", "takes/octave-right.wav",
                              "takes/regular-left.wav", "takes/regular-right.wav"]
    assert json.loads((folder / "bounce.json").read_text())["files"][0]["path"] == told["files"][0]["path"]


def test_the_layers_add_up_to_the_blend_to_the_bit(plain):
    folder, _ = plain
    total = _pcm(folder / "layers/regular.wav") + _pcm(folder / "layers/octave.wav")
    np.testing.assert_array_equal(total, _pcm(folder / "blend.wav"))


def test_every_file_has_one_start_length_rate_and_depth_and_other_readers_agree(plain):
    folder, told = plain
    for file in told["files"]:
        with wave.open(str(folder / file["path"])) as read:
            assert (read.getframerate(), read.getnframes(), read.getsampwidth()) == (RATE_HZ, 4 * RATE_HZ, 3)
            assert read.getnchannels() == file["channels"] == (1 if file["kind"] == "take" else 2)
        assert hashlib.sha256((folder / file["path"]).read_bytes()).hexdigest() == file["sha256"]


def test_a_processed_take_equals_a_plain_construction(studio, plain):
    # scipy as the outside reference for the filters; the compressor as in the paper named in dsp/dynamics.py.
    folder, told = plain
    source = next(s for s in told["sources"] if s["layer"] == "regular" and s["take"] == "left")
    sound, _ = soundfile.read(studio[0] / "regular-left.wav")
    for corner_hz in (40, 80):
        sound = signal.sosfilt(signal.butter(2, corner_hz, "highpass", fs=RATE_HZ, output="sos"), sound)
    level = 20 * np.log10(np.maximum(np.abs(sound), 1e-30)) - source["threshold_db"]
    wanted = 0.5 * np.where(level < -3, 0, np.where(level > 3, level, (level + 3) ** 2 / 12))
    attack, release, held, smooth = np.exp(-1 / 480), np.exp(-1 / 5760), 0.0, np.zeros(len(wanted))
    for n, now in enumerate(wanted):
        held = max(now, release * held + (1 - release) * now)
        smooth[n] = attack * smooth[n - 1] + (1 - attack) * held
    made, _ = soundfile.read(folder / "takes/regular-left.wav")
    np.testing.assert_allclose(made, sound * 10 ** (-smooth / 20), atol=1.3e-7)
    assert source["reduction"][0]["largest_db"] == pytest.approx(smooth.max(), abs=1e-3)
    assert source["reduction"][0]["share_above_half_db"] == pytest.approx(np.mean(smooth > 0.5), abs=1e-3)


def test_a_section_silences_its_layer_and_the_ramp_ends_on_the_downbeat(plain):
    folder, _ = plain
    octave = _pcm(folder / "layers/octave.wav")
    takes = [_pcm(folder / f"takes/octave-{side}.wav")[:, 0] for side in ("left", "right")]
    start, downbeat = int(0.25 * RATE_HZ), int(2.25 * RATE_HZ)
    assert not octave[start : downbeat - int(0.02 * RATE_HZ)].any()
    level = 10 ** (-9 / 20)
    for side in (0, 1):
        np.testing.assert_allclose(octave[downbeat:, side], takes[side][downbeat:] * level, atol=1.0)


def test_figures_agree_with_two_other_meters_on_the_written_files(plain):
    # pyebur128 (libebur128) and pyloudnorm with exact K-weighting as second opinions; the files end on a whole block.
    folder, told = plain
    for file in told["files"]:
        sound, _ = soundfile.read(folder / file["path"], always_2d=True)
        other = pyebur128.R128State(sound.shape[1], RATE_HZ, pyebur128.MeasurementMode.MODE_I)
        other.add_frames(sound.ravel().copy(), len(sound))
        lufs = pyebur128.get_loudness_global(other)
        assert file["integrated_lufs"] == pytest.approx(lufs, abs=0.01), file["path"]
        meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
        assert file["integrated_lufs"] == pytest.approx(meter.integrated_loudness(sound), abs=0.01), file["path"]
        brute = 20 * np.log10(np.abs(signal.resample_poly(sound, 8, 1, axis=0)).max())
        assert file["true_peak_dbtp"] == pytest.approx(brute, abs=0.1), file["path"]
        assert file["sample_peak_dbfs"] == pytest.approx(20 * np.log10(np.abs(sound).max()), abs=1e-6)


def test_the_same_recipe_gives_the_same_bytes_with_and_without_the_store(studio, plain, tmp_path):
    folder, _ = plain
    file = read_recipe(studio[0] / "plain.toml")
    for cache in (studio[2], TakeCache(tmp_path / "fresh")):
        bounce_song(file, tmp_path / "again", cache)
        for name in _files(folder):
            assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes(), name


def test_sixteen_bits_are_dithered_and_still_add_up(studio):
    folder, _ = studio.bounce("sixteen", lambda recipe: recipe.update(bounce={"bit_depth": 16}))
    layers = [soundfile.read(folder / f"layers/{name}.wav", dtype="int16")[0].astype(int)
              for name in ("regular", "octave")]
    np.testing.assert_array_equal(sum(layers), soundfile.read(folder / "blend.wav", dtype="int16")[0])
    # Dither of two steps keeps even digital silence moving (Lipshitz et al. 1992: error power is step^2 / 4).
    silent = layers[1][int(0.3 * RATE_HZ) : int(2.0 * RATE_HZ)]
    assert np.mean(silent.astype(float) ** 2) == pytest.approx(0.25, abs=0.01)


def _loud(recipe):
    for layer in recipe["layer"]:
        layer.pop("chain", None)
        for take in layer["take"]:
            take["gain_db"] = 12.0


def test_past_full_scale_is_refused_with_place_and_amount_and_nothing_is_left(studio):
    with pytest.raises(OutputError, match=r"(?s)exceeds full scale.*takes/regular-left\.wav: \d+ samples?, the "
                                          r"first at bar \d.*sample \d+\), the highest \+\d+\.\d\d dBFS.*"
                                          r"over_full_scale = \"lower\""):
        studio.bounce("loud", _loud)
    assert not (studio[0] / "bounces" / "loud").exists()
    assert not list((studio[0] / "bounces").glob(".loud*"))


def test_lowering_everything_by_one_gain_is_reported_and_fits(studio):
    def lower(recipe):
        _loud(recipe)
        recipe["bounce"] = {"over_full_scale": "lower"}

    folder, told = studio.bounce("lowered", lower)
    peaks = {file["path"]: np.abs(_pcm(folder / file["path"])).max() / (1 << 23) for file in told["files"]}
    assert max(peaks.values()) == pytest.approx(1.0, abs=0.003)
    sound, _ = soundfile.read(studio[0] / "regular-left.wav")
    gain_db = 20 * np.log10(peaks["takes/regular-left.wav"] / np.abs(sound).max())
    assert told["lowered_db"] == pytest.approx(gain_db - 12.0, abs=0.001)
    assert sum(_pcm(folder / f"layers/{n}.wav") for n in ("regular", "octave")).tolist() == _pcm(
        folder / "blend.wav").tolist()
    sound, _ = soundfile.read(folder / "blend.wav")
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    assert told["files"][-1]["integrated_lufs"] == pytest.approx(meter.integrated_loudness(sound), abs=0.01)


def test_muted_takes_stay_out_and_polarity_flips(studio, plain):
    def change(recipe):
        recipe["layer"][0]["take"][1]["mute"] = True
        recipe["layer"][0]["take"][0]["invert_polarity"] = True

    folder, told = studio.bounce("muted", change)
    assert not (folder / "takes/regular-right.wav").exists()
    assert told["muted"] == [{"layer": "regular", "take": "right"}]
    assert not _pcm(folder / "layers/regular.wav")[:, 1].any()
    upright = _pcm(plain[0] / "takes/regular-left.wav")
    np.testing.assert_array_equal(_pcm(folder / "takes/regular-left.wav"), -upright)


def test_everything_muted_is_refused(studio):
    def change(recipe):
        for layer in recipe["layer"]:
            for take in layer["take"]:
                take["mute"] = True

    with pytest.raises(RecipeError, match="every take is muted"):
        studio.bounce("silent", change)


def test_takes_of_other_rates_lengths_and_channels_line_up(studio):
    folder = studio[0]
    slow = plucked(5, seconds=3.0, rate_hz=44_100)
    write_take(folder / "slow.wav", slow, 44_100)
    write_take(folder / "both.wav", np.stack([np.zeros(RATE_HZ), plucked(6, seconds=1.0)], axis=1))

    def change(recipe):
        recipe["layer"][1]["take"][0]["file"] = "slow.wav"
        recipe["layer"][1]["take"][1].update(file="both.wav", channel=2)

    target, told = studio.bounce("mixed", change)
    sources = {(source["layer"], source["take"]): source for source in told["sources"]}
    assert sources["octave", "left"]["converted_from_hz"] == 44_100
    assert sources["octave", "right"]["padded_frames"] == 3 * RATE_HZ
    made, _ = soundfile.read(target / "takes/octave-left.wav")
    assert len(made) == 4 * RATE_HZ
    # scipy's converter has another transition band: compared where both are flat, below 15 kHz.
    low = signal.butter(8, 15_000, fs=RATE_HZ, output="sos")
    error = signal.sosfilt(low, made[: 3 * RATE_HZ] - signal.resample_poly(slow, 160, 147))[2_000:-2_000]
    assert 20 * np.log10(np.abs(error).max()) < -60
    np.testing.assert_array_equal(_pcm(target / "takes/octave-right.wav")[:RATE_HZ, 0],
                                  _pcm(folder / "both.wav")[:, 1])


def test_a_moved_take_is_heard_moved(studio, plain):
    def change(recipe):
        recipe["layer"][1]["take"][0]["move"] = [{"from": "bar 1 beat 2", "to": "bar 1 beat 3", "by_ms": 30.0}]

    target, told = studio.bounce("moved", change)
    before, after = (_pcm(folder / "takes/octave-left.wav")[:, 0] for folder in (plain[0], target))
    start, stop, by = int(0.75 * RATE_HZ), int(1.25 * RATE_HZ), int(0.030 * RATE_HZ)
    np.testing.assert_array_equal(after[start + by : stop - 300], before[start : stop - 300 - by])
    np.testing.assert_array_equal(after[stop:], before[stop:])
    source = next(s for s in told["sources"] if (s["layer"], s["take"]) == ("octave", "left"))
    assert source["moves"][0]["by_ms"] == 30.0


def test_every_faulty_file_is_told_before_anything_is_rendered(studio):
    (studio[0] / "text.wav").write_text("these are words")

    def change(recipe):
        recipe["layer"][0]["take"][0]["file"] = "missing.wav"
        recipe["layer"][1]["take"][1]["file"] = "text.wav"

    with pytest.raises(AudioError, match=r"(?s)missing\.wav.*no such file.*text\.wav.*not a supported audio file"):
        studio.bounce("faulty", change)


def test_a_corner_above_half_the_files_rate_is_told_with_its_place(studio):
    def change(recipe):
        recipe["layer"][1]["chain"] = {"high_pass": [{"hz": 30_000}]}

    with pytest.raises(RecipeError, match=r'layer "octave".*high_pass.*30000.*24000'):
        studio.bounce("corner", change)


def test_a_folder_that_is_no_bounce_is_left_alone(studio):
    target = studio[0] / "bounces" / "precious"
    target.mkdir(parents=True)
    (target / "diary.txt").write_text("dear diary")
    with pytest.raises(OutputError, match="holds something that is not a bounce and is left alone"):
        studio.bounce("precious")
    assert (target / "diary.txt").read_text() == "dear diary"


def test_a_strangers_file_in_an_earlier_bounce_is_left_alone(studio):
    target, _ = studio.bounce("visited")
    (target / "notes from the mixer.txt").write_text("keep")
    with pytest.raises(OutputError, match=r"holds notes from the mixer\.txt"):
        studio.bounce("visited")
    assert (target / "notes from the mixer.txt").read_text() == "keep"


def test_a_new_bounce_replaces_the_earlier_one(studio):
    studio.bounce("twice")
    target, told = studio.bounce("twice", lambda recipe: (recipe["layer"].pop(), recipe.pop("section")))
    assert not (target / "layers/octave.wav").exists()
    assert [file["path"] for file in told["files"]][-1] == "blend.wav"
    assert not list((studio[0] / "bounces").glob(".twice*"))


def test_damage_in_the_store_is_mended_on_the_way(studio, plain):
    for path in studio[2].folder.glob("*.f32"):
        kept = bytearray(path.read_bytes())
        kept[1000] ^= 255
        path.write_bytes(kept)
    for path in studio[2].folder.glob("*.energies"):
        path.write_bytes(path.read_bytes()[:-8])
    file = read_recipe(studio[0] / "plain.toml")
    bounce_song(file, studio[0] / "bounces" / "mended", studio[2])
    for name in _files(plain[0]):
        assert (studio[0] / "bounces/mended" / name).read_bytes() == (plain[0] / name).read_bytes(), name


def test_sources_are_never_written_to(studio, plain):
    digests = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in studio[0].glob("*.wav")}
    studio.bounce("again")
    assert digests == {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in digests}


def test_a_section_after_the_end_of_the_files_is_told_with_its_line(studio):
    def change(recipe):
        recipe["section"].append({"name": "outro", "bars": [90, 91]})

    with pytest.raises(RecipeError, match=r'line \d+, section "outro", bars: begins at .*longest take has ended'):
        studio.bounce("late", change)

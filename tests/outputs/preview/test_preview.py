"""Listening files: which there are, that they are equally loud under the ceiling, tagged, cut where they should be."""

from __future__ import annotations

import copy
import hashlib
import json
import math
import subprocess

import imageio_ffmpeg
import numpy as np
import pydub
import pyebur128
import pyloudnorm
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from layerpipe.core.errors import OutputError, RecipeError
from layerpipe.jobs.bounce import bounce_song
from layerpipe.jobs.preview import preview_song
from layerpipe.outputs.preview.write import equal_gains_db
from layerpipe.recipe.reader import read_recipe
from tests.support.songs import RATE_HZ, plucked, recipe_of, write_recipe, write_take
from tests.support.studio import Studio


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    def with_bed(folder):
        write_take(folder / "bed.wav", np.stack([plucked(20), plucked(21)], axis=1) * 0.5)
        return {**recipe_of(folder), "bed": {"file": "bed.wav", "gain_db": -3.0}}

    return Studio.of(tmp_path_factory.mktemp("studio"), with_bed)


def _preview(studio, name, change=lambda recipe: None, **asked):
    made = preview_song(studio.file(name, change), studio.folder / "previews", cache=studio.cache, **asked)
    return {(one.section, one.version): one for one in made.files}


@pytest.fixture(scope="module")
def plain(studio):
    return _preview(studio, "plain")


def test_every_section_has_each_layer_the_blend_and_the_blend_with_the_track(plain):
    versions = ["regular alone", "octave alone", "blend", "with the track"]
    assert list(plain) == [(section, version) for section in ("verse", "chorus", "whole song") for version in versions]


def test_a_version_that_is_silent_is_said_to_be_and_not_written(plain):
    silent = plain["verse", "octave alone"]
    assert silent.file is None
    assert silent.gain_db is None


def test_all_versions_of_a_section_are_equally_loud_and_under_the_ceiling(plain):
    # pyebur128 (libebur128) as the other meter, scipy's 8x conversion as the other true peak, on the written files.
    for section in ("verse", "chorus", "whole song"):
        found, peaks = [], []
        for (of, _), one in plain.items():
            if of == section and one.file is not None:
                sound, _ = soundfile.read(one.file)
                other = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
                other.add_frames(sound.ravel().copy(), len(sound))
                found.append(pyebur128.get_loudness_global(other))
                peaks.append(20 * math.log10(np.abs(signal.resample_poly(sound, 8, 1, axis=0)).max()))
                assert one.lufs == pytest.approx(found[-1], abs=0.05)
        assert max(found) - min(found) < 0.05
        assert max(peaks) < -0.9
        # As loud as wanted, or as the ceiling lets the highest of them be.
        assert max(found) == pytest.approx(-16.0, abs=0.05) or max(peaks) == pytest.approx(-1.0, abs=0.1)


def test_a_blend_is_the_bounced_blend_with_its_gain_lead_in_and_tail(studio, plain):
    file = read_recipe(studio[0] / "plain.toml")
    bounce_song(file, studio[0] / "bounce", studio[2])
    blend, _ = soundfile.read(studio[0] / "bounce/blend.wav")
    one = plain["chorus", "blend"]
    heard, _ = soundfile.read(one.file)
    # The chorus is bar 2 of 120 beats a minute in 4/4 after 0.25 s; one beat of lead-in, the file ends before 0.5 s.
    start = round(1.75 * RATE_HZ)
    assert len(heard) == 4 * RATE_HZ - start
    settled = round(0.05 * RATE_HZ)
    expected = blend[start + settled :] * 10 ** (one.gain_db / 20)
    np.testing.assert_allclose(heard[settled:], expected, atol=3e-6)
    assert heard[0].tolist() == [0.0, 0.0]


def test_the_track_is_the_blend_and_the_bed_at_its_gain(studio, plain):
    bed, _ = soundfile.read(studio[0] / "bed.wav")
    blend, track = (plain["whole song", version] for version in ("blend", "with the track"))
    without, both = (soundfile.read(one.file)[0] / 10 ** (one.gain_db / 20) for one in (blend, track))
    np.testing.assert_allclose(both - without, bed * 10 ** (-3 / 20), atol=3e-6)


@pytest.mark.parametrize("kind", ["mp3", "m4a"])
def test_encoded_files_carry_tags_and_play(studio, kind):
    made = _preview(studio, f"encoded-{kind}", lambda recipe: recipe["preview"].update(format=kind),
                    sections=["chorus"], versions=["blend"])
    (one,) = made.values()
    encoder = imageio_ffmpeg.get_ffmpeg_exe()
    tags = subprocess.run([encoder, "-v", "error", "-i", one.file, "-f", "ffmetadata", "-"], capture_output=True,
                          check=True, text=True).stdout
    assert "title=Harbour Test: chorus, blend" in tags
    assert "artist=The Testers" in tags
    assert ("comment=section: chorus\\; version: blend\\; levels: regular 0 dB, octave -9 dB\\; loudness: "
            f"{one.lufs:.1f} LUFS") in tags
    assert "album=Harbour Test" in tags
    # The blend of the chorus is the seventh file: four versions of the verse, then two layers of the chorus.
    assert "track=7\n" in tags
    assert not [line for line in tags.splitlines() if line.startswith(("section=", "version=", "grouping="))]
    assert one.file.name == f"07 chorus - blend.{kind}"
    if kind == "m4a":
        # ISO/IEC 14496-12: the first box names the brand; "isom" and its like are the standard's.
        assert one.file.read_bytes()[4:12] == b"ftypisom"
    # An independent reader: pydub, told where a decoder is.
    pydub.AudioSegment.converter = encoder
    heard = pydub.AudioSegment.from_file_using_temporary_files(str(one.file), format=kind)
    assert heard.channels == 2
    assert heard.frame_rate == RATE_HZ
    assert heard.duration_seconds == pytest.approx(one.seconds, abs=0.1)
    sound = np.array(heard.get_array_of_samples()).reshape(-1, 2) / 2.0 ** (8 * heard.sample_width - 1)
    loud = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness(sound)
    assert loud == pytest.approx(one.lufs, abs=0.2)


@pytest.mark.parametrize("kind", ["flac", "wav"])
def test_lossless_files_carry_the_same_tags(studio, kind):
    def change(recipe):
        recipe["song"].update(title="Harbour Tést")
        recipe["preview"].update(format=kind)

    made = _preview(studio, f"tagged-{kind}", change, sections=["whole song"], versions=["octave"])
    (one,) = made.values()
    comment = (f"section: whole song; version: octave alone; levels: octave -9 dB (verse off); "
               f"loudness: {one.lufs:.1f} LUFS")
    # Vorbis comments and the RIFF INFO list as libsndfile and the encoder's library read them.
    with soundfile.SoundFile(one.file) as file:
        assert file.title == "Harbour Tést: whole song, octave alone"
        assert (file.artist, file.album, file.tracknumber) == ("The Testers", "Harbour Tést", "10")
        assert file.comment == comment
        assert (file.date, file.software) == ("", "")
    tags = subprocess.run([imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", one.file, "-f", "ffmetadata", "-"],
                          capture_output=True, check=True, text=True).stdout
    assert "title=Harbour Tést: whole song, octave alone" in tags
    assert comment.replace(";", "\\;") in tags


def test_encoded_files_are_the_same_twice(studio):
    def change(recipe):
        recipe["preview"].update(format="mp3")

    first = _preview(studio, "same", change, sections=["chorus"], versions=["octave"])
    kept = next(iter(first.values())).file.read_bytes()
    again = _preview(studio, "same", change, sections=["chorus"], versions=["octave alone"])
    assert next(iter(again.values())).file.read_bytes() == kept


def test_hostile_titles_become_tags_and_nothing_else(studio):
    def change(recipe):
        recipe["song"]["title"] = '-y "; touch pwned; $(touch pwned) `id` -f null'
        recipe["preview"].update(format="mp3")

    made = _preview(studio, "hostile", change, sections=["chorus"], versions=["blend"])
    (one,) = made.values()
    tags = subprocess.run([imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", one.file, "-f", "ffmetadata", "-"],
                          capture_output=True, check=True, text=True).stdout
    assert "touch pwned" in tags
    assert not list(studio[0].rglob("pwned"))


def test_flac_previews_are_lossless(studio, plain):
    made = _preview(studio, "lossless", lambda recipe: recipe["preview"].update(format="flac"), sections=["verse"],
                    versions=["blend"])
    ours, theirs = made["verse", "blend"].file, plain["verse", "blend"].file
    np.testing.assert_array_equal(soundfile.read(ours)[0], soundfile.read(theirs)[0])


def test_a_loudness_the_ceiling_allows_is_reached_exactly(studio):
    made = _preview(studio, "quiet", lambda recipe: recipe["preview"].update(loudness_lufs=-30.0), sections=["chorus"])
    assert [one.lufs for one in made.values()] == pytest.approx([-30.0] * 4, abs=1e-9)


def test_a_section_too_short_to_measure_is_still_made(studio):
    def change(recipe):
        recipe["song"].update(tempo=400.0, meter="1/4")
        recipe["preview"].update(lead_in_beats=0, tail_s=0.0)

    made = _preview(studio, "short", change, sections=["verse"])
    assert made["verse", "blend"].lufs is None
    assert made["verse", "blend"].file is not None


def test_unknown_sections_and_versions_are_told_with_what_there_is(studio):
    with pytest.raises(RecipeError, match=r'no section "bridge"; there are "verse", "chorus", "whole song"'):
        _preview(studio, "asked", sections=["bridge"])
    with pytest.raises(RecipeError, match=r'no version "drums"; there are "regular alone"'):
        _preview(studio, "asked", versions=["drums"])


def test_a_place_that_cannot_be_written_is_told(studio, tmp_path):
    (tmp_path / "file").write_text("")
    file = read_recipe(write_recipe(studio[0] / "nowhere.toml", studio[1]))
    with pytest.raises(OutputError, match="cannot be written"):
        preview_song(file, tmp_path / "file", cache=studio[2])


def test_files_sort_in_the_order_of_the_song_whichever_are_made(studio, plain):
    names = [one.file.name for one in plain.values() if one.file is not None]
    assert names == sorted(names)
    assert [one.track for one in plain.values()] == list(range(1, 13))
    alone = _preview(studio, "one of them", sections=["whole song"], versions=["octave"])
    assert [one.file.name for one in alone.values()] == ["10 whole song - octave alone.wav"]


def _run(studio, name, change=lambda recipe: None, **asked):
    folder, recipe, cache = studio
    recipe = copy.deepcopy(recipe)
    change(recipe)
    return preview_song(read_recipe(write_recipe(folder / f"{name}.toml", recipe)), folder / "previews", cache=cache,
                        **asked)


def test_what_an_earlier_text_of_the_recipe_made_is_removed_and_nothing_else(studio):
    folder = studio[0] / "previews" / "renamed"
    _run(studio, "renamed", sections=["verse"], versions=["blend"])
    assert _run(studio, "renamed", sections=["chorus"]).removed == ()
    assert (folder / "03 verse - blend.wav").exists(), "the same text: sections can be made one by one"
    (folder / "notes.txt").write_text("mine")
    (folder / "05 chorus - regular alone.wav").write_bytes(b"replaced by hand")
    (folder / "06 chorus - octave alone.wav").unlink()
    (folder / "06 chorus - octave alone.wav").symlink_to(folder / "notes.txt")
    made = _run(studio, "renamed", lambda recipe: recipe["section"][1].update(name="refrain"), sections=["refrain"])
    assert sorted(path.name for path in made.removed) == ["03 verse - blend.wav", "07 chorus - blend.wav",
                                                          "08 chorus - with the track.wav"]
    assert sorted(path.name for path in folder.iterdir()) == [
        "05 chorus - regular alone.wav", "05 refrain - regular alone.wav", "06 chorus - octave alone.wav",
        "06 refrain - octave alone.wav", "07 refrain - blend.wav", "08 refrain - with the track.wav", "notes.txt",
        "previews.json"]
    assert (folder / "notes.txt").read_text() == "mine"


@pytest.mark.parametrize("planted", ["", "[]", '{"format": "layerpipe previews 1"}', "[" * 100_000, '{"format": 3}'])
def test_a_list_that_cannot_be_read_removes_nothing(studio, planted):
    folder = studio[0] / "previews" / "planted"
    made = _run(studio, "planted", sections=["chorus"], versions=["blend"])
    (folder / "previews.json").write_text(planted)
    again = _run(studio, "planted", lambda recipe: recipe["song"].update(title="Other"), sections=["verse"],
                 versions=["blend"])
    assert again.removed == ()
    assert made.files[0].file.exists()


def test_a_list_names_files_of_its_own_folder_only(studio, tmp_path):
    _run(studio, "outside", sections=["chorus"], versions=["blend"])
    path = studio[0] / "previews" / "outside" / "previews.json"
    victim = studio[0] / "previews" / "victim.wav"
    victim.write_bytes(b"x")
    told = json.loads(path.read_text())
    (entry,) = told["recipes"].values()
    entry["files"] = {"../victim.wav": hashlib.sha256(b"x").hexdigest(), str(victim): hashlib.sha256(b"x").hexdigest()}
    path.write_text(json.dumps(told))
    assert _run(studio, "outside", lambda recipe: recipe["song"].update(title="Other"), sections=["chorus"],
                versions=["blend"]).removed == ()
    assert victim.exists()


def test_the_version_whose_peaks_lower_a_section_is_named_with_the_amount(studio):
    def change(recipe):
        recipe["preview"].update(loudness_lufs=-5.0)

    made = _run(studio, "limited", change, sections=["chorus"])
    (limit,) = made.limits
    assert limit.section == "chorus"
    assert all(one.lufs == pytest.approx(limit.lufs) for one in made.files)
    assert limit.lowered_db == pytest.approx(-5.0 - limit.lufs)
    limiting = next(one for one in made.files if one.version == limit.version)
    assert limiting.true_peak_dbtp == max(one.true_peak_dbtp for one in made.files) == pytest.approx(-1.001, abs=1e-6)
    quiet = _run(studio, "limited", lambda recipe: recipe["preview"].update(loudness_lufs=-40.0), sections=["chorus"])
    assert quiet.limits == ()


@given(st.lists(st.tuples(st.none() | st.just(-math.inf) | st.floats(-69, 0), st.floats(-60, 6)),
                min_size=1, max_size=6), st.floats(-40, 0), st.floats(-20, 0))
def test_equal_gains_are_equal_never_past_the_ceiling_and_no_quieter_than_they_must_be(rows, wanted, ceiling):
    lufs, peaks = [row[0] for row in rows], [row[1] for row in rows]
    gains = equal_gains_db(lufs, peaks, wanted, ceiling)
    heard = [(loud, peak, gain) for loud, peak, gain in zip(lufs, peaks, gains, strict=True) if gain is not None]
    assert all(peak + gain <= ceiling + 1e-9 for _, peak, gain in heard)
    measured = [loud + gain for loud, _, gain in heard if loud is not None]
    if measured and any(loud is not None and math.isfinite(loud) for loud in lufs):
        assert max(measured) - min(measured) < 1e-9
        limit = min(ceiling - peak - gain for _, peak, gain in heard)
        assert max(measured) == pytest.approx(wanted) or limit == pytest.approx(0.001)

"""From a recipe to the page: the sound in it is the blend's, it loops on the bar, its figures are the energies'."""

from __future__ import annotations

import dataclasses
import io
import math
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from layerpipe.audio_files.encode import find_encoder
from layerpipe.core.errors import RecipeError
from layerpipe.core.units import frames_of_ms, gain_of_db
from layerpipe.dsp.loudness.bs1770 import integrated, measure
from layerpipe.dsp.peaks.true_peak import true_peak
from layerpipe.outputs.artist_page import build_page
from layerpipe.outputs.artist_page.build import make_page_song
from layerpipe.outputs.artist_page.loops import CROSSFADE_MS, parts_of
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.layers import sum_layer, take_pans
from layerpipe.render.pipeline import measure_song, process_takes
from tests.support.pages.browser import rendered

PROJECT = Path(__file__).resolve().parents[3]
LANTERN = PROJECT / "recipes" / "lantern.toml"


@pytest.fixture(scope="module")
def lantern():
    """The demo song with its takes processed, its energies, and the page's song."""
    cache = TakeCache()
    song = process_takes(read_recipe(LANTERN), cache)
    energies = measure_song(song, cache)
    page_song = make_page_song(song, energies, parts_of(song, [], 9.0), "0123456789abcdef", workers=1)
    return song, energies, page_song


def layers_at_0_db(song, start, stop):
    """Every layer, then the bed, (frames, 2), straight from the processed takes."""
    sounds = []
    for layer in song.layers:
        mine = song.takes_of(layer)
        sounds.append(sum_layer([song.takes[n].sound.read_float32(start, stop) for n in mine],
                                [take_pans(song.takes[n].take) for n in mine], 1.0))
    return [*sounds, song.bed.read(start, stop) * song.bed_gain]


def decoded(sound):
    samples, _ = soundfile.read(io.BytesIO(sound.pieces[0].flac), always_2d=True)
    return samples * sound.gain


def test_each_sound_is_its_layer_until_the_crossfade_and_then_leads_back_to_the_beginning(lantern):
    song, _, page_song = lantern
    crossfade = frames_of_ms(CROSSFADE_MS, song.rate_hz)
    for part, section in zip(song.sections, page_song.sections, strict=True):
        wanted = layers_at_0_db(song, part.start - crossfade, part.stop)
        for sound, layer in zip(section.sounds, wanted, strict=True):
            heard, before, own = decoded(sound), layer[:crossfade], layer[crossfade:]
            assert len(heard) == section.frames == part.stop - part.start
            # Triangular dither at 16 bits: no error passes two steps.
            np.testing.assert_allclose(heard[:-crossfade], own[:-crossfade], atol=2 * sound.gain / 32768, rtol=0)
            turn = ((np.arange(crossfade) + 0.5) / crossfade * np.pi / 2)[:, None]
            np.testing.assert_allclose(heard[-crossfade:], own[-crossfade:] * np.cos(turn) + before * np.sin(turn),
                                       atol=2 * sound.gain / 32768, rtol=0)


def test_from_the_last_frame_to_the_first_is_the_step_the_song_itself_makes_there(lantern):
    song, _, page_song = lantern
    for part, section in zip(song.sections, page_song.sections, strict=True):
        wanted = layers_at_0_db(song, part.start - 1, part.start + 1)
        for sound, layer in zip(section.sounds, wanted, strict=True):
            heard = decoded(sound)
            # Half a frame before its end the crossfade still holds sin(pi/2 / 1440) = 0.1 % of what fades out.
            room = 0.002 * np.abs(heard).max() + 2e-4
            np.testing.assert_allclose(heard[0] - heard[-1], layer[1] - layer[0], atol=room, rtol=0)


def test_levels_names_and_bars_are_the_recipes(lantern):
    song, _, page_song = lantern
    assert page_song.title == song.recipe.song.title
    assert page_song.layers == ("regular", "octave")
    assert [section.name for section in page_song.sections] == [section.name for section in song.recipe.section]
    assert [section.layers[1].level_db for section in page_song.sections] == [-math.inf, -9.0, -15.0, -8.0]
    chorus = page_song.sections[1]
    assert [bar for bar, _ in chorus.bars] == [5, 6, 7, 8]
    # 6/8 at 58 dotted quarters: a bar of two beats lasts 120/58 s.
    assert [seconds for _, seconds in chorus.bars] == pytest.approx([n * 120 / 58 for n in range(4)], abs=1e-4)


def test_the_products_give_the_loudness_of_any_setting(lantern, rng):
    song, _, page_song = lantern
    for part, section in zip(song.sections, page_song.sections, strict=True):
        before = song.rate_hz  # a second for the filters to settle, as they had in the song
        sounds = np.stack(layers_at_0_db(song, part.start - before, part.stop)) if part.start >= before else None
        if sounds is None:
            continue
        for _ in range(2):
            mix = rng.uniform(0, 1, 3)
            upper, lower = np.triu_indices(3)
            weights = mix[upper] * mix[lower] * np.where(upper == lower, 1, 2)
            own = integrated(section.products @ weights)
            blend = np.tensordot(mix, sounds, 1)[before:]
            assert own == pytest.approx(measure(blend, song.rate_hz).integrated_lufs, abs=0.05)


def test_the_common_loudness_is_the_highest_at_which_no_setting_passes_the_ceiling(lantern, rng):
    song, _, page_song = lantern
    # In this section the ceiling, not the loudness that is wanted, decides.
    section = page_song.sections[2]
    assert section.reference_lufs < song.recipe.preview.loudness_lufs - 0.1
    sounds = [decoded(sound) for sound in section.sounds]
    upper, lower = np.triu_indices(3)
    rooms = []
    # The levels of the slider's whole range, some between them, with and without the bed; each layer alone.
    levels = [-math.inf, *range(-24, 1, 3), *rng.uniform(-24, 0, 4)]
    mixes = [[1.0, gain_of_db(level), bed] for level in levels for bed in (0.0, 1.0)] + [[0.0, 1.0, 0.0]]
    for mix in mixes:
        weights = np.outer(mix, mix)[upper, lower] * np.where(upper == lower, 1, 2)
        peak = true_peak(np.tensordot(mix, sounds, 1)).max()
        rooms.append(integrated(section.products @ weights) - 20 * math.log10(peak))
    ceiling = song.recipe.preview.ceiling_dbtp
    assert section.reference_lufs <= min(rooms) + ceiling
    assert section.reference_lufs == pytest.approx(min(rooms) + ceiling - 0.25, abs=0.05)


@pytest.mark.slow
def test_the_demo_sounds_in_the_page_as_in_the_blend(lantern, browser, tmp_path):
    song, _, page_song = lantern
    one = dataclasses.replace(page_song, sections=page_song.sections[1:2])
    path = tmp_path / "page.html"
    path.write_bytes(build_page(one))
    part, section = song.sections[1], page_song.sections[1]
    sounds = layers_at_0_db(song, part.start, part.stop)
    crossfade = frames_of_ms(CROSSFADE_MS, song.rate_hz)
    page = browser.new_page()
    page.goto(path.as_uri())
    for level, bed in ((None, False), (-9.0, False), (-3.0, True)):
        heard = rendered(page, 0, levels=[0, level], bed=bed, seconds=section.frames / song.rate_hz)
        blend = sounds[0] + gain_of_db(-math.inf if level is None else level) * sounds[1] + bed * sounds[2]
        master = gain_of_db(section.reference_lufs - measure(blend, song.rate_hz).integrated_lufs)
        residual = (heard - master * blend)[:-crossfade]
        assert 20 * math.log10(math.sqrt(np.mean(residual**2))) < -80
        assert measure(heard, song.rate_hz).integrated_lufs == pytest.approx(section.reference_lufs, abs=0.05)
        assert np.abs(heard).max() < gain_of_db(song.recipe.preview.ceiling_dbtp)
    page.close()


def test_long_sections_end_on_a_bar_and_named_ones_come_alone(lantern):
    song, _, _ = lantern
    (part,) = parts_of(song, ["chorus"], 5.0)
    assert part.start == song.sections[1].start
    assert (part.stop - part.start) / song.rate_hz == pytest.approx(2 * 120 / 58, abs=1e-4)
    assert [bar for bar, _ in part.bars] == [5, 6]
    # Two beats a bar in 6/8.
    assert part.beats_s == pytest.approx([n * 60 / 58 for n in range(4)], abs=1e-4)
    (short,) = parts_of(song, ["chorus"], 1.0)
    assert short.stop - short.start == song.rate_hz
    with pytest.raises(RecipeError, match=r"at least 0\.42 s"):
        parts_of(song, ["chorus"], 0.3)
    with pytest.raises(RecipeError, match="no section"):
        parts_of(song, ["bridge"], 20.0)


def test_the_plain_player_is_the_engineers_setting(lantern, tmp_path):
    song, _, page_song = lantern
    part, section = song.sections[1], page_song.sections[1]
    path = tmp_path / "chorus.m4a"
    path.write_bytes(section.player)
    decoder = [find_encoder(), "-v", "error", "-i", path, "-f", "f32le", "-"]
    heard = np.frombuffer(subprocess.run(decoder, capture_output=True, check=True).stdout, "<f4").reshape(-1, 2)
    sounds = layers_at_0_db(song, part.start, part.stop)
    blend = sounds[0] + gain_of_db(section.layers[1].level_db) * sounds[1]
    length = min(len(heard), len(blend))
    assert length > 0.99 * len(blend)
    # AAC at 64 kbit/s keeps the wave nearly, and the loudness.
    assert np.corrcoef(heard[:length].ravel(), blend[:length].ravel())[0, 1] > 0.95
    assert measure(heard.astype(float), song.rate_hz).integrated_lufs == pytest.approx(section.reference_lufs, abs=0.5)
    # 64 kbit/s are 8 kB a second.
    assert len(section.player) < 9_000 * len(blend) / song.rate_hz + 10_000

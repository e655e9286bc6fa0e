"""A section of any length: its sound comes in pieces, which follow each other without a seam, and few are held."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from layerpipe.core.units import gain_of_db
from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.jobs.bounce import bounce_song
from layerpipe.jobs.share import Sharing
from layerpipe.outputs.artist_page import build_page, loops
from layerpipe.outputs.artist_page.build import make_page_song
from layerpipe.outputs.artist_page.loops import MARGIN_FRAMES, parts_of, piece_starts
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import measure_song, process_takes
from tests.server.conftest import on_phone
from tests.support.pages.browser import opened, rendered, until
from tests.support.pages.songs import in_pieces
from tests.support.songs import RATE_HZ, plucked, recipe_of, write_recipe, write_take

PROJECT = Path(__file__).resolve().parents[3]
LEVELS = {"levels": [0, -6], "bed": True}


def rms_db(samples):
    return 20 * math.log10(max(math.sqrt(np.mean(samples**2)), 1e-12))


@pytest.fixture(scope="module")
def chorus():
    """The chorus of the demo as a page's song of one piece, and of three."""
    file, cache = read_recipe(PROJECT / "recipes" / "lantern.toml"), TakeCache()
    song = process_takes(file, cache)
    energies = measure_song(song, cache)

    def make():
        return make_page_song(song, energies, parts_of(song, ["chorus"], 9.0), "0" * 16, workers=1)

    whole = make()
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(loops, "LONGEST_ONE_PIECE_S", 5.0)
        patched.setattr(loops, "PIECE_S", 3.0)
        return whole, make()


def test_pieces_hold_the_very_samples_of_the_whole_and_overlap(chorus):
    whole, cut = (song.sections[0] for song in chorus)
    assert (whole.starts, whole.margin, len(cut.starts), cut.margin) == ((0,), 0, 3, MARGIN_FRAMES)
    assert cut.reference_lufs == pytest.approx(whole.reference_lufs, abs=0.01)
    np.testing.assert_allclose(cut.waveform, whole.waveform, atol=1e-12)
    frames = whole.frames
    for one, other in zip(whole.sounds, cut.sounds, strict=True):
        sound, _ = soundfile.read(io.BytesIO(one.pieces[0].flac), dtype="int16")
        for start, stop, piece in zip(cut.starts, (*cut.starts[1:], frames), other.pieces, strict=True):
            heard, _ = soundfile.read(io.BytesIO(piece.flac), dtype="int16")
            place = np.arange(start - MARGIN_FRAMES, stop + MARGIN_FRAMES) % frames
            np.testing.assert_array_equal(heard, sound[place])


def test_short_sections_are_one_piece_and_long_ones_equal_pieces():
    assert piece_starts(20 * RATE_HZ, RATE_HZ) == (0,)
    starts = piece_starts(300 * RATE_HZ + 7, RATE_HZ)
    lengths = np.diff([*starts, 300 * RATE_HZ + 7])
    assert len(starts) == 26
    assert lengths.max() <= 12 * RATE_HZ
    assert lengths.max() - lengths.min() <= 1


@pytest.mark.slow
def test_pieces_sound_as_the_whole_does_around_the_end_and_from_anywhere(chorus, browser, tmp_path):
    seconds = chorus[0].sections[0].frames / chorus[0].rate_hz
    spans = ((0.0, seconds + 3), (seconds - 0.4, 1.0), (2.5, 4.0))
    heard = []
    for number, song in enumerate(chorus):
        path = tmp_path / f"{number}.html"
        path.write_bytes(build_page(song))
        with opened(browser, path) as page:
            heard.append([rendered(page, 0, **LEVELS, **{"seconds": length, "from": start}) for start, length in spans])
    for whole, cut in zip(*heard, strict=True):
        # Single precision, and the crossfade of equal samples; a frame too early or late would be at -20 dBFS.
        assert rms_db(whole) > -30
        assert rms_db(cut - whole) < -120
        assert np.abs(cut - whole).max() < 1e-5


@pytest.mark.slow
def test_a_long_section_plays_on_from_piece_to_piece_and_drops_what_was_played(chorus, browser, tmp_path):
    path = tmp_path / "page.html"
    path.write_bytes(build_page(chorus[1]))
    with opened(browser, path) as page:
        page.locator("#play").click()
        until(page, "layerpipePage.player.playing")
        seconds = page.evaluate("layerpipePage.song.sections[0].starts[2] / layerpipePage.song.rate")
        page.locator("#place").fill(f"{seconds - 0.3:.2f}")
        until(page, f"layerpipePage.player.playing && layerpipePage.player.position > {seconds + 0.3:.2f}")
        # Playing the last piece, with the first one ready: around the end it goes.
        until(page, "layerpipePage.player.joined.next.piece === 1 || layerpipePage.player.joined.next.piece === 0")
        page.locator("#place").fill(f"{page.evaluate('layerpipePage.player.length') - 0.3:.2f}")
        until(page, "layerpipePage.player.playing && layerpipePage.player.position < 2")
        assert page.evaluate("layerpipePage.player.held.size") <= 3
        assert page.evaluate("layerpipePage.song.sections[0].decoded.size") <= 3
        page.locator("#play").click()
        assert not page.evaluate("layerpipePage.player.playing")


@pytest.mark.slow
def test_a_finger_along_the_outline_decodes_where_it_stops_and_not_what_it_passes(browser, demo, tmp_path):
    path = tmp_path / "page.html"
    path.write_bytes(build_page(in_pieces(demo[0], 16)))
    with opened(browser, path) as page:
        page.get_by_role("radio", name="chorus").check()
        page.locator("#play").click()
        until(page, "layerpipePage.player.playing")
        decoded, position = page.evaluate("""() => new Promise((done) => {
          let decoded = 0;
          const decode = BaseAudioContext.prototype.decodeAudioData;
          BaseAudioContext.prototype.decodeAudioData = function (bytes) {
            decoded += 1;
            return decode.call(this, bytes);
          };
          const { player } = layerpipePage, place = document.getElementById("place");
          for (let at = 0.8; at < 3.5; at += 0.05) {
            place.value = at;
            place.dispatchEvent(new Event("input"));
          }
          const look = () => {
            if (player.playing && player.offset > 3.4) done([decoded, player.offset]);
            else setTimeout(look, 1);
          };
          look();
        })""")
        assert position == pytest.approx(3.5, abs=0.06)
        # Four sounds each: the piece that was passed first, the last one, those after both; not the eleven passed.
        assert decoded <= 4 * 6


@pytest.mark.slow
def test_a_piece_that_does_not_come_pauses_with_words(chorus, browser, tmp_path):
    path = tmp_path / "page.html"
    path.write_bytes(build_page(chorus[1]))
    context = browser.new_context()
    context.add_init_script("""const decode = BaseAudioContext.prototype.decodeAudioData;
        let count = 0;
        BaseAudioContext.prototype.decodeAudioData = function (bytes) {
          count += 1;
          return count > 3 ? Promise.reject(new DOMException("broken", "EncodingError")) : decode.call(this, bytes);
        };""")
    page = context.new_page()
    page.goto(path.as_uri())
    page.locator("#play").click()
    page.locator("#status", has_text="cannot play the sound (broken)").wait_for()
    assert page.locator("#play").inner_text() == "Play"
    context.close()


@pytest.mark.slow
def test_five_minutes_are_shared_whole_and_played_from_the_middle(browser, tmp_path):
    recipe = recipe_of(tmp_path)
    seconds = 300
    for number, take in enumerate(take for layer in recipe["layer"] for take in layer["take"]):
        bars = [plucked(100 * number + n) for n in range(5)]
        sound = np.concatenate([bars[n % 5] * (0.3 + 0.7 * (n % 7) / 7) for n in range(seconds // 4)])
        write_take(tmp_path / take["file"], sound)
    recipe["section"] = []
    file, cache = read_recipe(write_recipe(tmp_path / "long.toml", recipe)), TakeCache(tmp_path / "cache")
    bounce_song(file, tmp_path / "bounce", cache)
    with Sharing(file, host="127.0.0.1", cache=cache) as sharing, on_phone(browser, sharing.url) as page:
        (section,) = page.evaluate("layerpipePage.song.sections.map(({ frames, starts }) => ({ frames, starts }))")
        assert section["frames"] == seconds * RATE_HZ
        assert len(section["starts"]) == 25
        page.locator("#play").tap()
        until(page, "layerpipePage.player.playing")
        page.locator("#place").fill("200")
        until(page, "layerpipePage.player.playing && layerpipePage.player.position > 200.2")
        joint = next(start for start in section["starts"] if start > 200 * RATE_HZ)
        page.locator("#place").fill(f"{joint / RATE_HZ - 0.4:.2f}")
        until(page, f"layerpipePage.player.playing && layerpipePage.player.position > {joint / RATE_HZ + 0.4:.2f}")
        assert page.evaluate("layerpipePage.player.held.size") <= 3
        page.locator("#play").tap()
        # Two seconds around the joint as the page renders them, beside the bounced stems' blend.
        level = file.recipe.layer[1].level_db
        start = joint - RATE_HZ
        heard = rendered(page, 0, levels=[0, level], **{"from": start / RATE_HZ, "seconds": 2.0})
        reference = page.evaluate("layerpipePage.song.sections[0].reference")
    blend, _ = soundfile.read(tmp_path / "bounce" / "blend.wav")
    master = gain_of_db(reference - measure(blend, RATE_HZ).integrated_lufs)
    wanted = master * blend[start : start + 2 * RATE_HZ]
    assert rms_db(wanted) > -40
    assert rms_db(heard - wanted) < -80
    around = slice(RATE_HZ - 500, RATE_HZ + 500)
    assert rms_db(heard[around] - wanted[around]) < -80

"""The served page on a phone-sized Chromium: its sound, its newer versions, its answers."""

from __future__ import annotations

import dataclasses
import queue
import re
import tomllib

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe

from layerpipe.outputs.artist_page import ChosenLevel, build_page
from tests.server.conftest import load_newer, on_phone
from tests.support.examples import slow
from tests.support.pages.browser import PHONE, opened, rendered, until
from tests.support.waiting import PATIENCE_S

WANTED = {"levels": [0, -9, -7.3], "bed": True, "seconds": 2.0}


def with_level(song, section, layer, level_db):
    """The song with another level of one layer in one section."""
    sections = tuple(
        dataclasses.replace(part, layers=tuple(dataclasses.replace(one, level_db=level_db) if one.name == layer else one
                                               for one in part.layers)) if part.name == section else part
        for part in song.sections)
    return dataclasses.replace(song, sections=sections)


@pytest.mark.slow
def test_served_sound_is_that_of_the_one_file_page(browser, serve, demo_page, tmp_path):
    path = tmp_path / "page.html"
    path.write_bytes(build_page(demo_page))
    with opened(browser, path) as page:
        expected = rendered(page, 1, **WANTED)
    with on_phone(browser, serve().url) as page:
        # The browser adds the layers in an order of its own, which shows in the last bit of single precision.
        np.testing.assert_allclose(rendered(page, 1, **WANTED), expected, rtol=0, atol=2**-23)


@pytest.mark.slow
@pytest.mark.parametrize("reason", [
    "HTMLMediaElement.prototype.canPlayType = () => ''",
    slow("""const decode = BaseAudioContext.prototype.decodeAudioData;
       BaseAudioContext.prototype.decodeAudioData = function (bytes) {
         const name = String.fromCharCode(...new Uint8Array(bytes.slice(0, 4)));
         if (name === "fLaC") return Promise.reject(new DOMException("no", "EncodingError"));
         return decode.call(this, bytes);
       };""")])
def test_a_browser_that_cannot_decode_flac_gets_the_same_sound_as_aac(browser, serve, demo_page, reason):
    served = serve()
    with on_phone(browser, served.url) as page:
        flac = rendered(page, 1, **WANTED)
    # Before the page's own script: `reload` runs it.
    context = browser.new_context()
    context.add_init_script(reason)
    page = context.new_page()
    page.goto(served.url)
    aac = rendered(page, 1, **WANTED)
    number = demo_page.sections[1].frames
    lengths = page.evaluate("layerpipePage.song.sections[1].decoded.get(0).samples.map(({ sides }) => sides[0].length)")
    assert lengths == [number] * 4
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing")
    context.close()
    assert list(served.folder.glob("*.m4a"))
    # No delay: the best match is at lag 0. Lossy at 256 kbit/s, so the difference is small beside the sound.
    lags = range(-1200, 1201)
    middle = flac[20_000:60_000, 0]
    match = [float(middle @ aac[20_000 + lag : 60_000 + lag, 0]) for lag in lags]
    assert lags[int(np.argmax(match))] == 0
    error_db = 10 * np.log10(np.mean((aac - flac) ** 2) / np.mean(flac**2))
    assert error_db < -25


def test_the_first_part_is_fetched_before_play_and_others_only_when_wanted(browser, serve, demo_page):
    served = serve()
    with on_phone(browser, served.url) as page:
        until(page, "performance.getEntriesByType('resource').filter((one) => one.name.endsWith('.flac')).length === 4")
        page.locator("#play").tap()
        until(page, "layerpipePage.player.playing")
        # After two seconds the next part is fetched, too.
        until(page, "performance.getEntriesByType('resource').filter((one) => one.name.endsWith('.flac')).length >= 8")
        first, other = (page.evaluate(f"layerpipePage.song.sections[{n}].urls.flat()") for n in (0, 1))
        assert not set(first) & set(other)


def test_play_slide_and_send(browser, serve):
    served = serve()
    with on_phone(browser, served.url) as page:
        page.locator("#play").tap()
        until(page, "layerpipePage.player.playing")
        page.get_by_label("octave", exact=True).fill("-12.5")
        page.get_by_label("Comment").fill("more \u201eair\u201c")
        page.locator("#save").tap()
        page.get_by_label("Your name").fill("Marisol")
        page.get_by_role("button", name="Send", exact=True).tap()
        page.locator("#delivered", has_text="Sent, and kept").wait_for()
        # Tapped twice it is one answer.
        page.get_by_role("button", name="Send", exact=True).tap()
        page.locator("#delivered", has_text="Sent, and kept").wait_for()
        page.reload()
        assert page.get_by_label("Your name").input_value() == "Marisol"
        assert page.get_by_label("octave", exact=True).input_value() == "-12.5"
    choice = served.events.get(timeout=PATIENCE_S)
    assert (choice.number, choice.sender, choice.address) == (1, "Marisol", "127.0.0.1")
    assert choice.answer.levels[0] == ChosenLevel("verse", "octave", -12.5, float("-inf"))
    assert choice.answer.comments == {"verse": "more \u201eair\u201c"}
    with pytest.raises(queue.Empty):
        served.events.get(timeout=0.2)
    (kept,) = tomllib.loads(served.comments.path.read_text("utf-8"))["answer"]
    assert (kept["from"], kept["state"]) == ("Marisol", "waiting")
    assert kept["comments"] == {"verse": "more \u201eair\u201c"}


def test_a_newer_version_is_offered_and_choices_stay(browser, serve, demo_page):
    served = serve()
    with on_phone(browser, served.url) as page:
        page.get_by_role("radio", name="chorus").check()
        page.get_by_label("rakes", exact=True).fill("-3")
        page.get_by_label("Comment").fill("like this")
        page.locator("#save").tap()
        page.get_by_label("rakes", exact=True).fill("-2")
        served.show(with_level(with_level(demo_page, "chorus", "octave", -5.0), "verse", "rakes", -11.0))
        page.get_by_text("A new version is here").wait_for()
        # Offering it does not push Play or Save off the screen.
        for name in ("#play", "#newer-load", "#save"):
            assert page.locator(name).bounding_box()["y"] < PHONE["height"]
        assert page.get_by_label("rakes", exact=True).input_value() == "-2"
        load_newer(page)
        assert page.evaluate("layerpipePage.song.served.version") == 2
        # The same part is shown; what was moved or saved stays, what was not follows the engineer.
        assert page.get_by_role("radio", name="chorus").is_checked()
        assert page.get_by_label("rakes", exact=True).input_value() == "-2"
        assert page.get_by_label("octave", exact=True).input_value() == "-5"
        assert page.get_by_label("Comment").input_value() == "like this"
        assert "rakes \u22123\u00a0dB" in page.locator("#saved").inner_text()
        assert page.locator("#newer").is_hidden()
        page.get_by_role("radio", name="verse").check()
        assert page.get_by_label("rakes", exact=True).input_value() == "-11"


@pytest.mark.slow
def test_a_newer_version_with_another_part_keeps_what_was_done_in_the_others(browser, serve, demo_page):
    served = serve()
    extra = dataclasses.replace(demo_page.sections[0], name="intro")
    with on_phone(browser, served.url) as page:
        page.get_by_label("octave", exact=True).fill("-4")
        page.locator("#save").tap()
        served.show(dataclasses.replace(demo_page, sections=(extra, *demo_page.sections)))
        load_newer(page)
        page.get_by_role("radio", name="intro").wait_for()
        assert page.get_by_role("radio", name="verse").is_checked()
        assert page.get_by_label("octave", exact=True).input_value() == "-4"
        assert re.match(r"verse \u2013 octave \u22124", page.locator("#saved").inner_text())


@pytest.mark.slow
def test_a_server_that_is_gone_is_reported_and_nothing_is_lost(browser, serve):
    served = serve()
    context = browser.new_context()
    page = context.new_page()
    page.goto(served.url)
    page.get_by_label("octave", exact=True).fill("-4")
    page.locator("#save").click()
    until(page, "performance.getEntriesByType('resource').filter((one) => one.name.endsWith('.flac')).length === 4")
    served.server.close()
    page.get_by_role("button", name="Send", exact=True).click()
    page.locator("#delivered", has_text="did not work").wait_for()
    # The first part was fetched ahead; another one cannot be.
    page.get_by_role("radio", name="chorus").check()
    page.locator("#play").click()
    page.locator("#status", has_text="could not be loaded (no connection)").wait_for()
    page.get_by_text("does not answer").wait_for(timeout=1000 * PATIENCE_S)
    assert page.locator("#answer").input_value()
    context.close()


def test_an_answer_too_long_to_send_is_not_sent(browser, serve):
    served = serve()
    with on_phone(browser, served.url) as page:
        page.evaluate("layerpipePage.song.served.most = 100")
        page.locator("#save").tap()
        page.get_by_role("button", name="Send", exact=True).tap()
        page.locator("#delivered", has_text="too long").wait_for()
    assert not served.comments.path.exists()


@pytest.mark.slow
def test_axe_finds_nothing(browser, serve, demo_page):
    served = serve()
    with on_phone(browser, served.url) as page:
        page.locator("#save").tap()
        page.get_by_role("button", name="Send", exact=True).tap()
        page.locator("#delivered", has_text="Sent").wait_for()
        served.show(demo_page)
        page.get_by_role("button", name="Load it").wait_for()
        found = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa",
                                                     "best-practice"]})
    assert found.violations_count == 0, found.generate_report()
    assert len(found.response["passes"]) > 20


@pytest.mark.slow
def test_without_scripts_the_players_come_from_the_server(browser, serve, demo_page):
    part = demo_page.sections[0]
    served = serve(song=dataclasses.replace(demo_page, sections=(dataclasses.replace(part, player=b"AAC" * 100),
                                                                 *demo_page.sections[1:])))
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(served.url)
    name = page.locator("audio").get_attribute("src")
    assert page.locator("audio").count() == 1
    assert page.request.get(served.url + name).body() == b"AAC" * 100
    assert page.get_by_text("silent at this setting").is_visible()
    context.close()

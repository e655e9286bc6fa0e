"""The artist's page as a file: the same bytes, no requests, hostile names, no scripts, sound from addresses."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from layerpipe.outputs.artist_page import ChosenLevel, PageAddresses, PageSetting, build_page, read_answer
from layerpipe.outputs.artist_page.answers.base91 import ALPHABET, bytes_of_text, text_characters, text_of_bytes
from tests.support.examples import slow
from tests.support.pages.browser import rendered, until

SERVED = PageAddresses(sound=lambda n, k, piece, kind: f"sound/{n}-{k}-{piece}.{kind}",
                       player=lambda n: f"player/{n}.m4a")


def test_the_same_song_makes_the_same_bytes_and_states_their_number(plain_page, demo, demo_path):
    again = build_page(demo[0])
    assert again == demo_path.read_bytes()
    stated = float(plain_page.locator("#size").inner_text())
    assert stated == pytest.approx(len(again) / 1e6, abs=0.06)


def test_text_holds_every_byte(rng):
    value = {letter: number for number, letter in enumerate(ALPHABET.decode())}
    for count in (0, 1, 2, 12, 13, 14, 1000):
        data = rng.integers(0, 256, count, dtype=np.uint8).tobytes()
        assert bytes_of_text(text_of_bytes(data), count) == data
        text = text_of_bytes(data).decode("ascii")
        assert len(text) == text_characters(count)
        bits = "".join(f"{value[text[at]] * 91 + value[text[at + 1]]:013b}" for at in range(0, len(text), 2))
        assert bytes(int(bits[8 * n : 8 * n + 8], 2) for n in range(count)) == data
        assert not set(text) & set("<&\\")


def test_the_policy_stops_every_request(browser, demo_path):
    page = browser.new_page()
    page.goto(demo_path.as_uri())
    wanted = {"connect-src", "img-src", "script-src-elem", "frame-src", "media-src", "object-src", "style-src-elem"}
    # A busy machine tells of some late; what is never told of is missed after ten seconds.
    blocked = page.evaluate("""async (wanted) => {
      const seen = [];
      document.addEventListener("securitypolicyviolation", (event) => seen.push(event.effectiveDirective));
      await fetch("http://127.0.0.1:9/").catch(() => {});
      for (const tag of ["img", "script", "iframe", "audio", "object"]) {
        const element = document.createElement(tag);
        element[tag === "object" ? "data" : "src"] = "http://127.0.0.1:9/x";
        document.body.append(element);
      }
      const style = document.createElement("style");
      style.textContent = "body { color: red }";
      document.body.append(style);
      const script = document.createElement("script");
      script.textContent = "window.hurt = 1";
      document.body.append(script);
      for (let waits = 0; waits < 100 && !wanted.every((one) => seen.includes(one)); waits++)
        await new Promise((done) => setTimeout(done, 100));
      return [seen, window.hurt ?? null];
    }""", sorted(wanted))
    assert wanted <= set(blocked[0])
    assert blocked[1] is None
    page.close()


HOSTILE = ['</script><script>window.hurt=1</script>', '"><img src=x onerror="window.hurt=1">', "{{ 7*7 }}{% raw %}",
           "<!--<script>", "a\u202egnp.exe", "&lt;b&gt;&amp;", "x" * 80,
           "\u05e9\u05dc\u05d5\u05dd; \"off\" , remark", "' onfocus=hurt=1 '"]


@pytest.mark.parametrize("turn", [0, slow(3), slow(6)])
def test_hostile_names_change_nothing(open_page, demo, tmp_path, turn):
    song, _ = demo
    title, artist, section, mark, *layers = HOSTILE[turn:] + HOSTILE[:turn]
    part = dataclasses.replace(
        song.sections[0], name=section,
        layers=tuple(dataclasses.replace(layer, name=name)
                     for layer, name in zip(song.sections[0].layers, layers, strict=False)))
    path = tmp_path / "page.html"
    path.write_bytes(build_page(dataclasses.replace(
        song, title=title, artist=artist, sections=(part,), settings=(PageSetting(mark, {layers[1]: -15.0}),))))
    page = open_page(path)
    assert page.locator("h1").inner_text() == title
    assert page.title() == f"{title}: levels for {artist}"
    assert page.locator(".to bdi").inner_text() == artist
    assert page.locator("#sections bdi").all_inner_texts() == [section]
    assert page.locator("#alone bdi").all_inner_texts() == layers[:3]
    assert page.locator(".setting bdi").all_inner_texts() == [mark]
    assert page.locator("script").count() == 2 + 4
    assert page.locator("img, iframe, object, embed, link, base, form[action]").count() == 0
    page.locator("#level-1").fill("-6")
    page.locator("#comment").fill(mark)
    page.locator("#save").click()
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing")
    answer = read_answer(page.locator("#answer").input_value())
    assert answer.title == title
    assert answer.levels[0] == ChosenLevel(section, layers[1], -6.0, -math.inf)
    assert page.evaluate("window.hurt ?? null") is None
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def with_players(song):
    """The song with something in the place of its plain players."""
    return dataclasses.replace(song, sections=tuple(
        dataclasses.replace(part, player=b"AAC" * 100 if n else b"") for n, part in enumerate(song.sections)))


@pytest.mark.slow
def test_without_scripts_the_page_says_so_and_offers_plain_players(browser, demo, tmp_path):
    path = tmp_path / "page.html"
    path.write_bytes(build_page(with_players(demo[0])))
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(path.as_uri())
    assert page.get_by_text("scripts do not run here").is_visible()
    assert page.locator("#page").is_hidden()
    assert page.locator("audio").count() == 1
    assert page.locator("audio").is_visible()
    assert page.locator("audio").get_attribute("src").startswith("data:audio/mp4;base64,QUFD")
    assert page.get_by_text("silent at this setting").is_visible()
    context.close()


def test_the_script_hides_the_notice_and_removes_the_players(open_page, demo, tmp_path):
    path = tmp_path / "page.html"
    path.write_bytes(build_page(with_players(demo[0])))
    page = open_page(path)
    assert page.get_by_text("scripts do not run here").is_hidden()
    until(page, "!document.getElementById('players')")


@pytest.mark.slow
def test_sound_from_addresses_is_the_sound_from_inside_the_page(browser, plain_page, demo):
    song, _ = demo
    content = build_page(song, served=SERVED)
    assert len(content) < 200_000
    asked = []

    def answer(route):
        name = route.request.url.rpartition("/")[2]
        asked.append(name)
        if name == "page":
            route.fulfill(body=content, content_type="text/html")
        elif name == "version":
            route.fulfill(body='{"version": 1}', content_type="application/json")
        else:
            n, k, piece = (int(digit) for digit in name.removesuffix(".flac").split("-"))
            route.fulfill(body=song.sections[n].sounds[k].pieces[piece].flac, content_type="audio/flac")

    context = browser.new_context()
    context.route("**/*", answer)
    page = context.new_page()
    page.goto("https://page.example/page")
    wanted = {"levels": [0, -9, -7.3], "bed": True, "seconds": 2.0}
    # The browser adds the layers in an order of its own, which shows in the last bit of single precision.
    np.testing.assert_allclose(rendered(page, 1, **wanted), rendered(plain_page, 1, **wanted), rtol=0, atol=2**-23)
    assert {name for name in asked if name[0] == "1"} == {f"1-{k}-0.flac" for k in range(4)}
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing")
    assert "one file of" not in page.locator("footer").inner_text()
    context.close()


@pytest.mark.slow
def test_a_sound_that_cannot_be_loaded_is_reported(browser, demo):
    content = build_page(demo[0], served=SERVED)
    context = browser.new_context()
    context.route("**/*", lambda route: route.fulfill(body=content, content_type="text/html")
                  if route.request.url.endswith("page") else route.fulfill(status=404))
    page = context.new_page()
    page.goto("https://page.example/page")
    page.locator("#play").click()
    until(page, "document.getElementById('status').textContent.includes('could not be loaded (404)')")
    context.close()

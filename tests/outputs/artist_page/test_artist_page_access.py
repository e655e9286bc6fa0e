"""The artist's page for everyone: screen readers, small screens, forced colours, names from right to left."""

from __future__ import annotations

import dataclasses
import io
import re

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from matplotlib.image import imread

from layerpipe.outputs.artist_page import build_page
from tests.support.pages.browser import DESK, PHONE


def look_with_axe(page):
    found = Axe().run(page, options={
        "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]})
    assert found.violations_count == 0, found.generate_report()
    assert len(found.response["passes"]) > 20


@pytest.mark.slow
def test_axe_finds_nothing_at_the_beginning(open_page):
    look_with_axe(open_page(viewport=PHONE, color_scheme="dark"))


def test_axe_finds_nothing(open_page):
    page = open_page(viewport=PHONE, color_scheme="dark")
    page.get_by_role("button", name="Save for").click()
    page.get_by_label("octave", exact=True).fill("-3")
    page.get_by_role("button", name="Start comparing").click()
    look_with_axe(page)
    for place in ("Second", "First"):
        page.get_by_role("button", name=place, exact=True).click()
    page.get_by_role("button", name="No difference").click()
    page.set_viewport_size(DESK)
    page.emulate_media(color_scheme="light")
    look_with_axe(page)


@pytest.mark.parametrize("width", [320, 360, 1280])
def test_nothing_sticks_out_and_what_is_touched_is_large_enough(plain_page, width):
    page = plain_page
    page.set_viewport_size({"width": width, "height": 740})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # WCAG 2.2, success criterion 2.5.5 (enhanced): targets of 44 by 44 CSS pixels.
    sizes = page.evaluate("""() => [...document.querySelectorAll("button, select, input, textarea")]
      .filter((element) => element.offsetParent !== null)
      .map((element) => [element.closest(".choices label, .tick") || element, element.id || element.name])
      .map(([element, name]) => [name, element.offsetWidth, element.offsetHeight])""")
    assert len(sizes) > 15
    for name, wide, high in sizes:
        assert high >= 44, name
        assert wide >= 24, name


def test_the_caution_about_the_volume_comes_before_the_play_button(plain_page):
    text = plain_page.locator("main").inner_text()
    assert text.index("Start with the volume low") < text.index("Play\n")
    assert re.search(r"one file of \d+\.\d MB", text)


@pytest.mark.parametrize(("width", "height"), [(320, 640), (390, 844), (844, 390), (1280, 800)])
def test_play_and_save_are_on_every_screen(plain_page, width, height):
    page = plain_page
    page.set_viewport_size({"width": width, "height": height})
    for place in ("0", "document.body.scrollHeight / 2", "document.body.scrollHeight"):
        page.evaluate(f"scrollTo(0, {place})")
        for name in ("play", "save"):
            box = page.locator(f"#{name}").bounding_box()
            assert box["y"] >= 0
            assert box["y"] + box["height"] <= height, (name, place)
            assert box["x"] + box["width"] <= width
        assert page.locator("#transport").bounding_box()["height"] < 80


@pytest.mark.slow
def test_what_has_the_focus_is_not_behind_the_play_button(open_page):
    # WCAG 2.2, success criterion 2.4.11.
    page = open_page(viewport={"width": 320, "height": 640})
    page.evaluate("scrollTo(0, document.body.scrollHeight)")
    for name in ("compare-start", "comment", "bed", "level-2", "level-1"):
        page.locator(f"#{name}").focus()
        box, bar = (page.locator(f"#{one}").bounding_box() for one in (name, "transport"))
        assert box["y"] >= bar["y"] + bar["height"] - 1 or box["y"] + box["height"] <= bar["y"] + 1, name


@pytest.mark.slow
def test_the_tracks_are_visible_in_forced_colours(open_page):
    page = open_page(forced_colors="active", viewport=DESK)
    box = page.locator("#level-1").bounding_box()
    middle = {"x": box["x"] + box["width"] * 0.7, "y": box["y"] + box["height"] / 2 - 6, "width": 20, "height": 12}
    shot = page.screenshot(clip=middle, type="png")
    rows = imread(io.BytesIO(shot))[:, 5, 1]
    assert max(rows) - min(rows) > 0.4


def test_names_from_right_to_left_leave_the_minus_where_it_is(open_page, demo, tmp_path):
    song, _ = demo
    name = "\u05e9\u05dc\u05d5\u05dd"
    parts = tuple(dataclasses.replace(part, layers=(part.layers[0], dataclasses.replace(part.layers[1], name=name),
                                                    part.layers[2])) for part in song.sections)
    path = tmp_path / "page.html"
    path.write_bytes(build_page(dataclasses.replace(song, sections=parts, settings=())))
    page = open_page(path)
    page.locator("#level-1").fill("-9")
    page.locator("#save").click()
    # Unicode Standard Annex 9: what stands between FSI and PDI does not order its surroundings.
    wanted = f"\u2068{name}\u2069 \u22129\u00a0dB"
    assert wanted in page.locator("#saved-here").inner_text()
    assert wanted in page.locator("#setting-1 option").first.inner_text()
    assert wanted.replace("\u2069 ", "\u2069 to ") in page.locator("#answer").input_value()


def test_a_silent_layer_says_so_and_its_part_is_not_the_first_one_shown(open_page, demo, tmp_path):
    song, _ = demo
    verse = song.sections[0]
    # All inner products with the layers 1 and 2 of four sounds are zero: both are silent.
    upper = np.triu_indices(4)
    silent = np.isin(upper[0], (1, 2)) | np.isin(upper[1], (1, 2))
    quiet = dataclasses.replace(verse, products=np.where(silent, 0.0, verse.products))
    path = tmp_path / "page.html"
    path.write_bytes(build_page(dataclasses.replace(song, sections=(quiet, song.sections[1]))))
    page = open_page(path)
    assert page.get_by_role("radio", name="chorus").is_checked()
    page.get_by_role("radio", name="verse").check()
    assert page.locator("#hint-1").inner_text() == "silent in this part"
    assert page.locator("#level-1").get_attribute("aria-valuetext") == "off, silent in this part"


WORDS = {4: "louder than the rest", 0: "as loud as the rest", -4: "a little softer than the rest",
         -9: "behind the rest", -15: "in the background", -22: "a hint"}


def test_words_beside_the_level_follow_the_loudness_difference(open_page, demo, tmp_path):
    song, _ = demo
    parts = []
    for difference_lu in WORDS:
        products = np.zeros((20, 10))
        products[:, 0], products[:, 4] = 1e-3, 1e-3 * 10 ** (difference_lu / 10)
        parts.append(dataclasses.replace(song.sections[0], name=f"{difference_lu} LU", products=products))
    path = tmp_path / "page.html"
    path.write_bytes(build_page(dataclasses.replace(song, sections=tuple(parts))))
    page = open_page(path)
    for difference_lu, words in WORDS.items():
        page.get_by_role("radio", name=f"{difference_lu} LU", exact=True).check()
        page.locator("#level-2").fill("-24.5")
        page.locator("#level-1").fill("0")
        assert page.locator("#hint-1").inner_text() == words

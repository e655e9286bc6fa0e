"""The review page in a real Chromium: by keyboard and by tap, its sound, its line, and hundreds of findings."""

from __future__ import annotations

import base64
from dataclasses import replace

import numpy as np
import pyloudnorm
import pytest
from axe_playwright_python.sync_playwright import Axe

from layerpipe.jobs.review import _within
from layerpipe.outputs.review.line import line_of
from layerpipe.outputs.review.page import build_page
from tests.support.examples import slow
from tests.support.pages.browser import DESK, PHONE, opened, until
from tests.support.pages.reviews import PAGE_ID, RATE_HZ, made_review, made_sounds

TABLET = {"width": 820, "height": 1180}


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """A page of five findings."""
    made = tmp_path_factory.mktemp("review") / "review.html"
    made.write_bytes(build_page(made_review(), "song.toml"))
    return made


def test_a_recipe_may_have_any_name():
    assert b"s\\uDCFF.toml" in build_page(made_review(), "s\udcff.toml")


def heard(page):
    """What plays: number, setting, state."""
    return page.evaluate("""(() => { const { listener } = layerpipeReview;
        return listener.playing ? [listener.section.number, listener.mixName, listener.shown] : null; })()""")


def mixed(page, number, name, state):
    """A finding as the page mixes it, (frames, 2)."""
    sides = page.evaluate("""async ([number, name, state]) => (await layerpipeReview.mixed(number, name, state))
      .map((side) => { let text = ""; const bytes = new Uint8Array(side.buffer);
        for (let at = 0; at < bytes.length; at += 32768) text += String.fromCharCode(...bytes.subarray(at, at + 32768));
        return btoa(text); })""", [number, name, state])
    return np.stack([np.frombuffer(base64.b64decode(side), "<f4") for side in sides], axis=1).astype(np.float64)


def test_a_walk_by_keyboard_hears_both_states_and_accepts(browser, path):
    with opened(browser, path, viewport=DESK) as page:
        press = page.keyboard.press
        assert page.locator("[aria-selected=true]").get_attribute("id") == "finding-0"
        press("Enter")
        until(page, "layerpipeReview.listener.playing")
        assert heard(page) == [0, "alone", 0]
        assert page.get_by_role("button", name="As recorded").get_attribute("aria-pressed") == "true"
        # To the other state at the same place: no new start.
        started = page.evaluate("layerpipeReview.listener.started")
        press("ArrowRight")
        assert heard(page) == [0, "alone", 1]
        press("ArrowLeft")
        until(page, "layerpipeReview.listener.shown === 0")
        assert page.evaluate("layerpipeReview.listener.started") == started
        press("3")
        until(page, "layerpipeReview.listener.mixName === 'blend'")
        press("ArrowDown")
        until(page, "layerpipeReview.listener.section.number === 1")
        assert heard(page) == [1, "blend", 0]
        assert page.locator(":focus").get_attribute("id") == "finding-1"
        # The second needs the first.
        press(" ")
        assert page.locator("#line").input_value() == line_of(PAGE_ID, [1, 2])
        press("ArrowDown")
        press(" ")
        assert page.get_by_role("option").nth(2).get_attribute("aria-checked") is None
        assert page.get_by_role("button", name="As proposed").is_hidden()
        press("End")
        press(" ")
        assert page.locator("#line").input_value() == line_of(PAGE_ID, [1, 2, 5])
        press("Home")
        press(" ")
        assert page.locator("#line").input_value() == line_of(PAGE_ID, [5])
        press("Enter")
        assert heard(page) is None
        # What was accepted survives a reload.
        page.reload()
        assert page.locator("#line").input_value() == line_of(PAGE_ID, [5])


@pytest.mark.slow
@pytest.mark.parametrize("viewport", [PHONE, slow(TABLET)], ids=["phone", "tablet"])
def test_one_tap_plays_as_recorded_another_as_proposed(browser, path, viewport):
    with opened(browser, path, viewport=viewport, has_touch=True) as page:
        assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"]
        recorded, proposed = (page.get_by_role("button", name=name) for name in ("As recorded", "As proposed"))
        for button in (recorded, proposed):
            box = button.bounding_box()
            # Seen without scrolling, and of 44 by 44 CSS pixels at least: WCAG 2.2, success criterion 2.5.5.
            assert 0 <= box["y"] <= viewport["height"] - box["height"]
            assert min(box["height"], box["width"]) >= 44
        proposed.tap()
        until(page, "layerpipeReview.listener.playing")
        assert heard(page)[2] == 1
        recorded.tap()
        assert heard(page)[2] == 0
        page.get_by_role("checkbox", name="Accept").check()
        page.get_by_role("option").nth(3).tap()
        assert page.locator("#who").inner_text() == "regular / take 3, bar 4"
        page.get_by_label("with its double").check()
        until(page, "layerpipeReview.listener.mixName === 'double'")
        assert page.locator("#line").input_value() == line_of(PAGE_ID, [1])


def test_what_is_played_is_what_was_rendered_and_equally_loud(browser, path):
    sounds = made_sounds(0)
    meter = pyloudnorm.Meter(RATE_HZ)
    with opened(browser, path) as page:
        gains = page.evaluate("layerpipeReview.song.items[0].mixes")
        loudness = []
        for mix in gains:
            for state in (0, 1):
                found = mixed(page, 0, mix["name"], state)
                wanted = sounds.mix(mix["name"], state) * 10 ** (mix["gains"][state] / 20)
                # 16-bit steps with triangular dither, times the gain: below -75 dBFS.
                assert np.sqrt(np.mean((found - wanted) ** 2)) < 10 ** (-75 / 20)
                assert np.abs(found).max() < 10 ** (-0.9 / 20)
                loudness.append(meter.integrated_loudness(found))
    # BS.1770 as pyloudnorm measures it.
    assert max(loudness) - min(loudness) < 0.1


def test_going_to_the_other_state_keeps_the_power_and_does_not_click(browser, path):
    with opened(browser, path) as page:
        curves = page.evaluate("""[1, 0.3, 0].map((rho) => { const { rising, falling } = layerpipeReview.curves(rho);
            return [[...rising], [...falling]]; })""")
    for rho, (rising, falling) in zip((1, 0.3, 0), np.array(curves), strict=True):
        # Power of a sum of two sounds of equal power and this correlation.
        np.testing.assert_allclose(rising**2 + falling**2 + 2 * rho * rising * falling, 1, atol=1e-6)
        assert (rising[0], falling[-1]) == (0, 0)
        assert np.all(np.diff(rising) > 0)


def test_axe_finds_nothing(browser, path):
    with opened(browser, path, viewport=TABLET, color_scheme="dark") as page:
        page.get_by_role("checkbox", name="Accept").check()
        found = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa",
                                                     "best-practice"]})
        assert found.violations_count == 0, found.generate_report()
        assert len(found.response["passes"]) > 20


@pytest.mark.slow
def test_two_hundred_findings_stay_fluid(browser, tmp_path):
    path = tmp_path / "review.html"
    song = made_review(200, sounds=made_sounds(0, seconds=0.42))
    # Sound for those that are heard here.
    items = tuple(replace(item, voices=item.voices if n > 180 else {}) for n, item in enumerate(song.items))
    path.write_bytes(build_page(replace(song, items=items), "song.toml"))
    with opened(browser, path, viewport=DESK) as page:
        for _ in range(3):
            page.keyboard.press("PageDown")
        assert page.locator("[aria-selected=true]").get_attribute("id") == "finding-30"
        # Work, not time: opening the next finding changes nothing in any other entry of the list.
        changed = page.evaluate("""async () => {
          const seen = new Set();
          const watcher = new MutationObserver((changes) => changes.forEach((one) => seen.add(one.target.id)));
          watcher.observe(document.getElementById("findings"), { attributes: true, childList: true, subtree: true });
          document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key: "ArrowDown", bubbles: true }));
          await new Promise((done) => { setTimeout(done); });
          return [...seen].sort();
        }""")
        assert changed == ["finding-30", "finding-31"]
        page.keyboard.press("End")
        assert page.locator("[aria-selected=true]").get_attribute("id") == "finding-199"
        box, entry = page.locator("#findings").bounding_box(), page.locator("#finding-199").bounding_box()
        assert box["y"] <= entry["y"] + 1
        assert entry["y"] + entry["height"] <= box["y"] + box["height"] + 1
        page.keyboard.press("ArrowRight")
        until(page, "layerpipeReview.listener.playing")
        for number in range(198, 190, -1):
            page.keyboard.press("ArrowUp")
            assert page.locator("#who").inner_text().endswith(f"bar {number + 1}")
        assert page.evaluate("layerpipeReview.listener.held.size") <= 6


def test_a_page_without_scripts_lists_what_was_found(browser, path):
    with opened(browser, path, java_script_enabled=False) as page:
        assert page.get_by_text("allows scripts").is_visible()
        assert page.get_by_text("a click <loud> & clear").is_visible()
        assert page.locator("#detail").is_hidden()


def test_where_room_is_short_the_blend_of_the_last_goes_first():
    items = made_review(3).items
    sizes = [sum(len(sound.pieces[0].text) for voice in item.voices.values() for sound in voice.sounds)
             for item in items]
    fitted = _within(items, sum(sizes) - 1)
    assert fitted[:2] == list(items[:2])
    assert [mix.name for mix in fitted[2].mixes] == ["alone", "double"]
    assert set(fitted[2].voices) == {"take", "double"}
    assert _within(items, sum(sizes)) == list(items)

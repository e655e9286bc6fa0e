"""The artist's page under hands: play, seek, sliders, parts, keys alone, and interruptions from outside."""

from __future__ import annotations

import dataclasses

import pytest

from layerpipe.outputs.artist_page import ChosenLevel, build_page, read_answer
from tests.support.pages.browser import DESK, until


def test_it_plays_slides_and_pauses_live(open_page):
    page = open_page()
    page.get_by_role("button", name="Play").click()
    until(page, "layerpipePage.player.playing")
    page.evaluate("""() => {
      const { player } = layerpipePage;
      window.tap = player.context.createAnalyser();
      window.level = () => {
        const samples = new Float32Array(tap.fftSize);
        tap.getFloatTimeDomainData(samples);
        return Math.sqrt(samples.reduce((sum, sample) => sum + sample * sample, 0) / samples.length);
      };
      player.joined.out.connect(tap);
    }""")
    until(page, "layerpipePage.player.position > 0.3 && level() > 0.001")
    before = page.evaluate("layerpipePage.player.joined.voices.map((voice) => voice.gain.gain.value)")
    page.get_by_label("octave", exact=True).fill("-3")
    until(page, "layerpipePage.player.joined.voices[1].gain.gain.value > 0.1")
    after = page.evaluate("layerpipePage.player.joined.voices.map((voice) => voice.gain.gain.value)")
    assert before[1] == 0
    assert after[0] < before[0]
    assert page.locator("#clock").inner_text().endswith("of 0:03")
    page.get_by_role("button", name="Pause").click()
    until(page, "level() < 1e-6")
    stopped = page.evaluate("layerpipePage.player.position")
    assert 0 < stopped < 3
    assert page.evaluate("layerpipePage.player.position") == stopped
    page.get_by_role("button", name="Play").click()
    until(page, "layerpipePage.player.playing")
    assert page.evaluate("layerpipePage.player.offset") == pytest.approx(stopped, abs=0.1)


@pytest.mark.slow
def test_the_waveform_is_a_place_to_touch_click_and_walk_along(open_page):
    page = open_page(has_touch=True)
    place, wave = page.get_by_role("slider", name="Place in this part"), page.locator("#wave")
    box = place.bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] * 0.5, box["y"] + box["height"] / 2)
    assert page.evaluate("layerpipePage.player.position") == pytest.approx(1.5, abs=0.05)
    wave.click(position={"x": box["width"] * 0.25, "y": 20})
    assert page.evaluate("layerpipePage.player.position") == pytest.approx(0.75, abs=0.05)
    page.keyboard.press("End")
    assert page.evaluate("layerpipePage.player.position") > 2.9
    page.keyboard.press("Home")
    assert page.evaluate("layerpipePage.player.position") == 0
    assert place.get_attribute("aria-valuetext") == "bar 1, 0 of 3 seconds"
    # Beats of the demo are half a second, bars a second.
    for key, second in (("ArrowRight", 0.5), ("ArrowUp", 1.0), ("PageUp", 2.0), ("ArrowLeft", 1.5), ("PageDown", 1.0)):
        page.keyboard.press(key)
        assert page.evaluate("layerpipePage.player.position") == pytest.approx(second)
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing")
    wave.click(position={"x": box["width"] * 0.8, "y": 20})
    until(page, "layerpipePage.player.position > 2.35 && layerpipePage.player.position < 2.9")


@pytest.mark.parametrize("stopped", ["suspend()", "close()"])
def test_what_stops_the_sound_from_outside_shows_and_the_next_tap_goes_on(open_page, stopped):
    page = open_page()
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing && layerpipePage.player.position > 0.1")
    page.evaluate(f"layerpipePage.player.context.{stopped}")
    until(page, "!layerpipePage.player.playing")
    assert page.locator("#play").inner_text() == "Play"
    assert page.locator("#status").inner_text() == "The sound was interrupted. Tap Play to go on."
    stopped_s = page.evaluate("layerpipePage.player.position")
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing && layerpipePage.player.context.state === 'running'")
    assert page.evaluate("layerpipePage.player.offset") == pytest.approx(stopped_s, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("resume", ["() => new Promise(() => {})", "async () => { throw new DOMException('no'); }"],
                         ids=["hangs", "is refused"])
def test_a_start_that_fails_says_so_and_the_next_tap_recovers(open_page, resume):
    page = open_page()
    page.evaluate(f"""() => {{
      window.working = AudioContext.prototype.resume;
      AudioContext.prototype.resume = {resume};
    }}""")
    page.locator("#play").click()
    until(page, "document.getElementById('status').textContent === 'The sound did not start. Tap Play again.'")
    assert page.locator("#play").inner_text() == "Play"
    page.evaluate("() => { AudioContext.prototype.resume = working; }")
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing && layerpipePage.player.context.state === 'running'")
    assert page.locator("#play").inner_text() == "Pause"


@pytest.fixture
def swipe(open_page):
    """A page, and a finger that swipes on it."""
    page = open_page(has_touch=True)
    session = page.context.new_cdp_session(page)

    def _swipe(selector, across, along, start=0.5):
        page.locator(selector).scroll_into_view_if_needed()
        page.evaluate("selector => document.querySelector(selector).scrollIntoView({ block: 'center' })", selector)
        box = page.locator(selector).bounding_box()
        x, y = box["x"] + start * box["width"], box["y"] + box["height"] / 2
        session.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
        for step in range(1, 11):
            point = {"x": x + across * step / 10, "y": y + along * step / 10}
            session.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [point]})
        session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        page.wait_for_timeout(100)

    return page, _swipe


@pytest.mark.slow
def test_a_swipe_up_or_down_changes_nothing_and_scrolls(swipe):
    page, finger = swipe
    octave = page.get_by_label("octave", exact=True)
    for across, along in ((0, -150), (25, -150), (-25, 120)):
        octave.fill("-12")
        page.evaluate("document.querySelector('#level-1').scrollIntoView({ block: 'center' })")
        before = page.evaluate("scrollY")
        finger("#level-1", across, along, start=0.8)
        until(page, f"scrollY !== {before}")
        assert octave.input_value() == "-12"
        finger("#wave", across, along)
        assert page.evaluate("layerpipePage.player.position") == 0
    finger("#level-1", 3, -5, start=0.8)
    assert octave.input_value() != "-12"


@pytest.mark.slow
def test_a_finger_moves_a_level_sideways_from_where_it_is(swipe):
    page, finger = swipe
    octave = page.get_by_label("octave", exact=True)
    octave.fill("-12")
    finger("#level-1", 60, 4, start=0.2)
    # 60 pixels less the dead zone's first step, of a slider of 24.5 dB on 294 pixels of travel.
    assert -8.5 <= float(octave.input_value()) <= -7.0
    finger("#wave", -80, 3, start=0.9)
    assert page.evaluate("layerpipePage.player.position") == pytest.approx(3 * (0.9 - 80 / 320), abs=0.1)


def test_alone_and_bed_are_one_touch_and_as_loud(open_page):
    page = open_page()
    gains = "layerpipePage.gains()"
    assert page.evaluate(gains)[3] == 0
    page.get_by_label("with the rest of the track").check()
    page.get_by_role("radio", name="octave alone").check()
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing")
    alone = page.evaluate(gains)
    assert [gain > 0 for gain in alone] == [False, True, False, False]
    page.get_by_role("radio", name="all together").check()
    assert [gain > 0 for gain in page.evaluate(gains)] == [True, False, True, True]


def test_sections_keep_what_was_set_in_them(open_page):
    page = open_page()
    octave = page.get_by_label("octave", exact=True)
    octave.fill("-12")
    page.get_by_role("radio", name="chorus").check()
    assert page.locator("#level-shown-1").inner_text() == "\u22129\u00a0dB"
    octave.fill("-20.5")
    page.get_by_role("radio", name="verse").check()
    assert page.locator("#level-shown-1").inner_text() == "\u221212\u00a0dB"
    page.get_by_role("radio", name="chorus").check()
    assert page.locator("#level-shown-1").inner_text() == "\u221220.5\u00a0dB"
    page.get_by_role("button", name="engineer\u2019s setting").click()
    assert page.locator("#level-shown-2").inner_text() == "\u22127.3\u00a0dB"
    page.get_by_role("button", name="a shimmer").click()
    assert [page.locator(f"#level-shown-{n}").inner_text() for n in (1, 2)] == ["\u221215\u00a0dB", "\u22127.3\u00a0dB"]


def test_a_section_may_be_changed_while_it_plays(open_page):
    page = open_page()
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing")
    page.get_by_role("radio", name="chorus").check()
    until(page, "layerpipePage.player.playing && layerpipePage.player.section.name === 'chorus'")
    assert page.locator("#status").inner_text() == "Playing chorus"


def test_everything_can_be_done_with_keys_alone(open_page):
    page = open_page(viewport=DESK)
    walked = []

    def walk_to(wanted):
        for _ in range(60):
            page.keyboard.press("Tab")
            here = page.evaluate("[document.activeElement.id, document.activeElement.name || '']")
            walked.append(here)
            if wanted in here:
                around = page.evaluate("""() => {
                  window.here = document.activeElement;
                  const box = here.getBoundingClientRect();
                  return { x: box.x - 8, y: box.y - 8, width: box.width + 16, height: box.height + 16 };
                }""")
                focused = page.screenshot(clip=around)
                page.evaluate("here.blur()")
                assert page.screenshot(clip=around) != focused, f"{wanted} has no visible focus"
                page.evaluate("here.focus({ focusVisible: true })")
                return
        raise AssertionError(f"{wanted} is out of reach: {walked}")

    walk_to("section")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("layerpipePage.state.number") == 1
    walk_to("place")
    walk_to("play")
    page.keyboard.press("Enter")
    until(page, "layerpipePage.player.playing")
    page.keyboard.press("Enter")
    until(page, "!layerpipePage.player.playing")
    walk_to("save")
    walk_to("level-1")
    page.keyboard.press("ArrowRight")
    slider = page.locator("#level-1")
    assert slider.get_attribute("aria-valuetext") == "minus 8.5 decibels, behind the rest"
    page.keyboard.press("Home")
    assert slider.get_attribute("aria-valuetext") == "off"
    page.keyboard.press("End")
    assert slider.get_attribute("aria-valuetext").startswith("0 decibels, ")
    walk_to("alone")
    walk_to("bed")
    page.keyboard.press("Space")
    walk_to("comment")
    page.keyboard.type("loud & clear")
    page.keyboard.press("Enter")
    assert read_answer(page.locator("#answer").input_value()).levels == (
        ChosenLevel("chorus", "octave", 0.0, -9.0), ChosenLevel("chorus", "rakes", -7.3, -7.3))
    walk_to("compare-start")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "hear-first"
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    until(page, "layerpipePage.player.playing")
    walk_to("second-better")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "verdict"
    assert page.locator("#tally li").count() == 1


def test_a_browser_that_cannot_play_says_so_where_it_is_seen(open_page):
    page = open_page()
    page.evaluate("() => { BaseAudioContext.prototype.decodeAudioData = async () => { throw new Error('no FLAC'); }; }")
    page.locator("#play").click()
    until(page, "document.getElementById('status').textContent.includes('cannot play the sound (no FLAC)')")
    assert page.locator("#status").bounding_box()["height"] > 10
    assert page.locator("#play").inner_text() == "Play"


def test_a_song_of_one_layer_is_just_heard(open_page, demo, tmp_path):
    song, _ = demo
    part = song.sections[0]
    one = dataclasses.replace(part, layers=part.layers[:1], bed=None, products=part.products[:, :1])
    path = tmp_path / "one.html"
    path.write_bytes(build_page(dataclasses.replace(song, artist="", sections=(one,), settings=())))
    page = open_page(path)
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing")
    assert page.locator("#saved, #save, #compare-ask, #bed").count() == 0
    assert page.title() == "Lantern on the Pier"

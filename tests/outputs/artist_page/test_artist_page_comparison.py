"""The blind comparison of the artist's page is blind, and its result goes into the answer."""

from __future__ import annotations

import pytest

from layerpipe.outputs.artist_page import read_answer
from tests.support.examples import slow
from tests.support.pages.browser import until

OCTAVE_DB = "20 * Math.log10(layerpipePage.gains()[1] / layerpipePage.gains()[0])"


def start_comparing(page, octave_db="-3"):
    """Compare the chorus with another octave level against the engineer's, -9 dB."""
    page.get_by_role("radio", name="chorus").check()
    page.get_by_label("octave", exact=True).fill(octave_db)
    page.get_by_role("button", name="Start comparing").click()
    until(page, "layerpipePage.player.playing")


@pytest.mark.parametrize("drawn", [1, slow(0)])
def test_a_comparison_hides_its_order_until_the_choice_is_made(open_page, drawn):
    page = open_page()
    page.evaluate("drawn => { crypto.getRandomValues = (bytes) => bytes.fill(drawn); }", drawn)
    start_comparing(page)
    assert "dB" not in page.locator("#compare-play").inner_text()
    assert page.locator("#setting").evaluate("part => part.inert")
    assert page.evaluate(OCTAVE_DB) == pytest.approx([-3, -9][drawn])
    assert page.get_by_role("button", name="The first is better").is_disabled()
    page.get_by_role("button", name="Second", exact=True).click()
    until(page, f"Math.abs({OCTAVE_DB} - {[-9, -3][drawn]}) < 1e-6")
    page.get_by_role("button", name="First", exact=True).click()
    page.get_by_role("button", name="The second is better").click()
    verdict = page.locator("#verdict").inner_text()
    assert verdict.startswith(f"You liked the second better: octave \u2212{[9, 3][drawn]}\u00a0dB")
    page.get_by_role("button", name="Compare again").click()
    page.get_by_role("button", name="Second", exact=True).click()
    page.get_by_role("button", name="No difference").click()
    tally = page.locator("#tally li").inner_text()
    assert tally.count("chosen once") == 1
    assert tally.endswith("no difference once")
    page.get_by_role("button", name="Done").click()
    assert page.evaluate(OCTAVE_DB) == pytest.approx(-3)


def test_nothing_in_a_start_tells_the_two_settings_apart(open_page):
    page = open_page()
    page.evaluate("""() => {
      window.starts = [];
      window.stops = [];
      const { start, stop } = AudioBufferSourceNode.prototype;
      AudioBufferSourceNode.prototype.stop = function (when) {
        stops.push([when - this.context.currentTime, when]);
        stop.call(this, when);
      };
      AudioBufferSourceNode.prototype.start = function (when, offset) {
        starts.push([when - this.context.currentTime, offset, when]);
        start.call(this, when, offset);
      };
    }""")
    page.get_by_role("radio", name="chorus").check()
    page.locator("#play").click()
    until(page, "layerpipePage.player.playing && layerpipePage.player.position > 0.2")
    page.evaluate("starts.length = 0")
    page.get_by_label("octave", exact=True).fill("-3")
    page.get_by_role("button", name="Start comparing").click()
    until(page, "starts.length === 4")
    for count, place in enumerate(("Second", "First", "First", "Second"), 2):
        page.get_by_role("button", name=place, exact=True).click()
        until(page, f"starts.length === {4 * count}")
    starts, stops = page.evaluate("[starts, stops]")
    assert len(stops) == len(starts)
    assert len({offset for _, offset, _ in starts}) == 1
    assert 0 < starts[0][1] < 4
    for first in range(0, len(starts), 4):
        together = starts[first : first + 4]
        assert len({when for _, _, when in together}) == 1
        # How much is left of the wait when a start is asked for depends on the machine; it is never more than asked.
        assert max(wait_s for wait_s, _, _ in together) < 0.43
        # What played before has long stopped, so that no change from it can be heard.
        assert together[0][2] - max(when for _, when in stops[first : first + 4]) > 0.2
    assert max(wait_s for wait_s, _ in stops) < 0.1


def test_play_beside_the_two_settings_starts_as_they_do(open_page):
    page = open_page()
    start_comparing(page)
    beside = page.locator("#compare-play [data-play]")
    assert beside.inner_text() == "Pause"
    until(page, "layerpipePage.player.position > 0.1")
    beside.click()
    until(page, "!layerpipePage.player.playing")
    assert page.evaluate("layerpipePage.player.offset") > 0
    beside.click()
    until(page, "layerpipePage.player.playing")
    assert page.evaluate("layerpipePage.player.offset") == 0


@pytest.mark.slow
def test_the_order_is_drawn_anew_each_time(open_page):
    page = open_page()
    start_comparing(page)
    orders = set()
    for _ in range(40):
        orders.add(page.evaluate("layerpipePage.state.comparison.order[0].levels[1]"))
        page.get_by_role("button", name="Second", exact=True).click()
        page.get_by_role("button", name="No difference").click()
        if len(orders) == 2:
            break
        page.get_by_role("button", name="Compare again").click()
    assert len(orders) == 2


def test_the_answer_contains_what_was_preferred(open_page):
    page = open_page()
    page.evaluate("() => { crypto.getRandomValues = (bytes) => bytes.fill(0); }")
    start_comparing(page)
    page.get_by_role("button", name="Second", exact=True).click()
    page.get_by_role("button", name="The first is better").click()
    page.get_by_role("button", name="Use my choice").click()
    page.locator("#save").click()
    text = page.locator("#answer").input_value()
    wanted = "octave -3 dB and rakes -7.3 dB chosen once, octave -9 dB and rakes -7.3 dB chosen 0 times"
    assert f"Compared blind: {wanted}." in text
    assert read_answer(text).comparisons == {"chorus": wanted}
    page.reload()
    assert page.locator("#answer").input_value() == text
    assert page.locator("#tally li").count() == 1


def test_two_equal_settings_are_not_compared_and_are_offered_once(open_page):
    page = open_page()
    page.get_by_role("radio", name="chorus").check()
    page.locator("#save").click()
    options = page.locator("#setting-1 option").all_inner_texts()
    assert options[0].startswith("current setting, engineer\u2019s setting, your saved setting (")
    assert len(options) == len({option.partition("(")[2] for option in options}) == 4
    page.get_by_label("Setting 2").select_option(index=0)
    page.get_by_role("button", name="Start comparing").click()
    assert "the same" in page.get_by_role("alert").inner_text()
    assert page.locator("#compare-play").is_hidden()

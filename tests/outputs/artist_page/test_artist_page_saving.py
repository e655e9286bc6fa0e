"""What the artist does is remembered as it happens, and what is saved can be sent in several ways."""

from __future__ import annotations

import json

import pytest

from layerpipe.outputs.artist_page import ChosenLevel, read_answer

COMMENT = "\u201eMore\u201c \u2014 it\u2019s  good \U0001f3b8 \\ \" \u202e <b>ok</b> \u00aba\u00bb..."
CLEAN = "\u201eMore\u201c \u2014 it\u2019s good \U0001f3b8 \\ \" <b>ok</b> \u00aba\u00bb..."


def answer_of(page):
    return read_answer(page.locator("#answer").input_value())


def test_what_is_saved_can_be_copied_shared_written_to_a_file_and_read_back(open_page):
    page = open_page(permissions=["clipboard-read", "clipboard-write"], accept_downloads=True)
    page.evaluate("() => { navigator.share = async (what) => { window.shared = what.text; }; }")
    page.get_by_label("octave", exact=True).fill("-12.5")
    page.get_by_label("Comment").fill(COMMENT)
    page.get_by_role("button", name="Save for verse").click()
    saved = page.locator("#saved-here")
    assert saved.inner_text().startswith("Saved: octave \u221212.5\u00a0dB, rakes \u22126\u00a0dB.")
    assert page.get_by_role("button", name="Saved for verse").is_visible()
    page.get_by_label("octave", exact=True).fill("-3")
    assert "Save again" in saved.inner_text()
    assert page.get_by_role("button", name="Save again for verse").is_visible()
    page.get_by_role("radio", name="chorus").check()
    assert saved.is_hidden()
    page.get_by_role("button", name="Save for chorus").click()
    assert page.locator(".done").all_inner_texts() == [" \u2013 saved", " \u2013 saved"]
    page.get_by_role("link", name="Send it").click()
    page.get_by_role("button", name="Copy").click()
    page.locator("#sent", has_text="Paste it").wait_for()
    text = page.evaluate("navigator.clipboard.readText()")
    assert text == page.locator("#answer").input_value()
    page.evaluate("document.getElementById('share').hidden = false")
    page.get_by_role("button", name="Send").click()
    assert page.evaluate("shared") == text
    with page.expect_download() as saving:
        page.get_by_role("button", name="Save as a file").click()
    file = saving.value.path().read_text("utf-8")
    assert saving.value.suggested_filename == "levels.toml"
    by_text, by_file = read_answer(f"Hello,\n{text}\nbye"), read_answer(file)
    assert by_text == by_file
    assert (by_text.title, by_text.page_id) == ("Lantern on the Pier", "0123456789abcdef")
    assert by_text.levels == (
        ChosenLevel("verse", "octave", -12.5, float("-inf")), ChosenLevel("verse", "rakes", -6.0, -6.0),
        ChosenLevel("chorus", "octave", -9.0, -9.0), ChosenLevel("chorus", "rakes", -7.3, -7.3))
    assert by_text.comments == {"verse": CLEAN}
    page.evaluate("() => { navigator.share = async () => { throw new DOMException('no', 'NotAllowedError'); }; }")
    page.get_by_role("button", name="Send").click()
    page.locator("#sent", has_text="did not work").wait_for()


def test_the_answer_begins_with_sentences_for_people(open_page):
    page = open_page()
    page.get_by_label("octave", exact=True).fill("-20")
    page.get_by_label("Comment").fill("just a touch")
    page.locator("#save").click()
    first, second, empty, code, _ = page.locator("#answer").input_value().split("\n")
    assert first == "My levels for Lantern on the Pier"
    assert second.startswith("In verse, please set octave to \u221220\u00a0dB (")
    assert ", and leave rakes at \u22126\u00a0dB (" in second
    assert second.endswith("Comment: just a touch")
    assert empty == ""
    assert code.startswith('layerpipe levels 2: page 0123456789abcdef; "Lantern on the Pier"; "verse" "octave" -20 dB')


def test_comments_and_levels_stay_with_their_part_and_return_after_a_reload(open_page):
    page = open_page()
    comment, octave = page.get_by_label("Comment"), page.get_by_label("octave", exact=True)
    comment.fill("for the verse")
    octave.fill("-11")
    page.get_by_role("radio", name="chorus").check()
    assert comment.input_value() == ""
    comment.fill("for the chorus")
    page.get_by_role("radio", name="verse").check()
    assert (comment.input_value(), octave.input_value()) == ("for the verse", "-11")
    page.locator("#save").click()
    # A comment changed after saving is in the answer at once.
    comment.fill("for the verse, changed")
    assert answer_of(page).comments == {"verse": "for the verse, changed"}
    page.reload()
    assert answer_of(page).comments == {"verse": "for the verse, changed"}
    assert (comment.input_value(), octave.input_value()) == ("for the verse, changed", "-11")
    page.get_by_role("radio", name="chorus").check()
    assert comment.input_value() == "for the chorus"


def test_two_tabs_are_merged_part_by_part(open_page, demo_path):
    page = open_page()
    other = page.context.new_page()
    other.goto(demo_path.as_uri())
    page.get_by_label("octave", exact=True).fill("-11")
    page.locator("#save").click()
    other.get_by_role("radio", name="chorus").check()
    other.get_by_label("octave", exact=True).fill("-5")
    other.locator("#save").click()
    chosen = [("verse", -11.0), ("chorus", -5.0)]
    assert [(one.section, one.level_db) for one in answer_of(other).levels if one.layer == "octave"] == chosen
    page.get_by_label("Comment").fill("both")
    assert [(one.section, one.level_db) for one in answer_of(page).levels if one.layer == "octave"] == chosen


STORED = {"name": "verse", "proposed": [0, 0, 0], "edit": 5, "comment": "x", "levels": [0, 0, 0], "saved": None,
          "compared": []}


DAMAGED = [
    "", "{", "7", "null", '"x"', "[7, null]", '[{"name": "verse", "edit": 1}]', "[[0, [0], null]]",
    json.dumps([STORED | {"levels": [0, "loud", 0]}]),
    json.dumps([STORED | {"comment": "x" * 281}]),
    json.dumps([STORED | {"saved": [0]}]),
    json.dumps([STORED | {"compared": [{"pair": [[0]]}]}]),
]


@pytest.mark.slow
def test_damaged_memory_is_ignored(open_page):
    page = open_page()
    for damaged in DAMAGED:
        page.evaluate("damaged => localStorage.setItem(`layerpipe page ${layerpipePage.song.id}`, damaged)", damaged)
        page.reload()
        assert page.locator("#play").is_visible(), damaged
        assert page.get_by_label("Comment").input_value() == "", damaged
        page.locator("#save").click()
        assert [one.section for one in answer_of(page).levels] == ["verse", "verse"], damaged


@pytest.mark.parametrize("clipboard", [
    "{ writeText: async () => { throw new DOMException('no', 'NotAllowedError'); } }", "undefined"])
def test_without_permission_to_copy_the_text_is_selected_and_the_page_says_so(open_page, clipboard):
    page = open_page()
    page.evaluate(f"() => Object.defineProperty(navigator, 'clipboard', {{ value: {clipboard} }})")
    page.evaluate("() => { document.execCommand = () => false; }")
    page.locator("#save").click()
    page.get_by_role("button", name="Copy").click()
    page.locator("#sent", has_text="not allowed here. The text is selected").wait_for()
    assert page.evaluate("""() => {
      const text = document.activeElement;
      return text.value.slice(text.selectionStart, text.selectionEnd) === document.getElementById("answer").value;
    }""")


@pytest.mark.slow
def test_saving_works_in_a_frame_without_permission_for_forms_or_storage(browser, demo_path, tmp_path):
    outer = tmp_path / "outer.html"
    outer.write_text(f'<iframe sandbox="allow-scripts" width="380" height="700" src="{demo_path.as_uri()}"></iframe>')
    page = browser.new_page()
    page.goto(outer.as_uri())
    frame = page.frame_locator("iframe")
    frame.locator("#comment").fill("from a frame")
    frame.locator("#comment").press("Enter")
    assert read_answer(frame.locator("#answer").input_value()).comments == {"verse": "from a frame"}
    page.close()


@pytest.mark.slow
def test_removing_keeps_the_focus_where_the_next_choice_is(open_page):
    page = open_page()
    for name in ("verse", "chorus"):
        page.get_by_role("radio", name=name).check()
        page.locator("#save").click()
    page.get_by_role("button", name="Remove your choice for verse").click()
    focused = "document.activeElement.getAttribute('aria-label') ?? document.activeElement.id"
    assert page.evaluate(focused) == "Remove your choice for chorus"
    assert {level.section for level in answer_of(page).levels} == {"chorus"}
    page.keyboard.press("Enter")
    assert page.evaluate(focused) == "send"
    assert page.locator("#result").is_hidden()
    page.reload()
    assert page.locator("#result").is_hidden()

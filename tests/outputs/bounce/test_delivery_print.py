"""The delivery sheet of a large song: nothing is cut off on paper, silence has its name, every tempo is printed."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe

from layerpipe.jobs.bounce import bounce_song
from layerpipe.outputs.drawing.svg import seconds_ticks, true_minus
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.songs import plucked, recipe_of, write_recipe, write_take

RATE_HZ = 16_000  # only the sheet matters here
LONG = "a layer whose name is so long that it once cut a column off the printed page"
A4_PIXELS = round((210 - 2 * 14) / 25.4 * 96)
"""Width of A4 (ISO 216) between the page's margins, at the 96 pixels an inch of CSS."""


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    """The sheet of 7 layers, 12 sections and 3 tempo changes."""
    folder = tmp_path_factory.mktemp("large")
    for name in ("regular-left", "regular-right", "octave-left", "octave-right"):
        write_take(folder / f"{name}.wav", plucked(len(name), rate_hz=RATE_HZ), RATE_HZ)
    recipe = recipe_of(folder)
    for n, name in enumerate((LONG, "lapsteel", "harmonics", "high strung", "unbroken" * 9)):
        write_take(folder / f"{n}.wav", 0.3 * plucked(n + 30, 14.0, RATE_HZ), RATE_HZ)
        recipe["layer"].append({"name": name, "take": [{"name": "left", "file": f"{n}.wav", "pan": -50}]})
    recipe["song"].update(tempo=116.0, meter="6/8")
    recipe["tempo"] = [{"from_bar": 3, "tempo": 184.0, "meter": "4/4"}, {"from_bar": 5, "tempo": 240.0},
                       {"from_bar": 7, "tempo": 198.0, "meter": "9/8"}]
    recipe["section"] = [{"name": f"part {n}", "bars": [n, n]} for n in range(1, 13)]
    for n in (3, 4, 5):
        recipe["section"][n]["levels_db"] = {"lapsteel": -float("inf")}
    bounce_song(read_recipe(write_recipe(folder / "large.toml", recipe)), folder / "large", TakeCache(folder / "cache"))
    return folder / "large" / "delivery.html"


@pytest.fixture
def page(browser, sheet):
    context = browser.new_context(viewport={"width": 1100, "height": 900})
    opened = context.new_page()
    opened.goto(sheet.as_uri())
    yield opened
    context.close()


def test_no_column_is_cut_off_on_a4(page):
    page.set_viewport_size({"width": A4_PIXELS, "height": 1000})
    page.emulate_media(media="print")
    cut = page.evaluate("""(width) => [...document.querySelectorAll("*")]
      .map((element) => [element.getBoundingClientRect().right, element.innerText])
      .filter(([right, _]) => right > width + 0.5)""", A4_PIXELS)
    assert cut == []
    tables = page.locator("table").all_inner_texts()
    for n in range(1, 13):
        with_part = [table for table in tables if re.search(rf"^part {n}\t", table, re.MULTILINE)]
        assert len(with_part) == 4, "two tables of levels, two of loudness"
    heads = " ".join(" ".join(page.locator("thead").all_inner_texts()).split())
    assert heads.count(LONG) == 2


def test_the_printed_file_has_every_page(page, tmp_path):
    page.emulate_media(media="print")
    page.pdf(path=tmp_path / "sheet.pdf", prefer_css_page_size=True)
    assert (tmp_path / "sheet.pdf").read_bytes().count(b"/Type /Page\n") >= 4


@pytest.mark.slow
def test_axe_finds_nothing_and_scrollers_can_be_focused(page):
    everything = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
    # Narrow, where tables scroll; the wide sheet is looked at in `test_delivery_sheet`.
    page.set_viewport_size({"width": 390, "height": 800})
    found = Axe().run(page, options=everything)
    assert found.violations_count == 0, found.generate_report()
    assert page.locator("main").count() == 1
    assert page.locator(".scroll").count() == page.locator(".scroll[tabindex='0'][aria-label]").count() >= 7


@pytest.mark.slow
def test_every_tempo_is_printed_for_its_beat_and_for_quarter_notes(page):
    # A dotted quarter at 116 is 116 * 3/2 = 174 quarters a minute.
    words = page.locator("header").inner_text()
    assert "dotted quarter note = 116 (quarter note = 174)" in words
    rows = [row.split("\t") for row in page.get_by_label("Tempo and meter").inner_text().splitlines()[1:]]
    assert [(row[0], row[2], row[3], row[4], row[5]) for row in rows] == [
        ("1", "6/8", "dotted quarter note", "116", "174"), ("3", "4/4", "quarter note", "184", "184"),
        ("5", "4/4", "quarter note", "240", "240"), ("7", "9/8", "dotted quarter note", "198", "297")]


def test_a_silent_section_reads_silence_and_minus_signs_are_of_one_kind(page):
    # The lapsteel is off in parts 4 to 6. The ramp to part 7 begins inside part 6.
    rows = page.get_by_label("Loudness and true peak by section", exact=True).inner_text().splitlines()
    lapsteel = {row.split("\t")[0]: row.split("\t")[4] for row in rows}
    assert [lapsteel[f"part {n}"] for n in (4, 5)] == ["silence"] * 2
    assert "silence" not in (lapsteel["part 6"], lapsteel["part 7"])
    words = page.locator("main").inner_text()
    assert not re.search(r"(?<![\w.-])-\d", words)
    assert not re.search(r"-1[0-9]{2}\.\d", words)
    assert "\u2212" in words


def test_captions_are_above_the_curves(page):
    overlaps = page.evaluate("""() => [...document.querySelectorAll("figure svg")].flatMap((svg) => {
      const curves = [...svg.querySelectorAll("path[fill='none'], path[fill^='#']")];
      const boxes = curves.map((curve) => curve.getBoundingClientRect()).filter((box) => box.height > 0);
      const top = Math.min(...boxes.map((box) => box.top));
      const caption = svg.querySelector("text[x='46.0'][y='12.0']").getBoundingClientRect();
      return caption.bottom > top ? [svg.getAttribute("aria-label")] : [];
    })""")
    assert overlaps == []


def test_names_keep_their_hyphens_and_numbers_get_a_minus():
    assert true_minus("gain -3.0 dB, 2024-05-31, take-2, -inf") == "gain \u22123.0 dB, 2024-05-31, take-2, -inf"


@pytest.mark.parametrize("seconds", [0.2, 59, 3_700, 90_000, 10_000_000])
def test_a_time_axis_has_few_ticks(seconds):
    ticks = seconds_ticks(seconds)
    assert 1 <= len(ticks) <= 11
    assert ticks[-1][0] <= seconds

"""The line of the review page, as mail leaves it, and where a finding is heard."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from layerpipe.outputs.artist_page import AnswerError
from layerpipe.outputs.review.finding import (
    HighPassEdit,
    LevelEdit,
    MicEdit,
    MoveEdit,
    PassesEdit,
    ReviewFinding,
    ShiftEdit,
    from_json,
    to_json,
)
from layerpipe.outputs.review.line import line_of, read_line
from layerpipe.outputs.review.place import PLACE, place_of
from layerpipe.recipe.reader import parse_recipe
from layerpipe.recipe.tempo_map import TempoMap

ID = "0123456789abcdef"
LINE = line_of(ID, [9, 1, 3, 4, 5])


def test_the_line_says_runs_of_numbers():
    # The check, CRC-16 with polynomial 1021 hex and start FFFF hex, was computed with binascii.crc_hqx.
    assert LINE.startswith(f"layerpipe review 1: page {ID}; accept 1, 3-5, 9 (check ")
    assert read_line(LINE) == (ID, [1, 3, 4, 5, 9])


@pytest.mark.parametrize("mailed", [
    f"> {LINE}\n> \n", f"Yes, like this:\n{LINE}\nRegards", LINE.replace(" ", "\n> "), f"<p>{LINE}</p>",
    LINE.replace("3-5", "3\u20135"), f"\u200b{LINE[0].upper()}{LINE[1:]}", f"{LINE}\n> {LINE}",
])
def test_what_mail_does_to_it_does_not_matter(mailed):
    assert read_line(mailed) == (ID, [1, 3, 4, 5, 9])


@pytest.mark.parametrize(("text", "problem"), [
    ("", "was not found"), (LINE[:40], "was not found"), (LINE.replace("accept 1", "accept 2"), "altered in transit"),
    (LINE.replace("review 1", "review 2"), "is of version 2"), (f"{LINE} {line_of(ID, [2])}", "more than one line"),
    ("x" * 70_000, "longer than"),
    # Digits that could be split in many ways, and a list that does not end: neither takes time nor is half read.
    (f"layerpipe review 1: page {ID}; accept {'1' * 60_000} x", "was not found"),
    (f"layerpipe review 1: page {ID}; accept 1,  (check 1fac)", "was not found"),
])
def test_everything_else_is_refused(text, problem):
    with pytest.raises(AnswerError, match=problem):
        read_line(text)


def test_findings_are_kept_as_they_are():
    edits = (ShiftEdit("a", "b", 1.5, "why"), MoveEdit("a", "b", 1.0, 2.0, -3.0, "why", 5.0),
             PassesEdit("a", (("b", "2", ((0.0, 1.0, "1", "verse"),)), ("c", "1", ()))),
             MicEdit(("layer", 0, "take", 1), 0.5, True), HighPassEdit(("layer", 0), 40.0),
             LevelEdit("a", "verse", -9.0), None)
    findings = [ReviewFinding("timing", "move", "edit", 3.0, "a", "b", "bar 1", "text", "advice", 1.0, None, edit)
                for edit in edits]
    assert from_json(to_json(findings)) == findings


def tempo_map(song):
    text = f'[song]\ntitle = "T"\n{song}\n[[layer]]\nname = "a"\ntake = [{{ name = "b", file = "b.wav" }}]\n'
    return TempoMap.of(parse_recipe(Path("song.toml"), text).recipe)


@pytest.mark.parametrize("song", ["tempo = 58.0\nmeter = \"6/8\"\nbar_one_s = 0.5", "tempo = 170.0", "tempo = 33.0"])
def test_a_place_is_whole_bars_and_holds_the_finding_with_a_beat_before_it(song):
    grid = tempo_map(song)
    rate_hz, frames = 1000, 60_000
    for start_s in itertools.islice(itertools.count(2.0, 0.37), 120):
        finding = ReviewFinding("timing", "move", "edit", 3.0, "a", "b", "somewhere", "", "", start_s, start_s + 0.4)
        place = place_of(finding, grid, rate_hz, frames)
        bar = grid.bar_at(start_s + PLACE.lead_s)
        assert place.frames / rate_hz % grid.bar_s(bar) == pytest.approx(0, abs=0.003) or place.frames % round(
            1000 * grid.bar_s(bar)) >= 1000 * grid.bar_s(bar) - 3
        assert 0 <= place.start <= start_s * rate_hz <= place.stop <= frames
        if 1000 * (start_s + 0.5) < frames - 1000 * grid.bar_s(bar):
            first, last = place.event
            assert (first, last - first) == (pytest.approx((start_s * rate_hz) - place.start, abs=1), pytest.approx(400,
                                                                                                               abs=1))
            # From one to two beats before it, less the lead-in.
            beat_s = grid.beat_s(bar)
            assert beat_s - 0.002 <= first / rate_hz + 1e-9 <= 2 * beat_s + 0.002


def test_without_a_tempo_and_at_the_edges_a_place_stays_inside_the_song():
    free = tempo_map("")
    for start_s in (None, 0.0, 0.4, 9.9, 10.0, 99.0):
        finding = ReviewFinding("check", "click", "review", 1.0, "a", "b", "there", "", "", start_s)
        place = place_of(finding, free, 48_000, 480_000)
        assert 0 <= place.start < place.stop <= 480_000
        assert place.frames >= 48_000

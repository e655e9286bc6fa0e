"""`layerpipe levels --accept`: an artist's answer is shown, asked about and written, or refused."""

from __future__ import annotations

import binascii
import json
import math

import pytest

from layerpipe.jobs.page import page_id_of
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.cli.levels.conftest import COMMENT, levels_of


def _line(song, entries, *, title="Harbour Test", page=None):
    """An answer to the page that this recipe has now."""
    page = page or page_id_of(read_recipe(song).recipe, TakeCache())
    text = f'layerpipe levels 2: page {page}; "{title}"; {entries}'
    return f"{text} (check {binascii.crc_hqx(text.encode(), 0xFFFF):04x})"


ENTRIES = ('"chorus" "octave" -7.5 dB was -9 dB, comment "more of it", compared "octave -7.5 dB chosen once"; '
           '"verse" "octave" off was off')


def test_an_artists_answer_is_shown_asked_about_and_written(run, song):
    line = _line(song, ENTRIES)
    code, out, err = run(song, "--accept", f"Hi, here it is:\n{line}\nthanks", input="y\n")
    assert code == 0
    assert "chorus, comment: more of it" in out
    assert "chorus, compared blind: octave -7.5 dB chosen once" in out
    assert "chorus: octave -7.5 dB (was -9 dB)" in out
    assert "verse: octave off\n" in out
    assert "Write this?" in err
    assert out.count("+levels_db") == 1
    # What the recipe says already is not repeated in it.
    assert levels_of(song) == (-9.0, {"verse": -math.inf, "chorus": -7.5})
    assert song.read_text("utf-8").startswith(COMMENT)
    document = json.loads(run(song, "--accept", line, "--json")[1])
    assert document["changed"] is False
    assert document["accepted"][0] == {"section": "chorus", "layer": "octave", "level_db": -7.5, "was_db": -9.0}


@pytest.mark.parametrize("reply", ["n\n", ""])
def test_without_a_yes_nothing_is_written(run, song, reply):
    before = song.read_bytes()
    for words in ([], ["--json"], ["--quiet"]):
        code, _, err = run(song, "--accept", _line(song, ENTRIES), *words, input=reply)
        assert code == 1
        assert "unchanged; --yes writes without asking" in err
        assert song.read_bytes() == before


def test_yes_writes_without_asking(run, song):
    code, out, err = run(song, "--accept", _line(song, ENTRIES), "--yes")
    assert (code, err) == (0, "")
    assert "+levels_db" in out
    assert levels_of(song)[1]["chorus"] == -7.5


def test_an_artists_file_is_read_too(run, song, tmp_path):
    answer = tmp_path / "answer.toml"
    page = page_id_of(read_recipe(song).recipe, TakeCache())
    answer.write_text(f'format = "layerpipe levels 2"\npage = "{page}"\ntitle = "Harbour Test"\n[[choice]]\n'
                      'section = "whole song"\nlevels_db = { octave = -11.0 }\nwas_db = { octave = -9.0 }\n', "utf-8")
    code, out, _ = run(song, "--accept", answer, "--yes")
    assert code == 0
    assert levels_of(song)[0] == -11.0
    assert "+level_db = -11.0" in out


@pytest.mark.parametrize(("answer", "says"), [
    (lambda song: "nonsense", "was not found"),
    (lambda song: "missing.toml", 'no file "missing.toml"'),
    (lambda song: _line(song, '"bridge" "octave" -7.5 dB was off'), 'a section "bridge"'),
    (lambda song: _line(song, '"chorus" "lead" -7.5 dB was off'), 'a layer "lead"'),
    (lambda song: _line(song, '"chorus" "regular" -3 dB was 0 dB'), "has no slider"),
    (lambda song: _line(song, '"chorus" "octave" 7 dB was -9 dB'), "outside the slider, -24 to 0 dB"),
    (lambda song: _line(song, '"chorus" "octave" -24.5 dB was -9 dB'), "outside the slider"),
    (lambda song: _line(song, '"chorus" "octave" -7.5 dB was -8 dB'), "was at -8 dB in the page and is at -9 dB now"),
    (lambda song: _line(song, ENTRIES, title="Another Song"), 'about the song "Another Song"'),
    (lambda song: _line(song, ENTRIES, page="0" * 16), "have changed since the page was made"),
])
def test_answers_that_do_not_fit_change_nothing(run, song, answer, says):
    before = song.read_bytes()
    code, _, err = run(song, "--accept", answer(song), "--yes")
    assert code == 2
    assert says in " ".join(err.split())
    assert song.read_bytes() == before

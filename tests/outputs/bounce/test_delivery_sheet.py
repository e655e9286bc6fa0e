"""The delivery sheet, its pictures and print; names of files; and folders that are whole or absent."""

from __future__ import annotations

import json
import os
import shutil
import time
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest

from layerpipe.core.errors import OutputError, RecipeError
from layerpipe.core.files import atomic_folder as folders
from layerpipe.core.files.atomic_folder import atomic_folder
from layerpipe.jobs.bounce import bounce_song
from layerpipe.outputs.bounce.overview import Overview
from layerpipe.outputs.drawing import pdf
from layerpipe.recipe.names import fill, initials_of, safe_piece, template_problem, told_apart
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.songs import RATE_HZ

EVIL = '<script>alert("x")</script><img src=x onerror=alert(1)>&\'"{{ 7 * 7 }}{% raw %}'


class _Page(HTMLParser):
    """Tags and words of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.words += data + " "


@pytest.fixture(scope="module")
def evil(studio):
    """A song whose every word would like to be a command or a tag."""
    def change(recipe):
        recipe["song"].update(title=EVIL, artist=EVIL)
        recipe["layer"][0]["take"][0].update(notes={EVIL: EVIL}, gain_db=-1.0,
                                             move=[{"from": "bar 1 beat 2", "to": "bar 1 beat 3", "by_ms": 10.0}])
    return studio.bounce("evil", change)


def test_the_sheet_answers_what_a_mixer_asks(studio, evil):
    folder, told = evil
    page = _Page((folder / "delivery.html").read_text("utf-8"))
    words = " ".join(page.words.split())
    for asked in ("quarter note = 120", "4/4", "0:04.000", "48 000 Hz", "24 bit", "verse", "chorus",
                  "high-pass 80 Hz (12 dB per octave)", "2 dB off the loudest peaks", "pan: 100 left",
                  "gain: \u22121.0 dB", "edit: bar 1 beat 2 to bar 1 beat 3, 10.0 ms later", "true peak", "LRA",
                  "correlation",
                  "Time reference", "regular / left", "regular-left.wav",
                  told["files"][0]["sha256"], told["sources"][0]["sha256"]):
        assert asked in words, asked
    blend = told["files"][-1]
    assert f"\u2212{-blend['integrated_lufs']:.1f}" in words


def test_no_word_of_a_recipe_becomes_a_tag_or_an_attribute(evil):
    page = _Page((evil[0] / "delivery.html").read_text("utf-8"))
    assert not {"script", "img", "link", "iframe", "object"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on") or name in ("src", "href")]
    assert EVIL in page.words
    assert ("content", "default-src 'none'; style-src 'unsafe-inline'") in page.attributes


def test_the_sheet_is_the_same_twice_and_names_no_folder(studio, evil):
    first = (evil[0] / "delivery.html").read_bytes()
    manifest = (evil[0] / "bounce.json").read_text("utf-8")
    file = read_recipe(studio[0] / "evil.toml")
    again = studio[0] / "elsewhere" / "evil"
    bounce_song(file, again, TakeCache(studio[0] / "another store"))
    assert (again / "delivery.html").read_bytes() == first
    assert (again / "bounce.json").read_text("utf-8") == manifest
    assert os.fspath(studio[0]) not in manifest + first.decode()


def test_pictures_are_whole_and_show_layers_sections_and_silence(studio):
    def change(recipe):
        recipe["layer"][1]["level_db"] = -float("inf")
    folder, _ = studio.bounce("silent", change)
    text = (folder / "delivery.html").read_text("utf-8")
    drawings = [ElementTree.fromstring("<svg" + part.split("</svg>")[0] + "</svg>") for part in text.split("<svg")[1:]]
    labels = [drawing.get("aria-label") for drawing in drawings if drawing.get("role") == "img"]
    assert labels == ["Waveform of regular", "Waveform of octave", "Waveform of blend",
                      "Short-term loudness of the layers and the blend over the song",
                      "Long-term spectra of the layers"]
    assert text.count(">chorus<") >= 2
    assert "nan" not in text.casefold().replace("finance", "")
    assert "\u2212\u221e" in text


def test_a_sheet_costs_little_time(studio):
    from layerpipe.outputs.bounce.charts import Charts
    from layerpipe.outputs.bounce.delivery_sheet import delivery_sheet

    folder, told = studio.bounce("timed")
    charts = Charts(("<svg/>",) * 3, "", "", ())
    delivery_sheet(told, charts)
    begun = time.process_time()
    for _ in range(10):
        delivery_sheet(told, charts)
    # Ours: 0.05 s each on an idle core, with room for slow and loaded machines.
    assert (time.process_time() - begun) / 10 < 1
    assert len((folder / "delivery.html").read_bytes()) < 200_000


def test_a_full_scale_sine_reads_0_db_in_its_band_and_its_envelope_is_full():
    frames = 6 * RATE_HZ
    sound = np.sin(2 * np.pi * 1000 * np.arange(frames) / RATE_HZ).astype(np.float32)[:, None]
    overview = Overview(frames, RATE_HZ, spectrum=True)
    for at in range(0, frames, 100_000):
        overview.add(sound[at : at + 100_000], at)
    found = overview.spectrum()
    at_1k = int(np.argmin(np.abs(found.centres_hz - 1000)))
    assert found.levels_db[at_1k] == pytest.approx(0.0, abs=0.05)
    assert np.delete(found.levels_db, at_1k).max() < -40


def test_a_bounce_can_be_printed_and_the_print_is_the_same_twice(studio, tmp_path, monkeypatch):
    program = tmp_path / "printer"
    program.write_text("#!/bin/sh\nfor a; do case $a in --print-to-pdf=*) out=${a#*=};; esac; done\n"
                       "printf '%%PDF-1.4\\n/CreationDate (D:%s+00'\"'\"'00'\"'\"')\\n' $(date +%Y%m%d%H%M%S) > $out\n")
    program.chmod(0o755)
    monkeypatch.setenv("LAYERPIPE_CHROMIUM", os.fspath(program))
    folder, told = studio.bounce("printed", pdf=True)
    assert {document["path"] for document in told["documents"]} == {"recipe.toml", "delivery.html", "delivery.pdf"}
    printed = (folder / "delivery.pdf").read_bytes()
    assert b"(D:20000101000000+00'00')" in printed
    folder, _ = studio.bounce("printed", pdf=True)
    assert (folder / "delivery.pdf").read_bytes() == printed
    program.write_text("#!/bin/sh\nexit 3\n")
    with pytest.raises(OutputError, match=r"printed nothing \(exit code 3\)"):
        studio.bounce("printed", pdf=True)
    assert (folder / "delivery.pdf").read_bytes() == printed


def test_without_a_chromium_the_bounce_is_made_all_the_same(studio, monkeypatch, caplog):
    monkeypatch.setattr(pdf.shutil, "which", lambda name: None)
    folder, _ = studio.bounce("unprinted", pdf=True)
    assert "no Chromium browser found" in caplog.text
    assert not (folder / "delivery.pdf").exists()
    assert (folder / "blend.wav").exists()


# --- names ---


@pytest.mark.parametrize(("words", "name"), [
    ({"artist": "Marisol Venn", "song": "Lantern", "layer": "octave", "take": "left"},
     "Marisol_Venn_Lantern_octave_left"),
    ({"artist": "", "song": "Lantern", "layer": "octave", "take": ""}, "Lantern_octave"),
    ({"artist": "A/B", "song": "Who? *What*: \"Why\"", "layer": "x"}, "A_B_Who_What_Why_x"),
    ({"artist": "Жизнь", "song": "灯台の歌", "layer": "Übung"}, "Жизнь_灯台の歌_Übung"),
    ({"artist": "../../..", "song": ".hidden", "layer": "nul"}, "hidden_nul"),
    ({"layer": "con"}, "stem_con"),
    ({"layer": "///"}, "stem"),
    ({"song": "e\u0301", "layer": "a\u202eb"}, "é_a_b"),
])
def test_names_are_safe_and_stay_readable(words, name):
    assert fill("{artist}_{song}_{layer}_{take}", words) == name


def test_names_never_collide_also_where_case_does_not_count():
    assert told_apart(["Take", "take", "TAKE", "straße", "STRASSE", "other"]) == [
        "Take", "take-2", "TAKE-3", "straße", "STRASSE-2", "other"]
    long = told_apart(["x" * 200, "x" * 200])
    assert len(set(long)) == 2
    assert initials_of("Marisol de la Venn") == "MDLV"
    assert len(safe_piece("語" * 100).encode()) <= 60


@pytest.mark.parametrize(("template", "problem"), [
    ("{nobody}_{layer}", "allowed are {artist}"), ("{layer", "a brace is not closed"),
    ("{layer}/{take}", "cannot contain /"),
    ("{song}", "{layer} is missing"), ("{layer.__class__}", "a brace is not closed"),
    ("{layer!r}", "a brace is not closed")])
def test_impossible_templates_are_refused(studio, template, problem):
    assert problem in template_problem(template)
    with pytest.raises(RecipeError, match="names"):
        studio.bounce("misnamed", lambda recipe: recipe.update(bounce={"names": template}))


def test_a_bounce_is_named_by_its_template_and_sounds_the_same(studio):
    names = "{artist}_{song}_{layer}_{take}"
    for bits in (16, 24):
        plain, _ = studio.bounce(f"plain {bits}", lambda recipe, bits=bits: recipe.update(bounce={"bit_depth": bits}))
        named, _ = studio.bounce(f"named {bits}",
                           lambda recipe, bits=bits: recipe.update(bounce={"bit_depth": bits, "names": names}))
        assert (named / "The_Testers_Harbour_Test_blend.wav").read_bytes() == (plain / "blend.wav").read_bytes()
        assert ((named / "takes" / "The_Testers_Harbour_Test_octave_left.wav").read_bytes()
                == (plain / "takes" / "octave-left.wav").read_bytes())
        assert (named / "layers" / "The_Testers_Harbour_Test_octave.wav").exists()


# --- whole or absent ---


def _owns(folder):
    listed = folder / "list.json"
    return ["list.json", *json.loads(listed.read_text())] if listed.is_file() else None


def _fill(target, text="new"):
    with atomic_folder(target, _owns) as partial:
        (partial / "a").mkdir()
        (partial / "a" / "b.txt").write_text(text)
        (partial / "list.json").write_text('["a/b.txt"]')


@pytest.mark.parametrize("exchanges", [True, False])
def test_a_folder_takes_its_place_and_leaves_nothing_beside(tmp_path, monkeypatch, exchanges):
    if not exchanges:
        monkeypatch.setattr(folders, "_exchange", lambda one, other: False)
    for text in ("one", "two", "three"):
        _fill(tmp_path / "song", text)
        assert (tmp_path / "song" / "a" / "b.txt").read_text() == text
        assert [path.name for path in tmp_path.iterdir()] == ["song"]


def test_what_is_not_its_own_is_never_replaced(tmp_path):
    target = tmp_path / "song"
    _fill(target)
    (target / ".DS_Store").write_text("")
    _fill(target)
    for mine in ("notes.txt", "a/mine.wav", "mine/empty"):
        path = target / mine
        path.parent.mkdir(exist_ok=True)
        path.mkdir() if mine.endswith("empty") else path.write_text("mine")
        with pytest.raises(OutputError, match="did not write"):
            _fill(target)
        assert path.exists()
        shutil.rmtree(path) if path.is_dir() else path.unlink()
        if path.parent.name == "mine":
            path.parent.rmdir()
    _fill(target)
    other = tmp_path / "other"
    other.mkdir()
    (other / "precious").write_text("x")
    with pytest.raises(OutputError, match="not a bounce"):
        _fill(other)


def test_a_link_in_the_place_of_a_bounce_is_not_followed(tmp_path):
    (tmp_path / "home").mkdir()
    (tmp_path / "song").symlink_to(tmp_path / "home")
    with pytest.raises(OutputError, match="is not a folder"):
        _fill(tmp_path / "song")
    assert list((tmp_path / "home").iterdir()) == []


def test_leftovers_go_only_when_they_are_its_own_and_nobody_works_on_them(tmp_path):
    names = [".song.0123abcd.partial", ".song.x.0123abcd.partial", ".song.partial", ".other.0123abcd.partial",
             ".song.89abcdef.retired"]
    for name in names:
        (tmp_path / name / "takes").mkdir(parents=True)
    with atomic_folder(tmp_path / "song", _owns) as busy:
        (busy / "list.json").write_text("[]")
        # Another run of the same name, while this one works.
        _fill(tmp_path / "song", "meanwhile")
        assert busy.is_dir()
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([
        "song", ".song.x.0123abcd.partial", ".song.partial", ".other.0123abcd.partial"])


def test_an_interrupted_exchange_by_two_renames_gives_the_earlier_folder_back(tmp_path):
    _fill(tmp_path / "song", "earlier")
    (tmp_path / "song").rename(tmp_path / ".song.0123abcd.retired")
    with pytest.raises(OutputError, match="stop"), atomic_folder(tmp_path / "song", _owns):
        raise OutputError("stop")
    assert (tmp_path / "song" / "a" / "b.txt").read_text() == "earlier"

"""The page in Chromium, Firefox and WebKit: it decodes, plays, glides, keeps, answers, and sounds as the blend does.

`pytest -s` prints the figures of each engine.
"""

from __future__ import annotations

import base64
import math

import numpy as np
import pytest

from layerpipe.core.units import gain_of_db
from layerpipe.dsp.loudness.bs1770 import measure
from layerpipe.outputs.artist_page import ChosenLevel, read_answer
from tests.server.conftest import GENEROUS, Served
from tests.support.pages.engines import engine, missing, until
from tests.support.pages.songs import RATE_HZ, in_pieces

pytestmark = pytest.mark.slow
LEVELS = [0, -9, -7.3]
RENDER = """return layerpipePage.render(1, args[0]).then((sides) => sides.map((side) => {
  const bytes = new Uint8Array(side.buffer);
  let text = "";
  for (let at = 0; at < bytes.length; at += 32768) text += String.fromCharCode(...bytes.subarray(at, at + 32768));
  return btoa(text);
}));"""
STARTED = "layerpipePage.player.playing || /did not start/.test(document.getElementById('status').textContent)"
ONLY_AAC = """const decode = BaseAudioContext.prototype.decodeAudioData;
BaseAudioContext.prototype.decodeAudioData = function (bytes) {
  const name = String.fromCharCode(...new Uint8Array(bytes.slice(0, 4)));
  return name === "fLaC" ? Promise.reject(new DOMException("no", "EncodingError")) : decode.call(this, bytes);
};"""


@pytest.fixture(scope="module", params=["chromium", "firefox", "webkit"])
def window(request, tmp_path_factory):
    """A window of each engine."""
    lacking = missing(request.param)
    if lacking:
        pytest.skip(lacking)
    with engine(request.param, tmp_path_factory.mktemp(request.param)) as opened:
        opened.name = request.param
        yield opened


@pytest.fixture
def page(window, demo_path):
    """The one-file page, as new."""
    window.open(demo_path.as_uri())
    window.run("localStorage.clear();")
    window.open(demo_path.as_uri())
    return window


def rms_db(samples):
    return 20 * math.log10(max(math.sqrt(np.mean(samples**2)), 1e-12))


def heard(window, **wanted):
    sides = window.run(f"const args = arguments; {RENDER}", {"levels": LEVELS, **wanted})
    return np.stack([np.frombuffer(base64.b64decode(side), "<f4") for side in sides], axis=1).astype(np.float64)


def blend_of(demo, bed=False):
    """The chorus as it is to be heard."""
    song, sounds = demo
    gains = [*(gain_of_db(level) for level in LEVELS), float(bed)]
    blend = np.tensordot(gains, np.stack(sounds[1]), 1)
    return blend * gain_of_db(song.sections[1].reference_lufs - measure(blend, RATE_HZ).integrated_lufs)


def test_it_decodes_and_the_residual_beside_the_blend_is_dither(page, demo):
    found = heard(page, bed=True, seconds=4.0)
    residual = rms_db(found - blend_of(demo, bed=True))
    print(f"{page.name}: residual {residual:.1f} dBFS")
    # Four streams of 16 bits with triangular dither add up to -90 dBFS.
    assert residual < -80


def test_it_plays_slides_keeps_and_answers(page):
    page.click("#play")
    # On a machine with much to do the sound may take longer than the page waits; the next tap gets it.
    until(page, STARTED)
    if not page.run("return layerpipePage.player.playing;"):
        until(page, "layerpipePage.player.context.state === 'running'")
        page.click("#play")
        until(page, "layerpipePage.player.playing")
    place = page.run("return layerpipePage.player.position;")
    until(page, f"layerpipePage.player.position > {place} + 0.5")
    before = page.run("return layerpipePage.player.joined.voices[1].gain.gain.value;")
    page.run("""const slider = document.getElementById("level-1");
        slider.value = -3;
        slider.dispatchEvent(new Event("input", { bubbles: true }));""")
    assert before == 0
    # The loudness of the whole is the same, so that the gain is less than that of -3 dB.
    until(page, "layerpipePage.player.joined.voices[1].gain.gain.value > 0.1")
    assert page.run("return document.getElementById('level-shown-1').textContent;") == "\u22123\u00a0dB"
    page.click("#save")
    page.click("#play")
    assert not page.run("return layerpipePage.player.playing;")
    answer = read_answer(page.run("return document.getElementById('answer').value;"))
    assert answer.levels[0] == ChosenLevel("verse", "octave", -3.0, -math.inf)
    page.run("window.gone = true; location.reload();")
    until(page, "!window.gone && globalThis.layerpipePage")
    assert page.run("return document.getElementById('level-1').value;") == "-3"
    assert read_answer(page.run("return document.getElementById('answer').value;")) == answer


def test_nothing_is_wider_than_a_narrow_window(page):
    page.narrow()
    until(page, "document.documentElement.clientWidth < 500")
    assert page.run("const page = document.documentElement; return page.scrollWidth - page.clientWidth;") == 0


@pytest.mark.parametrize("kind", ["flac", "aac"])
def test_pieces_from_a_server_sound_as_the_blend_does_across_their_joints(window, demo, tmp_path, kind):
    served = Served(tmp_path, in_pieces(demo[0], 3), GENEROUS)
    with served.server:
        window.open(served.url)
        if kind == "aac":
            window.run(ONLY_AAC)
        # From the second piece around the end into the first.
        start, seconds = 1.5, 3.5
        found = heard(window, **{"seconds": seconds, "from": start})
        place = (round(start * RATE_HZ) + np.arange(round(seconds * RATE_HZ))) % demo[0].sections[1].frames
        wanted = blend_of(demo)[place]
        error = found - wanted
        joints = [round((at - start) * RATE_HZ) for at in (4 / 3 * 2, 4.0)]
        around = max(rms_db(error[at - 500 : at + 500]) for at in joints)
        print(f"{window.name}, {kind}: residual {rms_db(error):.1f} dBFS, around joints {around:.1f} dBFS, "
              f"of {rms_db(wanted):.1f}")
        if kind == "flac":
            assert rms_db(error) < -80
            assert around < -80
        else:
            # Lossy: in its place, and no worse at the joints than elsewhere.
            assert rms_db(error) < rms_db(wanted) - 25
            assert around < rms_db(error) + 6
        window.click("#play")
        until(window, STARTED)
        assert list(served.folder.glob("*.m4a")) if kind == "aac" else not list(served.folder.glob("*.m4a"))

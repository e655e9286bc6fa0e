"""The review page as one HTML file: the look and the sound text of the artist's page, its own script.

The file is the same to the byte for the same song. The Content-Security-Policy allows its one script and its style by
their SHA-256 and nothing else; a page on its own server may also fetch from there.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import resources
from typing import Any

from layerpipe.core.text import printable
from layerpipe.outputs.artist_page.model import PageSound
from layerpipe.outputs.review.line import FORMAT
from layerpipe.outputs.review.model import STATES, ReviewItem, ReviewSong, ReviewVoice
from layerpipe.outputs.review.render import LEVEL_STEP

MARK = b"layerpipe review page "
"""In the head of every page of this kind."""
GENERATOR = "layerpipe review page 1"
_SOUNDS = "<!-- sounds -->"
_SHARED_STYLE, _SHARED_SCRIPTS = ("page.css",), ("words.js", "sound/source.js", "sound/player.js", "choices/answer.js")
_STYLE, _SCRIPTS = ("review.css",), ("sounds.js", "listening.js", "review.js", "accepting.js", "newer.js", "keys.js")


@dataclass(frozen=True)
class ReviewAddresses:
    """Where a review page on its own server finds its sounds and the newest version, and sends what was accepted.

    Addresses are relative to the page's; `sound` is a function of what was stored of a sound.
    """

    sound: Callable[[PageSound], str]
    version: str = "version"
    answer: str = "answer"


def build_page(song: ReviewSong, recipe: str, *, served: ReviewAddresses | None = None, version: int = 1) -> bytes:
    """Write the review page.

    Parameters
    ----------
    song : ReviewSong
    recipe : str
        As it is named on the command line.
    served : ReviewAddresses, optional
        Of a page on its own server; without it the sound is in the page.
    version : int
        Number of the served page.

    Returns
    -------
    bytes
        UTF-8.
    """
    import jinja2
    from markupsafe import Markup

    style = _sources("artist_page", _SHARED_STYLE) + _sources("review", _STYLE)
    scripts = _sources("artist_page", _SHARED_SCRIPTS) + _sources("review", _SCRIPTS)
    script = f'(() => {{\n"use strict";\n{scripts}}})();\n'
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True,
                                     lstrip_blocks=True, keep_trailing_newline=True)
    sources = "connect-src 'self'; " if served else ""
    policy = (f"default-src 'none'; script-src '{_digest(script)}'; style-src '{_digest(style)}'; {sources}"
              "base-uri 'none'; form-action 'none'")
    frame = environment.from_string(_sources("review", ("review.html.j2",))).render(
        song=song, recipe=printable(recipe), policy=policy, generator=GENERATOR, served=served is not None,
        # Our own sources: the only text that is not escaped.
        style=Markup(style), script=Markup(script), sounds=Markup(_SOUNDS), facts=Markup(_facts(song, served, version)))
    # No name can look like this, because "<" is escaped in names.
    before, after = (part.encode() for part in frame.split(_SOUNDS))
    sounds = b"" if served else b"\n".join(
        b'<script type="text/plain" id="%b">%b</script>' % (name.encode(), sound.pieces[0].text)
        for n, item in enumerate(song.items) for name, sound in _sounds(n, item))
    return b"".join((before, sounds, after))


def _sounds(number: int, item: ReviewItem) -> Iterator[tuple[str, PageSound]]:
    """The sounds of a finding and their names in the page."""
    for name, voice in item.voices.items():
        for state, sound in zip(STATES, voice.sounds, strict=False):
            yield f"sound-{number}-{name}-{state}", sound


def _facts(song: ReviewSong, served: ReviewAddresses | None, version: int) -> str:
    """Everything the scripts need to know, as JSON that no HTML parser can misread."""
    facts: dict[str, Any] = {"title": song.title, "page": song.page_id, "format": FORMAT, "rate": song.rate_hz,
                             "levelStep": LEVEL_STEP,
                             "items": [_item(number, item, served) for number, item in enumerate(song.items)]}
    if served:
        facts["served"] = {"version": version, "newest": served.version, "answer": served.answer}
    text = json.dumps(facts, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e").replace(
        "\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _item(number: int, item: ReviewItem, served: ReviewAddresses | None) -> dict[str, Any]:
    """One finding."""
    finding, place = item.finding, item.place
    return {
        "name": finding.name, "layer": finding.layer, "take": finding.take, "where": finding.where,
        "source": finding.source, "verdict": finding.verdict, "text": finding.text, "advice": finding.advice,
        "frames": place.frames, "bars": place.bars, "beats": place.beats, "event": place.event, "needs": item.needs,
        "beside": item.beside, "diff": item.diff, "changed": item.is_changed, "alone": item.alone,
        "levels": [[round(gain, 6) for gain in gains] for gains in item.levels],
        "mixes": [{"name": mix.name, "gains": [round(gain_db, 3) for gain_db in mix.gains_db]} for mix in item.mixes],
        "outlines": {name: base64.b64encode(heights).decode() for name, heights in item.outlines.items()},
        "voices": {name: _voice(number, name, voice, served) for name, voice in item.voices.items()},
    }


def _voice(number: int, name: str, voice: ReviewVoice, served: ReviewAddresses | None) -> dict[str, Any]:
    """One voice: its sounds by state, the second only where it differs."""
    facts: dict[str, Any] = {"channels": voice.channels, "pans": voice.pans, "gain": voice.sound.gain,
                             "at": voice.proposed_at, "bytes": [sound.pieces[0].flac_bytes for sound in voice.sounds]}
    if served:
        facts["urls"] = [served.sound(sound) for sound in voice.sounds]
    else:
        facts["ids"] = [f"sound-{number}-{name}-{state}" for state in STATES[: len(voice.sounds)]]
    return facts


def _sources(room: str, names: tuple[str, ...]) -> str:
    """Files of a page's web folder, one after the other."""
    folder = resources.files("layerpipe.outputs").joinpath(room, "web")
    return "\n".join(folder.joinpath(name).read_text("utf-8") for name in names)


def _digest(text: str) -> str:
    """How a Content-Security-Policy names one script or style."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()

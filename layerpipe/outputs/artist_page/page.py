"""One HTML file from readings and sound: all sources inlined, every name escaped, every request forbidden.

The file is the same to the byte for the same song. Sound is FLAC, written as text (`base91`); a player for browsers
without scripts follows as AAC. The Content-Security-Policy allows the one script and the one style by their SHA-256,
sound from inside the page, and nothing else (W3C Content Security Policy Level 3). A page whose sound is loaded from
its own server may also fetch from there.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.core.files.atomic import write_whole
from layerpipe.outputs.artist_page.model import PageSection, PageSong

SCRIPTS = ("sound/loudness.js", "words.js", "sound/source.js", "sound/player.js", "choices/answer.js", "dragging.js",
           "page.js", "comparison.js", "choices/memory.js", "choices/saving.js", "controls.js", "start.js")
SERVED_SCRIPTS = (*SCRIPTS[:-1], "choices/served.js", SCRIPTS[-1])
"""Of a page on its own server."""
GENERATOR = "layerpipe page 2"
_SIZE, _SOUNDS = "000.0", "<!-- sounds -->"


@dataclass(frozen=True)
class PageAddresses:
    """Where a page on its own server finds everything; addresses are relative to the page's.

    Attributes
    ----------
    sound : function of (section, sound, piece, "flac" or "m4a")
        Given the number of the section, the number in `PageSection.sounds` and that of its piece.
    player : function of section
        AAC of the engineer's setting.
    version : str
        JSON with the number of the newest version of the page.
    answer : str
        Takes the answer (POST).
    """

    sound: Callable[[int, int, int, str], str]
    player: Callable[[int], str]
    version: str = "version"
    answer: str = "answer"


def build_page(song: PageSong, *, served: PageAddresses | None = None, version: int = 1,
               most_answer_bytes: int = 8192) -> bytes:
    """Write the artist's page.

    Parameters
    ----------
    song : PageSong
    served : PageAddresses, optional
        Of a page that loads its sound from its own server, section by section, sends the answer there and looks for
        newer versions; without it the sound is in the page.
    version : int
        Number of the served page.
    most_answer_bytes : int
        Largest answer that the server takes.

    Returns
    -------
    bytes
        UTF-8.
    """
    import jinja2
    from markupsafe import Markup

    style = _source("page.css")
    scripts = SERVED_SCRIPTS if served else SCRIPTS
    script = "(() => {\n\"use strict\";\n" + "\n".join(_source(name) for name in scripts) + "})();\n"
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True,
                                     lstrip_blocks=True, keep_trailing_newline=True)
    sources = "media-src 'self'; connect-src 'self'" if served else "media-src data:"
    policy = (f"default-src 'none'; script-src '{_digest(script)}'; style-src '{_digest(style)}'; {sources}; "
              "base-uri 'none'; form-action 'none'")
    size = Markup(f"<span id=\"size\">{_SIZE}</span>")
    frame = environment.from_string(_source("page.html.j2")).render(
        song=song, policy=policy, generator=GENERATOR, served=served is not None, size=size,
        players=[served.player(n) if served else _data_url(section.player) for n, section in enumerate(song.sections)],
        # Our own sources: the only text that is not escaped.
        style=Markup(style), script=Markup(script), sounds=Markup(_SOUNDS),
        facts=Markup(_facts(song, served, version, most_answer_bytes)),
    )
    # No name can look like this, because "<" is escaped in names.
    before, after = (part.encode() for part in frame.split(_SOUNDS))
    sounds = b"" if served else b"\n".join(
        b'<script type="text/plain" id="sound-%d-%d-%d">%b</script>' % (n, k, p, piece.text)
        for n, section in enumerate(song.sections) for k, sound in enumerate(section.sounds)
        for p, piece in enumerate(sound.pieces))
    size_mb = f"{max(0.1, (len(before) + len(sounds) + len(after)) / 1e6):.1f}"
    before = before.replace(size.encode(), f'<span id="size">{size_mb}</span>'.encode())
    return b"".join((before, sounds, after))


def write_page(path: Path, page: bytes, mark: bytes = b"layerpipe page ") -> None:
    """Write a page completely or not at all; `mark` is in the head of every page of its kind.

    Raises
    ------
    OutputError
        If it cannot be written, or the file that exists there is not a page of layerpipe.
    """
    try:
        if path.exists():
            if not path.is_file():
                raise OutputError(f"{path}: is not a file; give another name with --out")
            with path.open("rb") as existing:
                if mark not in existing.read(4096):
                    raise OutputError(f"{path}: is not a page of layerpipe and is left alone; give another name with "
                                      "--out")
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, page)
    except OSError as refusal:
        raise OutputError(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal


def _facts(song: PageSong, served: PageAddresses | None, version: int, most_answer_bytes: int) -> str:
    """Everything the scripts need to know, as JSON that no HTML parser can misread."""
    facts: dict[str, Any] = {
        "title": song.title, "page": song.page_id, "rate": song.rate_hz, "ceiling": 10 ** (song.ceiling_dbfs / 20),
        "step": song.step_db, "layers": song.layers, "bed": song.has_bed,
        "ranges": [song.slider_range_db(layer) for layer in song.layers],
        "settings": [{"name": setting.name, "levels": [[song.layers.index(name), _level(level_db)]
                                                       for name, level_db in setting.levels_db.items()
                                                       if name in song.layers]}
                     for setting in song.settings],
        "sections": [_section(section) for section in song.sections],
    }
    digest = hashlib.sha256(json.dumps(facts, sort_keys=True).encode())
    for section in song.sections:
        for sound in section.sounds:
            for piece in sound.pieces:
                digest.update(piece.text)
    # Under this name the browser remembers what the artist did, in case the page is closed by accident.
    facts["id"] = digest.hexdigest()[:16]
    if served:
        # A newer version of the page remembers what was done in the one before.
        same = json.dumps([song.title, song.layers])
        facts["id"] = hashlib.sha256(same.encode()).hexdigest()[:16]
        facts["served"] = {"version": version, "newest": served.version, "answer": served.answer,
                           "most": most_answer_bytes}
        for n, section in enumerate(song.sections):
            for kind, key in (("flac", "urls"), ("m4a", "urlsAac")):
                facts["sections"][n][key] = [[served.sound(n, k, p, kind) for p in range(len(section.starts))]
                                             for k in range(len(section.sounds))]
    text = json.dumps(facts, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _section(section: PageSection) -> dict[str, Any]:
    """One section's facts."""
    return {
        "name": section.name, "frames": section.frames, "reference": section.reference_lufs,
        "levels": [_level(layer.level_db) for layer in section.layers],
        "gains": [sound.gain for sound in section.sounds],
        "starts": section.starts, "margin": section.margin,
        "bytes": [[piece.flac_bytes for piece in sound.pieces] for sound in section.sounds],
        "products": base64.b64encode(section.products.astype("<f8").tobytes()).decode(),
        "waveform": [round(min(max(height, 0.0), 1.0), 3) for height in section.waveform],
        "bars": [[bar, round(seconds, 4)] for bar, seconds in section.bars],
        "beats": [round(seconds, 4) for seconds in section.beats_s],
    }


def _level(level_db: float) -> float | None:
    """JSON has no infinity: off is null."""
    return None if level_db == -math.inf else level_db


def _data_url(aac: bytes) -> str:
    """AAC as an address that needs no network (RFC 2397)."""
    return "data:audio/mp4;base64," + base64.b64encode(aac).decode()


def _source(name: str) -> str:
    """A file beside this one."""
    return resources.files("layerpipe.outputs.artist_page").joinpath("web", name).read_text("utf-8")


def _digest(text: str) -> str:
    """How a Content-Security-Policy names one script or style."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()

"""One HTML file from readings and sound: all sources inlined, every name escaped, every request forbidden.

The file is the same to the byte for the same song. Sound is FLAC, written as text (see `text.py`). The
Content-Security-Policy allows the one script and the one style by their SHA-256 and nothing else at all (W3C Content
Security Policy Level 3).
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
from importlib import resources
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.core.files.atomic import write_whole
from layerpipe.outputs.artist_page.model import PageSection, PageSong

SCRIPTS = ("loudness.js", "sound.js", "answer.js", "compare.js", "page.js", "comparing.js", "keeping.js",
           "start.js")
MAKER = "layerpipe sheet 1"
_SIZE, _SOUNDS = "000.0", "<!-- sounds -->"


def build_page(song: PageSong) -> bytes:
    """Write the artist's page.

    Parameters
    ----------
    song : PageSong

    Returns
    -------
    bytes
        UTF-8, complete in itself.
    """
    import jinja2
    from markupsafe import Markup

    style = _source("page.css")
    script = "(() => {\n\"use strict\";\n" + "\n".join(_source(name) for name in SCRIPTS) + "})();\n"
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True,
                                     lstrip_blocks=True, keep_trailing_newline=True)
    policy = (f"default-src 'none'; script-src '{_digest(script)}'; style-src '{_digest(style)}'; "
              "base-uri 'none'; form-action 'none'")
    frame = environment.from_string(_source("page.html.j2")).render(
        song=song, policy=policy, maker=MAKER, size=Markup(f"<span id=\"size\">{_SIZE}</span>"),
        # Our own sources: the only text that is not escaped.
        style=Markup(style), script=Markup(script), facts=Markup(_facts(song)), sounds=Markup(_SOUNDS),
    )
    # No name can look like this: where they stand, "<" is escaped.
    before, after = (part.encode() for part in frame.split(_SOUNDS))
    sounds = b"\n".join(
        b'<script type="text/plain" id="sound-%d-%d">%b</script>' % (n, k, sound.text)
        for n, section in enumerate(song.sections) for k, sound in enumerate(section.sounds))
    size = f"{max(0.1, (len(before) + len(sounds) + len(after)) / 1e6):.1f}"
    before, after = (part.replace(f'<span id="size">{_SIZE}</span>'.encode(), f'<span id="size">{size}</span>'.encode())
                     for part in (before, after))
    return b"".join((before, sounds, after))


def write_page(path: Path, page: bytes) -> None:
    """Put a page where it was asked for, whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written, or something that is no such page stands there.
    """
    try:
        if path.exists():
            with path.open("rb") as there:
                if MAKER.encode() not in there.read(4096):
                    raise OutputError(f"{path}: holds something else than a page of layerpipe, and is left alone; "
                                      "give another name with --out")
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, page)
    except OSError as refusal:
        raise OutputError(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal


def _facts(song: PageSong) -> str:
    """Everything the scripts need to know, as JSON that no HTML parser can trip over."""
    facts: dict[str, Any] = {
        "title": song.title, "rate": song.rate_hz, "ceiling": 10 ** (song.ceiling_dbfs / 20),
        "low": song.low_db, "high": song.high_db, "step": song.step_db, "layers": song.layers, "bed": song.has_bed,
        "marks": [{"name": mark.name, "levels": [[song.layers.index(name), _level(level_db)]
                                                 for name, level_db in mark.levels_db.items() if name in song.layers]}
                  for mark in song.marks],
        "sections": [_section(section) for section in song.sections],
    }
    digest = hashlib.sha256(json.dumps(facts, sort_keys=True).encode())
    for section in song.sections:
        for sound in section.sounds:
            digest.update(sound.text)
    # Under this name the browser remembers what was kept, should the page be closed by accident.
    facts["id"] = digest.hexdigest()[:16]
    text = json.dumps(facts, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _section(section: PageSection) -> dict[str, Any]:
    """One section's facts."""
    return {
        "name": section.name, "frames": section.frames, "reference": section.reference_lufs,
        "levels": [_level(layer.level_db) for layer in section.layers],
        "gains": [sound.gain for sound in section.sounds],
        "bytes": [sound.flac_bytes for sound in section.sounds],
        "products": base64.b64encode(section.products.astype("<f8").tobytes()).decode(),
        "waveform": [round(min(max(height, 0.0), 1.0), 3) for height in section.waveform],
        "bars": [[bar, round(seconds, 4)] for bar, seconds in section.bars],
    }


def _level(level_db: float) -> float | None:
    """JSON has no infinity: off is null."""
    return None if level_db == -math.inf else level_db


def _source(name: str) -> str:
    """A file beside this one."""
    return resources.files("layerpipe.outputs.artist_page").joinpath("web", name).read_text("utf-8")


def _digest(text: str) -> str:
    """How a Content-Security-Policy names one script or style."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()

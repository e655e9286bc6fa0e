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
from importlib import resources
from pathlib import Path
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.core.files.atomic import write_whole
from layerpipe.outputs.artist_page.model import PageSection, PageSong

SCRIPTS = ("loudness.js", "words.js", "source.js", "player.js", "answer.js", "dragging.js", "page.js", "comparison.js",
           "memory.js", "saving.js", "controls.js", "start.js")
GENERATOR = "layerpipe page 2"
_SIZE, _SOUNDS = "000.0", "<!-- sounds -->"

SoundUrl = Callable[[int, int], str]
"""The address of a sound, given the number of its section and its number in `PageSection.sounds`."""


def build_page(song: PageSong, *, sound_url: SoundUrl | None = None) -> bytes:
    """Write the artist's page.

    Parameters
    ----------
    song : PageSong
    sound_url : SoundUrl, optional
        Addresses on the page's own server from which it loads its sound, section by section; without it the sound is
        in the page.

    Returns
    -------
    bytes
        UTF-8.
    """
    import jinja2
    from markupsafe import Markup

    style = _source("page.css")
    script = "(() => {\n\"use strict\";\n" + "\n".join(_source(name) for name in SCRIPTS) + "})();\n"
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True,
                                     lstrip_blocks=True, keep_trailing_newline=True)
    connect = "connect-src 'self'; " if sound_url else ""
    policy = (f"default-src 'none'; script-src '{_digest(script)}'; style-src '{_digest(style)}'; media-src data:; "
              f"{connect}base-uri 'none'; form-action 'none'")
    size = Markup(f"<span id=\"size\">{_SIZE}</span>")
    frame = environment.from_string(_source("page.html.j2")).render(
        song=song, policy=policy, generator=GENERATOR, size=None if sound_url else size,
        players=[_data_url(section.player) for section in song.sections],
        # Our own sources: the only text that is not escaped.
        style=Markup(style), script=Markup(script), facts=Markup(_facts(song, sound_url)), sounds=Markup(_SOUNDS),
    )
    # No name can look like this, because "<" is escaped in names.
    before, after = (part.encode() for part in frame.split(_SOUNDS))
    sounds = b"" if sound_url else b"\n".join(
        b'<script type="text/plain" id="sound-%d-%d">%b</script>' % (n, k, sound.text)
        for n, section in enumerate(song.sections) for k, sound in enumerate(section.sounds))
    size_mb = f"{max(0.1, (len(before) + len(sounds) + len(after)) / 1e6):.1f}"
    before = before.replace(size.encode(), f'<span id="size">{size_mb}</span>'.encode())
    return b"".join((before, sounds, after))


def write_page(path: Path, page: bytes) -> None:
    """Write a page completely or not at all.

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
                if b"layerpipe page " not in existing.read(4096):
                    raise OutputError(f"{path}: is not a page of layerpipe and is left alone; give another name with "
                                      "--out")
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, page)
    except OSError as refusal:
        raise OutputError(f"{path}: cannot be written: {refusal.strerror or refusal}") from refusal


def _facts(song: PageSong, sound_url: SoundUrl | None) -> str:
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
            digest.update(sound.text)
    # Under this name the browser remembers what the artist did, in case the page is closed by accident.
    facts["id"] = digest.hexdigest()[:16]
    if sound_url:
        for n, section in enumerate(song.sections):
            facts["sections"][n]["urls"] = [sound_url(n, k) for k in range(len(section.sounds))]
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

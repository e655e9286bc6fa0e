"""What arrives from others as text: answers, accepted lines, files beside a recipe, lists, and manifests of bounces."""

from __future__ import annotations

import binascii
import json
import random
import re
from pathlib import Path

import tomlkit

from layerpipe.core.errors import LayerpipeError
from layerpipe.jobs.many.song_list import find_songs
from layerpipe.jobs.review_change import change_of_undo, undo_path, write_undoably
from layerpipe.jobs.verify import verify_song
from layerpipe.outputs.artist_page import read_answer
from layerpipe.outputs.review.line import line_of, read_line
from layerpipe.outputs.verify.compare import compare_bounces
from layerpipe.outputs.verify.opened_bounce import open_bounce
from layerpipe.recipe.edit.moves_and_levels import set_level
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.server.accepted import ReviewInbox
from layerpipe.server.choices import read_posted
from layerpipe.server.comments import CommentsFile, comments_path
from tests.soak.mutation import mutated
from tests.soak.scene import Scene, bounce, short_session_of
from tests.support.songs import write_recipe

_LINE = ('layerpipe levels 2: page 0123456789abcdef; "Harbour Test"; "verse" "octave" -9 dB was -12 dB; '
         '"chorus" "octave" off was -12 dB, comment "more \\"air\\" \\u3042"')
_WORDS = tuple(word.encode("utf-8", "surrogatepass") for word in (
    "1", "1-2", ", ", ": ", "; ", "9" * 60, "1" * 5000, "-", "off", "was", "dB", "comment", "compared", '"', "\\",
    "\\u0000", "\\ud800", "\u0661", "\u2013", "\u201c", "<p>", "&#1114112;", "&gt;", "> ", "\n", "\ufeff", "\u202e",
    "[" * 300, "{", "}", "]", ",", "null", "true", "-inf", "1e999", "NaN", "a.b.", "[[answer]]", "steps", "before",
    "..", "/etc/passwd", "/dev/zero", "\x00"))
_VALUES = (b"[]", b"{}", b'""', b"-1", b"0", b"1e308")
_CHECK = re.compile(rb"(layerpipe (?:levels|review) .*?) \(check [0-9a-f]{4}\)", re.DOTALL)


def _checked(line: str) -> str:
    """A line with the check that the page writes."""
    return f"{line} (check {binascii.crc_hqx(line.encode(), 0xFFFF):04x})"


class Texts:
    """Answers and accepted lines, pasted or posted, and the files that are kept beside a recipe."""

    name = "texts"
    expected = LayerpipeError

    def __init__(self, folder: Path) -> None:
        self._recipe = write_recipe(folder / "song.toml", short_session_of(folder))
        self._list = folder / "songs.txt"
        lines = [_checked(_LINE), line_of("0123456789abcdef", [1, 2, 3, 7, 9999])]
        comments = CommentsFile(comments_path(self._recipe), most=10)
        for sender in ("Mari", "Jo"):
            comments.add(sender, lines[0], read_answer(lines[0]))
        write_undoably(set_level(self._recipe, "octave", -6.0), lambda change: bool(change.write()))
        kept = [comments.path.read_bytes(), undo_path(self._recipe).read_bytes()]
        saved = tomlkit.dumps({"format": "layerpipe levels 2", "page": "0123456789abcdef", "title": "Harbour Test",
                               "level": [{"section": "verse", "layer": "octave", "level_db": -9.0, "was_db": -12.0}]})
        self._good = [*(line.encode() for line in lines), *(f"> {line}\n> ".encode() for line in lines),
                      json.dumps({"name": "Mari", "answer": lines[0]}).encode(),
                      json.dumps({"line": lines[1]}).encode(), saved.encode(), *kept, b"# side one\nsong.toml\n.\n"]

    def make(self, picked: random.Random) -> bytes:
        """One input; half of the lines get the check that belongs to them, or all would be refused by it."""
        content = mutated(picked.choice(self._good), picked, _WORDS, head=4_000)
        if picked.random() < 0.5:
            content = _CHECK.sub(lambda found: found[1] + f" (check {binascii.crc_hqx(found[1], 0xFFFF):04x})".encode(),
                                 content)
        return content

    def feed(self, content: bytes) -> None:
        """Give it to everything that reads such texts; through if any lets it through."""
        text = content.decode("utf-8", "replace")
        files = {comments_path(self._recipe): lambda: CommentsFile(comments_path(self._recipe), most=10).waiting(),
                 undo_path(self._recipe): lambda: change_of_undo(self._recipe),
                 self._list: lambda: find_songs([self._list])}
        for path in files:
            path.write_bytes(content)
        events: object = type("Events", (), {"put": staticmethod(lambda event: None)})()
        readers = [lambda: read_answer(text), lambda: read_line(text), lambda: read_posted(content),
                   lambda: ReviewInbox(events).take(content, ""), *files.values()]
        refusals = []
        for read in readers:
            try:
                read()
            except LayerpipeError as refusal:
                refusals.append(refusal)
        if len(refusals) == len(readers):
            raise refusals[0]


class Manifests:
    """A bounce whose manifest is another's work: verified, and compared with the bounce it was."""

    name = "manifests"
    expected = LayerpipeError

    def __init__(self, folder: Path) -> None:
        scene = Scene(folder)
        scene.use(0)
        bounce(scene, TakeCache(folder / "store"))
        self._folder, self._untouched = scene.target, folder / "known0"
        self._path = scene.target / "bounce.json"
        self._good = self._path.read_bytes()
        self._lines = json.dumps(json.loads(self._good), indent=0).encode().split(b"\n")

    def make(self, picked: random.Random) -> bytes:
        """One input."""
        if picked.random() < 0.5:
            lines = list(self._lines)
            for _ in range(picked.randrange(1, 3)):
                n = picked.randrange(len(lines))
                key, colon, value = lines[n].partition(b": ")
                if colon and picked.random() < 0.8:
                    comma = b"," if value.endswith(b",") else b""
                    lines[n] = key + colon + picked.choice((*_WORDS, *_VALUES)) + comma
                else:
                    del lines[n]
            return b"\n".join(lines)
        return mutated(self._good, picked, _WORDS, head=len(self._good))

    def feed(self, content: bytes) -> None:
        """Verify and compare."""
        self._path.write_bytes(content)
        opened = open_bounce(self._folder)
        verify_song(opened)
        compare_bounces(open_bounce(self._untouched), opened)

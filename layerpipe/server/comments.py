"""What artists sent, kept in `song.comments.toml` beside the recipe, so that nothing is lost when nobody answers.

The file is for reading, too: each `[[answer]]` holds who sent it and when, the comments by section, the line itself (as
`levels --accept` takes it) and what became of it: "waiting", "written", "unchanged", "declined" or "refused". This is
the only file the server writes.
"""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from layerpipe.core.errors import OutputError
from layerpipe.core.files.atomic import write_whole
from layerpipe.core.files.locks import locked
from layerpipe.core.files.regular import read_regular
from layerpipe.core.toml_bounds import Bounds, bounds_problem
from layerpipe.outputs.artist_page.answer import Answer

FORMAT = "layerpipe comments 1"
State = Literal["waiting", "written", "unchanged", "declined", "refused"]
BOUNDS = Bounds(bytes=16 << 20, values=100_000)
"""Far more than the most answers need; what is larger is neither written nor read."""


class CommentsFull(OutputError):  # noqa: N818 - a state, told to the sender
    """No further answer is kept."""


@dataclass(frozen=True)
class KeptAnswer:
    """One answer as it is kept."""

    number: int
    sender: str
    line: str
    state: State


def comments_path(recipe: Path) -> Path:
    """Where a recipe's comments are kept."""
    return recipe.with_name(f"{recipe.stem}.comments.toml")


def _now() -> datetime.datetime:
    """Local time to the second, with its zone."""
    return datetime.datetime.now().astimezone().replace(microsecond=0)


class CommentsFile:
    """Adds to a comments file; two programs may add to one at once.

    Parameters
    ----------
    path : Path
        Made when the first answer arrives.
    most : int
        Answers it may hold.
    now : function
        Date and time with zone.

    Raises
    ------
    OutputError
        If there is a file of that name that holds something else.
    """

    def __init__(self, path: Path, *, most: int, now: Callable[[], datetime.datetime] = _now) -> None:
        self.path, self._most, self._now = path, most, now
        self._read()

    def waiting(self) -> list[KeptAnswer]:
        """Answers nobody has decided about."""
        return [one for one in map(_kept, self._read()) if one.state == "waiting"]

    def add(self, sender: str, line: str, answer: Answer) -> tuple[KeptAnswer, bool]:
        """Keep an answer. One that waits already, from the same sender, is not kept twice.

        Returns
        -------
        tuple of KeptAnswer, bool
            As kept, and whether it is new.

        Raises
        ------
        CommentsFull
            If the file holds as many as it may.
        OutputError
            If it cannot be written.
        """
        added: list[tuple[KeptAnswer, bool]] = []

        def edit(entries: list[dict[str, Any]]) -> None:
            for known in map(_kept, entries):
                if (known.sender, known.line, known.state) == (sender, line, "waiting"):
                    added.append((known, False))
                    return
            if len(entries) >= self._most:
                raise CommentsFull(f"{self.path}: holds {len(entries)} answers, as many as it may; move the file away")
            number = max((known.number for known in map(_kept, entries)), default=0) + 1
            entry: dict[str, Any] = {"number": number, "from": sender, "received": self._now(), "state": "waiting"}
            if answer.comments:
                entry["comments"] = dict(answer.comments)
            entries.append(entry | {"answer": line})
            added.append((KeptAnswer(number, sender, line, "waiting"), True))

        self._edit(edit)
        return added[0]

    def set_state(self, number: int, state: State) -> None:
        """Note what became of an answer.

        Raises
        ------
        OutputError
            If the file cannot be written.
        """
        def edit(entries: list[dict[str, Any]]) -> None:
            for entry in entries:
                if entry["number"] == number:
                    entry["state"] = state

        self._edit(edit)

    def _edit(self, edit: Callable[[list[dict[str, Any]]], None]) -> None:
        """Change the file's entries while no one else does."""
        try:
            # Empty until the first answer is in it. A head written here would replace what others have just added.
            with contextlib.suppress(FileExistsError):
                self.path.open("xb").close()
            with locked(self.path):
                entries = self._read()
                before = _text(entries)
                edit(entries)
                after = _text(entries)
                if len(after.encode()) > BOUNDS.bytes or bounds_problem(after, BOUNDS) is not None:
                    raise CommentsFull(f"{self.path}: holds as much as it may; move the file away")
                if after != before:
                    write_whole(self.path, after.encode(), synced=True)
        except OSError as refusal:
            raise OutputError(f"{self.path}: cannot be written: {refusal.strerror or refusal}") from refusal

    def _read(self) -> list[dict[str, Any]]:
        """The entries."""
        import tomllib

        try:
            raw = read_regular(self.path, BOUNDS.bytes)
        except FileNotFoundError:
            return []
        except OSError as refusal:
            raise OutputError(f"{self.path}: cannot be read: {refusal.strerror or refusal}") from refusal
        if not raw:
            return []
        content: dict[str, Any] = {}
        # Also a number of more digits than Python reads, and what is not UTF-8.
        with contextlib.suppress(ValueError):
            text = raw.decode("utf-8")
            if bounds_problem(text, BOUNDS) is None:
                content = tomllib.loads(text)
        entries = content.get("answer", [])
        if content.get("format") != FORMAT or not isinstance(entries, list) or not all(map(_is_entry, entries)):
            raise OutputError(f"{self.path}: is not a file of comments as this program writes it, and is left as it "
                              "is; give it another name")
        return entries


def _is_entry(entry: Any) -> bool:
    """Whether a table has what is needed of an answer."""
    return isinstance(entry, dict) and isinstance(entry.get("number"), int) and all(
        isinstance(entry.get(key), str) for key in ("from", "state", "answer"))


def _kept(entry: dict[str, Any]) -> KeptAnswer:
    return KeptAnswer(entry["number"], entry["from"], entry["answer"], entry["state"])


def _text(entries: list[dict[str, Any]]) -> str:
    """The file."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("Answers from the artist's page. The line is what levels RECIPE --accept takes."))
    document.add("format", tomlkit.item(FORMAT))
    tables = tomlkit.aot()
    for entry in entries:
        table = tomlkit.table()
        for key, value in entry.items():
            if isinstance(value, dict):
                inline = tomlkit.inline_table()
                inline.update(value)
                value = inline
            table.add(key, value)
        tables.append(table)
    if entries:
        document.add("answer", tables)
    return tomlkit.dumps(document)

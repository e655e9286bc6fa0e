"""The one way to stdout and stderr: output for people and for programs, progress, errors.

Results go to stdout, progress, warnings and errors to stderr. With --json stdout holds one document and nothing else.
Everything is made printable line by line, so that a name from a file can neither steer the terminal nor forge a line.
"""

from __future__ import annotations

import contextlib
import functools
import json
import logging
import math
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO

import click

from layerpipe.cli.tables import drawn, new_bars
from layerpipe.core.errors import LayerpipeError, OutputError
from layerpipe.core.json_values import json_value
from layerpipe.core.process import is_short_of_memory, show_notices
from layerpipe.core.text import printable
from layerpipe.jobs.many.songs import refusal_document

if TYPE_CHECKING:
    from layerpipe.recipe.edit.change import Change

FINE, FAULTY, WRONG = 0, 1, 2
CAUTION = "Caution: start with the volume low, above all in headphones."
"""With every file that is made to be listened to at once."""
INTERRUPTED = 130
"""128 + SIGINT, as shells count."""


class Terminal:
    """The output of one command: `say` for people, `document` for programs, `progress` while they wait."""

    def __init__(self, *, as_json: bool = False, quiet: bool = False) -> None:
        self.as_json = as_json
        self.quiet = quiet
        _send_log_here()
        show_notices(warn if self.shows_progress else None)

    @property
    def talks(self) -> bool:
        """Whether the result is printed for a person."""
        return not (self.as_json or self.quiet)

    @property
    def shows_progress(self) -> bool:
        """Whether progress is shown: stderr is a terminal."""
        return not self.quiet and sys.stderr.isatty()

    def say(self, *what: Any) -> None:
        """Print for a person, each string a line, or what `new_table` made; silent with --json and --quiet."""
        if not self.talks:
            return
        for part in what:
            # Plain text does not wait for a library to be imported.
            self._put(_text_of((part,)) if isinstance(part, str) else self._draw(part))

    def result(self, *lines: str) -> None:
        """Print lines on stdout whatever was asked for."""
        print_lines(*lines)

    def warn(self, *lines: str) -> None:
        """Print lines on stderr, also with --json and --quiet."""
        warn(*lines)

    def _draw(self, table: Any) -> str:
        """A table as text."""
        return drawn(table, at_terminal=sys.stdout.isatty(), encoding=sys.stdout.encoding or "utf-8")

    def _put(self, text: str) -> None:
        """Print text that is printable already."""
        _write(sys.stdout, text)

    def show_and_write(self, change: Change | None, *, otherwise: str = "", ask: bool = False) -> bool:
        """Show a change of a recipe, then write it; with --json the diff goes to stderr.

        Parameters
        ----------
        change : Change, optional
        otherwise : str
            Printed when nothing would change.
        ask : bool
            Ask before writing; no answer is a no.

        Returns
        -------
        bool
            Whether anything was written.
        """
        if change is None or change.is_empty:
            path = "" if change is None else f"{change.path}: "
            self.say(otherwise or f"{path}no change: already set")
            return False
        diff = [line.expandtabs(4) for line in change.diff]
        if not self.talks and (ask or not self.quiet):
            self.warn(*diff)
        self.say(*diff)
        if ask and not self._confirms("Write this?"):
            self.warn(f"{change.path}: unchanged; --yes writes without asking")
            return False
        change.write()
        self.say(f"wrote {change.path}")
        return True

    @staticmethod
    def _confirms(question: str) -> bool:
        """Ask on stderr; the end of input is a no."""
        try:
            return click.confirm(question, err=True)
        except click.Abort:
            return False

    def document(self, content: dict[str, Any]) -> None:
        """Print the JSON document, if one was asked for. Infinite numbers become strings ("-inf"), NaN null."""
        if self.as_json:
            _print_json(content)

    @contextmanager
    def progress(self, what: str, total: float) -> Iterator[Callable[[float], None]]:
        """Show a bar on stderr if that is a terminal; gives a function that advances it."""
        if not self.shows_progress:
            yield lambda amount: None
            return
        with new_bars() as bar:
            task = bar.add_task(printable(what), total=total)
            yield lambda amount: bar.advance(task, amount)


def shown(value: float | None, places: int = 1) -> str:
    """A figure in a table: -inf for silence, -- for what could not be measured."""
    if value is None:
        return "--"
    return f"{value:.{places}f}" if math.isfinite(value) else ("-inf" if value < 0 else "inf")


def stdout_encoding() -> str:
    """What stdout can print."""
    return sys.stdout.encoding or "ascii"


def print_picture(text: str) -> None:
    """Print text of several lines that is ours to the last letter, such as a QR code."""
    _write(sys.stdout, text)


def print_lines(*lines: str) -> None:
    """Print lines on stdout.

    Raises
    ------
    OutputError
        If stdout cannot take them.
    """
    _write(sys.stdout, _text_of(lines))


def warn(*lines: str) -> None:
    """Print lines on stderr; where that cannot take them there is nobody to tell."""
    with contextlib.suppress(OSError, OutputError):
        _write(sys.stderr, _text_of(lines))
        sys.stderr.flush()


def flush() -> None:
    """Let stdout take what was printed.

    Raises
    ------
    OutputError
        If it cannot.
    """
    _write(sys.stdout, "", flushed=True)


def exit_code_of(problem: BaseException, *, as_json: bool = False) -> int | None:
    """Report a refusal, an interrupt or a lack of something on stderr; None for what is a mistake of ours."""
    if isinstance(problem, LayerpipeError):
        _refuse(problem, as_json=as_json)
        return problem.exit_code
    if isinstance(problem, KeyboardInterrupt):
        warn("interrupted; no partial output was left")
        return INTERRUPTED
    if isinstance(problem, BrokenPipeError):
        return FAULTY
    if is_short_of_memory(problem):
        warn("not enough memory")
        return FAULTY
    if isinstance(problem, OSError):
        place = problem.filename or "a temporary file (TMPDIR moves them)"
        warn(f"{os.fsdecode(place) if isinstance(place, bytes) else place}: {problem.strerror or problem}")
        return FAULTY
    return None


def _refuse(refusal: LayerpipeError, *, as_json: bool) -> None:
    """Print the message on stderr, and with --json the faults as a document."""
    warn(*str(refusal).split("\n"))
    if as_json:
        # That stdout cannot be written may be what the refusal says.
        with contextlib.suppress(OSError, OutputError):
            _print_json(refusal_document(refusal))


def _print_json(content: dict[str, Any]) -> None:
    """Print a document; whatever the encoding of stdout cannot hold is escaped as JSON does."""
    narrow = not (getattr(sys.stdout, "encoding", None) or "utf-8").lower().startswith("utf")
    print_lines(*json.dumps(json_value(content), indent=2, ensure_ascii=narrow, allow_nan=False).split("\n"))


def _text_of(lines: tuple[str, ...]) -> str:
    """Lines as they are printed: nothing in them breaks a line or steers a terminal."""
    return "".join(f"{printable(line)}\n" for line in lines)


def _write(stream: TextIO, text: str, *, flushed: bool = False) -> None:
    """Write text; letters that the encoding of the stream lacks are escaped."""
    encoding = stream.encoding or "utf-8"
    try:
        stream.write(text.encode(encoding, "backslashreplace").decode(encoding))
        if flushed:
            stream.flush()
    except OSError as refusal:
        _discard_rest(stream)
        if isinstance(refusal, BrokenPipeError):
            raise
        raise OutputError(f"standard output: cannot be written: {refusal.strerror or refusal}") from refusal


def _discard_rest(stream: TextIO) -> None:
    """Send what is still buffered nowhere: at exit it would be refused once more."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


class _LogHandler(logging.Handler):
    """Warnings of lower floors, printed as every warning is."""

    def emit(self, record: logging.LogRecord) -> None:
        """Print one record."""
        warn(record.getMessage())


@functools.cache
def _send_log_here() -> None:
    """Let warnings of lower floors be printed here; once for a process."""
    logging.getLogger("layerpipe").addHandler(_LogHandler(logging.WARNING))

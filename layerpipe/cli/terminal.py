"""What every command shares: output for people and for programs, progress, errors.

Results go to stdout, progress, warnings and errors to stderr. With --json stdout holds one document and nothing else.
"""

from __future__ import annotations

import functools
import json
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any, ParamSpec

import typer

from layerpipe.core.errors import LayerpipeError
from layerpipe.core.json_values import json_value
from layerpipe.core.process import show_notices
from layerpipe.jobs.songs import refusal_document

if TYPE_CHECKING:
    from rich.console import Console

    from layerpipe.recipe.change import Change

P = ParamSpec("P")
FINE, FAULTY, WRONG = 0, 1, 2

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document, and nothing else, on stdout.")]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print only warnings and errors.")]


class Terminal:
    """The output of one command: `say` for people, `document` for programs, `progress` while they wait."""

    def __init__(self, *, as_json: bool = False, quiet: bool = False) -> None:
        self.as_json = as_json
        self.quiet = quiet
        show_notices(not quiet)

    @property
    def talks(self) -> bool:
        """Whether the result is printed for a person."""
        return not (self.as_json or self.quiet)

    @functools.cached_property
    def out(self) -> Console:
        """Console on stdout."""
        from rich.console import Console

        return Console(highlight=False, emoji=False, markup=False, soft_wrap=not sys.stdout.isatty())

    @functools.cached_property
    def err(self) -> Console:
        """Console on stderr."""
        from rich.console import Console

        return Console(stderr=True, highlight=False, emoji=False, markup=False)

    def say(self, *what: Any) -> None:
        """Print text or a rich renderable for a person; silent with --json and --quiet."""
        if self.talks and all(isinstance(part, str) for part in what):
            # Plain text does not wait for a library to be imported.
            print(*what)
        elif self.talks:
            self.out.print(*what)

    def warn(self, text: str) -> None:
        """Print on stderr, also with --json and --quiet."""
        print(text, file=sys.stderr)

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
        if not self.talks and (ask or not self.quiet):
            self.warn(change.diff)
        self.say(change.diff)
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
            return typer.confirm(question, err=True)
        except typer.Abort:
            return False

    def document(self, content: dict[str, Any]) -> None:
        """Print the JSON document, if one was asked for. Infinite numbers become strings ("-inf"), NaN null."""
        if self.as_json:
            print(json.dumps(json_value(content), indent=2, ensure_ascii=False, allow_nan=False))

    @contextmanager
    def progress(self, what: str, total: float) -> Iterator[Callable[[float], None]]:
        """Show a bar on stderr if that is a terminal; gives a function that advances it."""
        if self.quiet or not sys.stderr.isatty():
            yield lambda amount: None
            return
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
        with Progress(*columns, console=self.err, transient=True) as bar:
            task = bar.add_task(what, total=total)
            yield lambda amount: bar.advance(task, amount)


def shown(value: float | None, places: int = 1) -> str:
    """A figure in a table: -inf for silence, -- for what could not be measured."""
    if value is None:
        return "--"
    return f"{value:.{places}f}" if math.isfinite(value) else ("-inf" if value < 0 else "inf")


def answers(command: Callable[P, int]) -> Callable[P, None]:
    """Let a command return its exit code and raise errors; no traceback reaches a user."""

    @functools.wraps(command)
    def answered(*args: P.args, **kwargs: P.kwargs) -> None:
        as_json = bool(kwargs.get("as_json"))
        try:
            code = command(*args, **kwargs)
        except LayerpipeError as refusal:
            _refuse(refusal, as_json=as_json)
            code = refusal.exit_code
        except KeyboardInterrupt:
            print("interrupted; no partial output was left", file=sys.stderr)
            code = 130
        except BrokenPipeError:
            sys.stderr.close()
            code = FAULTY
        except OSError as refusal:
            place = refusal.filename or "a temporary file (TMPDIR moves them)"
            print(f"{place}: {refusal.strerror or refusal}", file=sys.stderr)
            code = FAULTY
        except MemoryError:
            print("not enough memory", file=sys.stderr)
            code = FAULTY
        raise typer.Exit(code)

    return answered


def _refuse(refusal: LayerpipeError, *, as_json: bool) -> None:
    """Print the message on stderr, and with --json the faults as a document."""
    print(refusal, file=sys.stderr)
    if as_json:
        print(json.dumps(json_value(refusal_document(refusal)), indent=2, ensure_ascii=False))

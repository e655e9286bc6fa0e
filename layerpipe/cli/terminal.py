"""What every command shares: where words go, what `--json` prints, what a refusal looks like.

Results go to stdout, progress and refusals to stderr. With --json stdout holds one document and nothing else.
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

from layerpipe.core.errors import MOST_SHOWN, FaultsError, LayerpipeError
from layerpipe.core.json_values import json_value
from layerpipe.core.process import show_notices

if TYPE_CHECKING:
    from rich.console import Console

    from layerpipe.recipe.change import Change

P = ParamSpec("P")
FINE, FAULTY, WRONG = 0, 1, 2

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else there.")]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Say nothing but what is wrong.")]


class Terminal:
    """One command's conversation: `say` for people, `document` for programs, `progress` while they wait."""

    def __init__(self, *, as_json: bool = False, quiet: bool = False) -> None:
        self.as_json = as_json
        self.quiet = quiet
        show_notices(not quiet)

    @property
    def talks(self) -> bool:
        """Whether a person is to read the result."""
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
        """Say on stderr what should be known whatever was asked for."""
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
        """Show a bar on stderr while it is a terminal; hands back `advance(amount)`."""
        if self.quiet or not sys.stderr.isatty():
            yield lambda amount: None
            return
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
        with Progress(*columns, console=self.err, transient=True) as bar:
            task = bar.add_task(what, total=total)
            yield lambda amount: bar.advance(task, amount)


def shown(value: float | None, places: int = 1) -> str:
    """A figure in a table: -inf for silence, dashes for what could not be measured."""
    if value is None:
        return "--"
    return f"{value:.{places}f}" if math.isfinite(value) else ("-inf" if value < 0 else "inf")


def answers(command: Callable[P, int]) -> Callable[P, None]:
    """Let a command return its exit code and refuse by raising; no traceback reaches a user."""

    @functools.wraps(command)
    def answered(*args: P.args, **kwargs: P.kwargs) -> None:
        as_json = bool(kwargs.get("as_json"))
        try:
            code = command(*args, **kwargs)
        except LayerpipeError as refusal:
            _refuse(refusal, as_json=as_json)
            code = refusal.exit_code
        except KeyboardInterrupt:
            print("interrupted; nothing half-written was kept", file=sys.stderr)
            code = 130
        except BrokenPipeError:
            sys.stderr.close()
            code = FAULTY
        except OSError as refusal:
            named = f"{refusal.filename}: " if refusal.filename else ""
            print(f"{named}{refusal.strerror or refusal}", file=sys.stderr)
            code = FAULTY
        except MemoryError:
            print("not enough memory for this", file=sys.stderr)
            code = FAULTY
        raise typer.Exit(code)

    return answered


def _refuse(refusal: LayerpipeError, *, as_json: bool) -> None:
    """Print the letter on stderr, and with --json the faults as a document."""
    print(refusal, file=sys.stderr)
    if as_json:
        faults = refusal.faults[:MOST_SHOWN] if isinstance(refusal, FaultsError) else ()
        count = refusal.count if isinstance(refusal, FaultsError) else 0
        listed = [{"file": f.file, "line": f.line, "where": f.where, "problem": f.problem} for f in faults]
        document = {"refused": str(refusal), "faults": listed, "count": count}
        print(json.dumps(json_value(document), indent=2, ensure_ascii=False))

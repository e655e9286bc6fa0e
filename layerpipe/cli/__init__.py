"""The command line: the list of commands. Each is in a file of this folder."""

from __future__ import annotations

import importlib
import os
import signal
import sys
from collections.abc import Sequence
from types import FrameType
from typing import Annotated

import typer

from layerpipe import __version__
from layerpipe.cli.terminal import FINE, WRONG, exit_code_of, flush, print_lines, warn
from layerpipe.core.errors import OutputError

COMMANDS = ("draft", "check", "timing", "tempo", "choose", "levels", "review", "preview", "page", "share", "bounce",
            "verify", "compare", "cache", "schema")
"""In the order of the help; each is a function of that name in a file of that name."""
INTERNAL_ERROR = 70
_INTERRUPTS = (signal.SIGINT, *([signal.SIGALRM] if hasattr(signal, "setitimer") else []))
"""The user's, and that of the timer which repeats it."""
_SOON_S = 0.01
_DEAF = ("<frozen importlib", "soundfile", "threading.py:start", "threading.py:__enter__", "threading.py:__exit__")
"""Parts of files and functions: imports, functions that are called by C, locks."""


def _say_version(asked: bool) -> None:
    """Print the version and exit."""
    if asked:
        print_lines(f"layerpipe {__version__}")
        raise typer.Exit


def _before_all(
    version: Annotated[bool, typer.Option("--version", callback=_say_version, is_eager=True,
                                          help="Print the version and exit.")] = False,
) -> None:
    """Options of the program itself."""


def program(commands: Sequence[str] = COMMANDS) -> typer.Typer:
    """The command line with some commands; the files of the others are not imported."""
    app = typer.Typer(
        name="layerpipe",
        help="Build layered doubles from takes: reads a recipe, writes stems, a blend and listening files.",
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    # With a callback, a single command still needs its name.
    app.callback()(_before_all)
    for name in commands:
        app.command()(getattr(importlib.import_module(f"layerpipe.cli.{name}"), name))
    return app


def main() -> int:
    """Entry point of the `layerpipe` command; returns the exit code."""
    _open_streams()
    interruptible = signal.getsignal(signal.SIGINT) is not signal.SIG_IGN
    if interruptible:
        for number in _INTERRUPTS:
            signal.signal(number, _interrupt)
    try:
        return _answer(sys.argv[1:])
    finally:
        # Everything is written: an interrupt now would only print how the interpreter ends.
        if interruptible:
            for number in _INTERRUPTS:
                signal.signal(number, signal.SIG_IGN)


def _interrupt(number: int, place: FrameType | None) -> None:
    """Raise `KeyboardInterrupt`, but not below code that prints it, makes another error of it or keeps a lock."""
    while place is not None and place.f_code is not main.__code__:
        name = f"{place.f_code.co_filename}:{place.f_code.co_name}"
        if any(part in name for part in _DEAF) and len(_INTERRUPTS) > 1:
            signal.setitimer(signal.ITIMER_REAL, _SOON_S)
            return
        place = place.f_back
    raise KeyboardInterrupt


def _answer(words: list[str]) -> int:
    """Run one command line."""
    try:
        asked = [word for word in words[:1] if word in COMMANDS]
        code = program(asked or COMMANDS)(words or ["--help"], standalone_mode=False)
        flush()
        return (code or FINE) if words else WRONG
    except BaseException as mistake:
        if hasattr(mistake, "format_message"):
            return _explain_usage(mistake)
        if isinstance(mistake, OSError) and not isinstance(mistake, BrokenPipeError) and mistake.filename is None:
            # Commands report their own; this one is from typer, which prints the help itself.
            mistake = OutputError(f"standard output: cannot be written: {mistake.strerror or mistake}")
        code = exit_code_of(mistake)
        if code is not None:
            return code
        # The commands report their own errors. What arrives here is a mistake of ours; a traceback helps no user.
        if os.environ.get("LAYERPIPE_TRACEBACK") or not isinstance(mistake, Exception):
            raise
        warn(f"internal error ({type(mistake).__name__}: {mistake}); no partial output was left. Please report it, "
             "with what LAYERPIPE_TRACEBACK=1 prints.")
        return INTERNAL_ERROR


def _explain_usage(mistake: BaseException) -> int:
    """Report words that make no command line, as typer does (its base class of these errors is not public)."""
    context = getattr(mistake, "ctx", None)
    if context is not None:
        warn(*context.get_usage().split("\n"), f"Try '{context.command_path} --help' for help.", "")
    warn(f"Error: {mistake.format_message()}")  # type: ignore[attr-defined]
    return int(getattr(mistake, "exit_code", WRONG))


def _open_streams() -> None:
    """Open standard streams that the caller closed on nothing, so that no output file gets their number."""
    for name, number, mode in (("stdin", 0, "r"), ("stdout", 1, "w"), ("stderr", 2, "w")):
        if getattr(sys, name) is None:
            try:
                os.fstat(number)
            except OSError:
                # The lowest free number is this one: those below are open.
                os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))

"""The command line: the list of commands. Each is in a file of this folder."""

from __future__ import annotations

import importlib
import os
import signal
import sys
from collections.abc import Sequence
from types import FrameType

import click

from layerpipe import __version__
from layerpipe.cli.options import HELP_OPTION, leaving_option
from layerpipe.cli.terminal import FINE, WRONG, exit_code_of, warn

COMMANDS = ("draft", "check", "timing", "tempo", "choose", "levels", "review", "preview", "page", "share", "bounce",
            "verify", "compare", "cache", "schema")
"""In the order of the help; each is a function of that name in a file of that name."""
INTERNAL_ERROR = 70
_INTERRUPTS = (signal.SIGINT, *([signal.SIGALRM] if hasattr(signal, "setitimer") else []))
"""The user's, and that of the timer which repeats it."""
_SOON_S = 0.01
_DEAF = ("<frozen importlib", "soundfile", "model/types.py:of", "faults/refusals.py:", "_weakrefset.py:",
         "threading.py:start", "threading.py:__enter__", "threading.py:__exit__")
"""Parts of files and functions: imports, functions that are called by C (msgspec forgets what is raised while it looks
types up), what runs when an object is let go, locks."""


class _Commands(click.Group):
    """Commands in the order in which they are used; click sorts them by name."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names for the help."""
        return list(self.commands)


def program(commands: Sequence[str] = COMMANDS) -> click.Group:
    """The command line with some commands; the files of the others are not imported."""
    version = leaving_option("--version", lambda context: f"layerpipe {__version__}", "Print the version and exit.")
    group = _Commands("layerpipe", params=[version, HELP_OPTION], add_help_option=False, help=(
        "Build layered doubles from takes: reads a recipe, writes stems, a blend and listening files."))
    for name in commands:
        group.add_command(getattr(importlib.import_module(f"layerpipe.cli.{name}"), name))
    return group


def main(called: str = "layerpipe") -> int:
    """Entry point of the `layerpipe` command; returns the exit code. `called` is what the user calls it."""
    _open_streams()
    interruptible = signal.getsignal(signal.SIGINT) is not signal.SIG_IGN
    if interruptible:
        for number in _INTERRUPTS:
            signal.signal(number, _interrupt)
    try:
        return _answer(sys.argv[1:], called)
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


def _answer(words: list[str], called: str = "layerpipe") -> int:
    """Run one command line; click's own way of doing so prints by itself."""
    try:
        asked = [word for word in words[:1] if word in COMMANDS]
        # A copy of the words, because click takes them off their list.
        with program(asked or COMMANDS).make_context(called, [*words] or ["--help"]) as context:
            context.command.invoke(context)
        return FINE
    except click.exceptions.Exit as end:
        return end.exit_code if words else WRONG
    except click.ClickException as mistake:
        return _explain_usage(mistake)
    except BaseException as mistake:
        code = exit_code_of(mistake)
        if code is not None:
            return code
        # The commands report their own errors. What arrives here is a mistake of ours; a traceback helps no user.
        if os.environ.get("LAYERPIPE_TRACEBACK") or not isinstance(mistake, Exception):
            raise
        warn(f"internal error ({type(mistake).__name__}: {mistake}); no partial output was left. Please report it, "
             "with what LAYERPIPE_TRACEBACK=1 prints.")
        return INTERNAL_ERROR


def _explain_usage(mistake: click.ClickException) -> int:
    """Report words that make no command line."""
    context = getattr(mistake, "ctx", None)
    if context is not None:
        warn(*context.get_usage().split("\n"), f"Try '{context.command_path} --help' for help.", "")
    warn(f"Error: {mistake.format_message()}")
    return mistake.exit_code


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

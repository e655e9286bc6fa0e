"""The command line: which commands there are. What each does stands in this folder, one file a command."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from layerpipe import __version__

COMMANDS = ("draft", "check", "timing", "tempo", "levels", "preview", "page", "bounce", "verify", "compare", "cache",
            "schema")
"""As they are listed; each is a function of that name in a file of that name."""
OUR_MISTAKE = 70


def _say_version(asked: bool) -> None:
    """Print the version and end."""
    if asked:
        print(f"layerpipe {__version__}")
        raise typer.Exit


def _before_all(
    version: Annotated[bool, typer.Option("--version", callback=_say_version, is_eager=True,
                                          help="Print the version and end.")] = False,
) -> None:
    """What can be asked of the program itself."""


def program(commands: Sequence[str] = COMMANDS) -> typer.Typer:
    """The command line with some commands; the others' files are not even read."""
    app = typer.Typer(
        name="layerpipe",
        help="Build layered doubles from stems: a recipe in; stems, a blend and listening files out.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    # With a callback, one command alone is still asked for by its name.
    app.callback()(_before_all)
    for name in commands:
        app.command()(getattr(importlib.import_module(f"layerpipe.cli.{name}"), name))
    return app


def main() -> None:
    """Entry point of the `layerpipe` command."""
    asked = [word for word in sys.argv[1:2] if word in COMMANDS]
    try:
        program(asked or COMMANDS)()
    except Exception as mistake:
        # Refusals were told by the command. What arrives here is our mistake: no reader is helped by a traceback.
        if os.environ.get("LAYERPIPE_TRACEBACK"):
            raise
        print(f"layerpipe made a mistake of its own ({type(mistake).__name__}: {mistake}); nothing half-written was "
              "kept. Please report it, with what LAYERPIPE_TRACEBACK=1 prints.", file=sys.stderr)
        sys.exit(OUR_MISTAKE)

"""The command line: the list of commands. Each is in a file of this folder."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from layerpipe import __version__

COMMANDS = ("draft", "check", "timing", "tempo", "choose", "levels", "preview", "page", "share", "bounce", "verify",
            "compare", "cache", "schema")
"""In the order of the help; each is a function of that name in a file of that name."""
INTERNAL_ERROR = 70


def _say_version(asked: bool) -> None:
    """Print the version and exit."""
    if asked:
        print(f"layerpipe {__version__}")
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
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    # With a callback, a single command still needs its name.
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
        # The commands report their own errors. What arrives here is a mistake of ours; a traceback helps no user.
        if os.environ.get("LAYERPIPE_TRACEBACK"):
            raise
        print(f"internal error ({type(mistake).__name__}: {mistake}); no partial output was left. Please report it, "
              "with what LAYERPIPE_TRACEBACK=1 prints.", file=sys.stderr)
        sys.exit(INTERNAL_ERROR)

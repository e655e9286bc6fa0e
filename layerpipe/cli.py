"""The command line: which commands there are. What each does stands in `commands/`, one file a command."""

from __future__ import annotations

import os
import sys

import typer

from layerpipe.commands import (
    bounce,
    cache,
    check,
    clock,
    compare,
    draft,
    levels,
    preview,
    schema,
    sheet,
    timing,
    verify,
)

OUR_MISTAKE = 70

app = typer.Typer(
    name="layerpipe",
    help="Build layered doubles from stems: a recipe in; stems, a blend and listening files out.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for command in (
    draft.draft, check.check, timing.timing, clock.clock, levels.levels, preview.preview, sheet.sheet,
    bounce.bounce, verify.verify, compare.compare, cache.cache, schema.schema,
):
    app.command()(command)


def main() -> None:
    """Entry point of the `layerpipe` command."""
    try:
        app()
    except Exception as mistake:
        # Refusals were told by the command. What arrives here is our mistake: no reader is helped by a traceback.
        if os.environ.get("LAYERPIPE_TRACEBACK"):
            raise
        print(f"layerpipe made a mistake of its own ({type(mistake).__name__}: {mistake}); nothing half-written was "
              "kept. Please report it, with what LAYERPIPE_TRACEBACK=1 prints.", file=sys.stderr)
        sys.exit(OUR_MISTAKE)

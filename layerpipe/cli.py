"""The command line: which commands there are. What each does stands in `commands/`, one file a command."""

from __future__ import annotations

import typer

from layerpipe.commands import schema

app = typer.Typer(
    name="layerpipe",
    help="Build layered doubles from stems: a recipe in; stems, a blend and listening files out.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for command in (schema.schema,):
    app.command()(command)


def main() -> None:
    """Entry point of the `layerpipe` command."""
    app()

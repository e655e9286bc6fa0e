"""What the commands share of their declarations: arguments, options, and what makes a command of a function."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from layerpipe.cli.terminal import exit_code_of, flush, print_lines

Function = TypeVar("Function", bound=Callable[..., Any])
PATH = click.Path(path_type=Path)
"""The type of a file or folder; whether it is there is found out, and told, by what opens it."""


class Whole(click.IntRange):
    """A whole number inside a range; `name` is what messages call it."""

    name = "whole number"


class Number(click.types.FloatParamType):
    """Any number."""

    name = "number"


class Amount(click.FloatRange):
    """A number inside a range; of click's own every range holds "nan"."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number that was typed."""
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is not a valid {self.name}.", param, ctx)
        return number


songs_argument = click.argument("recipes", metavar="RECIPE...", nargs=-1, required=True, type=PATH, help=(
    "Recipes, folders of recipes, or .txt files that list one path a line."))
section_option = click.option("--section", metavar="NAME", multiple=True, help=(
    'Only this section ("whole song" is one); may be given again.'))
jobs_option = click.option("--jobs", "-j", type=Whole(1, 256), default=1, metavar="N", help=(
    "Do N songs at the same time, each in its own process; one after another if omitted."))
cluster_option = click.option("--cluster", metavar="ADDRESS", help=(
    "Do the songs on the workers of this dask scheduler, such as tcp://studio:8786; see recipes/CLUSTER.md."))


def output_options(command: Function) -> Function:
    """The options of every command that prints a result."""
    as_json = click.option("--json", "as_json", is_flag=True,
                           help="Print one JSON document, and nothing else, on stdout.")
    return as_json(click.option("--quiet", is_flag=True, help="Print only warnings and errors.")(command))


def song_options(command: Function) -> Function:
    """The options of every command that does many songs."""
    return jobs_option(cluster_option(output_options(command)))


def leaving_option(name: str, text: Callable[[click.Context], str], help_text: str) -> click.Option:
    """An option that prints a text, through the same door as everything else, and ends the program."""

    def leave(context: click.Context, option: click.Parameter, asked: bool) -> None:
        if asked:
            print_lines(*text(context).split("\n"))
            flush()
            context.exit()

    return click.Option([name], is_flag=True, is_eager=True, expose_value=False, callback=leave, help=help_text)


HELP_OPTION = leaving_option("--help", lambda context: context.get_help(), "Show this message and exit.")


def answers(function: Callable[..., int]) -> click.Command:
    """Make a command of a function that returns its exit code and raises errors; no traceback reaches a user."""

    @functools.wraps(function)
    def answered(**given: Any) -> None:
        try:
            code = function(**given)
            flush()
        except BaseException as problem:
            answer = exit_code_of(problem, as_json=bool(given.get("as_json")))
            if answer is None:
                raise
            code = answer
        raise click.exceptions.Exit(code)

    command = click.command(add_help_option=False)(answered)
    for needed in command.params:
        if needed.required:
            needed.help = f"{needed.help}  [required]"
    command.params.append(HELP_OPTION)
    return command

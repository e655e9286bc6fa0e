"""`layerpipe schema`: the JSON Schema of a recipe, for text editors."""

from __future__ import annotations

from importlib import resources

from layerpipe.cli.options import answers
from layerpipe.cli.terminal import FINE, print_lines


@answers
def schema() -> int:
    """Print the JSON Schema of a recipe, for text editors."""
    print_lines(*resources.files("layerpipe.recipe").joinpath("recipe.schema.json").read_text("utf-8").splitlines())
    return FINE

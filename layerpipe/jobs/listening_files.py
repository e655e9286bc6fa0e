"""Listening files in a folder: never over a source, and those of an earlier text of the recipe go."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from layerpipe.core.errors import OutputError
from layerpipe.jobs.output_places import refuse_sources, sources_of
from layerpipe.outputs.preview.file_list import LIST_NAME, remove_earlier
from layerpipe.recipe.reader import RecipeFile


def refuse_over_sources(file: RecipeFile, folder: Path) -> Callable[[Sequence[Path]], None]:
    """What is asked before files are written into a folder: raises if one of them would replace a source."""
    return lambda paths: refuse_sources([*paths, folder / LIST_NAME], sources_of(file))


def remove_older(file: RecipeFile, folder: Path, made: Sequence[Path]) -> list[Path]:
    """Remove what an earlier text of the recipe made in a folder, and nothing else; returns what was removed.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    try:
        return remove_earlier(folder, file, made)
    except OSError as refusal:
        raise OutputError(f"{folder}: cannot be written: {refusal.strerror or refusal}") from refusal

"""layerpipe builds layered doubles from stems.

The Python door: `read_recipe` gives a `RecipeFile`; `process_takes` carries its takes through their chains,
`measure_song`
measures them, `preview_song` and `bounce_song` write files. Everything else is private and may change.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from layerpipe.core.errors import AudioError, LayerpipeError, OutputError, ParameterError, RecipeError

if TYPE_CHECKING:
    from layerpipe.jobs.bounce import bounce_song
    from layerpipe.jobs.levels import study_levels
    from layerpipe.jobs.preview import preview_song
    from layerpipe.recipe.reader import RecipeFile, read_recipe
    from layerpipe.render.cache.take_cache import TakeCache
    from layerpipe.render.pipeline import measure_song, process_takes

__version__ = "0.1.0"
__all__ = [
    "AudioError",
    "LayerpipeError",
    "OutputError",
    "ParameterError",
    "RecipeError",
    "RecipeFile",
    "TakeCache",
    "__version__",
    "bounce_song",
    "measure_song",
    "preview_song",
    "process_takes",
    "read_recipe",
    "study_levels",
]

_FROM = {"RecipeFile": "recipe.reader", "read_recipe": "recipe.reader", "TakeCache": "render.cache.take_cache",
         "process_takes": "render.pipeline", "measure_song": "render.pipeline", "bounce_song": "jobs.bounce",
         "preview_song": "jobs.preview", "study_levels": "jobs.levels"}


def __getattr__(name: str) -> Any:
    """Import what is asked for when it is asked for: `layerpipe --help` should not wait for numpy."""
    if name not in _FROM:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(f"layerpipe.{_FROM[name]}"), name)

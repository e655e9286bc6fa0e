"""layerpipe builds layered doubles from stems.

The Python door: `read_recipe` gives a `RecipeFile`; `voice_song` carries its takes through their chains, `energies_of`
measures them, `preview_song` and `bounce_song` write files. Everything else is private and may change.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from layerpipe.core.errors import AudioError, LayerpipeError, OutputError, ParameterError, RecipeError

if TYPE_CHECKING:
    from layerpipe.jobs.bounce import bounce_song
    from layerpipe.jobs.levels import levels_song
    from layerpipe.jobs.preview import preview_song
    from layerpipe.recipe.reader import RecipeFile, read_recipe
    from layerpipe.render.pipeline import energies_of, voice_song
    from layerpipe.render.store.store import Store

__version__ = "0.1.0"
__all__ = ["AudioError", "LayerpipeError", "OutputError", "ParameterError", "RecipeError", "RecipeFile", "Store",
           "__version__", "bounce_song", "energies_of", "levels_song", "preview_song", "read_recipe", "voice_song"]

_FROM = {"RecipeFile": "recipe.reader", "read_recipe": "recipe.reader", "Store": "render.store.store",
         "voice_song": "render.pipeline", "energies_of": "render.pipeline", "bounce_song": "jobs.bounce",
         "preview_song": "jobs.preview", "levels_song": "jobs.levels"}


def __getattr__(name: str) -> Any:
    """Import what is asked for when it is asked for: `layerpipe --help` should not wait for numpy."""
    if name not in _FROM:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(f"layerpipe.{_FROM[name]}"), name)

"""A folder with takes, and a cache that all songs of a test module share."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from layerpipe.jobs.bounce import bounce_song
from layerpipe.recipe.reader import RecipeFile, read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from tests.support.songs import recipe_of, write_recipe

Change = Callable[[dict[str, Any]], object]


class Studio(NamedTuple):
    """Songs are changed copies of one recipe, by name."""

    folder: Path
    recipe: dict[str, Any]
    cache: TakeCache

    @classmethod
    def of(cls, folder: Path, make: Callable[[Path], dict[str, Any]] = recipe_of) -> Studio:
        """Make the takes."""
        return cls(folder, make(folder), TakeCache(folder / "cache"))

    def file(self, name: str, change: Change = lambda recipe: None) -> RecipeFile:
        """Write a changed copy of the song and read it."""
        recipe = copy.deepcopy(self.recipe)
        change(recipe)
        return read_recipe(write_recipe(self.folder / f"{name}.toml", recipe))

    def bounce(self, name: str, change: Change = lambda recipe: None, **options: Any) -> tuple[Path, dict[str, Any]]:
        """Bounce a changed copy of the song; folder and manifest."""
        target = self.folder / "bounces" / name
        return target, bounce_song(self.file(name, change), target, self.cache, **options)

    def bounced(self, name: str, change: Change = lambda recipe: None) -> Path:
        """The folder of a changed copy's bounce, made once."""
        target = self.folder / "bounces" / name
        return target if target.exists() else self.bounce(name, change)[0]

"""What the artist's page of a recipe holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from layerpipe.outputs.artist_page.build import make_sheet_song
from layerpipe.outputs.artist_page.loops import Keep, parts_of
from layerpipe.outputs.artist_page.model import SheetSong
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.pipeline import ENGINE, WORKERS, Advance, energies_of, until_whole, voice_song
from layerpipe.render.store.store import Store, key_of


def sheet_song(file: RecipeFile, *, sections: Sequence[str] = (), seconds: float = 20.0, store: Store | None = None,
               advance: Advance = lambda share: None) -> tuple[SheetSong, int]:
    """Gather what the artist's page of a recipe holds, and the bits its sound is kept with.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe, its files or a section's name.
    """
    store = store or Store()

    def work() -> tuple[SheetSong, int]:
        song = voice_song(file, store, advance=lambda share: advance(share / 2))
        parts = parts_of(song, sections, seconds)
        made = make_sheet_song(song, energies_of(song, store), parts, workers=WORKERS, keep=keeping_in(store),
                               advance=lambda share: advance(share / 2))
        store.prune()
        return made

    return until_whole(work, store)


def keeping_in(store: Store) -> Keep:
    """Bytes kept in a store under everything that shaped them, if they are still what was kept; else made and kept."""
    def keep(shaped_by: Mapping[str, Any], kind: str, make: Callable[[], bytes]) -> bytes:
        key = key_of({"engine": ENGINE, **shaped_by})
        kept = store.find_file(key, kind)
        if kept is not None:
            found = kept.read_bytes()
            if sha256(found[32:]).digest() == found[:32]:
                return found[32:]
            kept.unlink(missing_ok=True)
        made = make()

        def write(path: Path) -> None:
            path.write_bytes(sha256(made).digest() + made)

        store.make_file(key, kind, write)
        return made

    return keep

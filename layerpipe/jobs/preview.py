"""Listening files of a recipe."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from layerpipe.outputs.preview.write import Listening, make_previews, versions_of
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.pipeline import WORKERS, Advance, energies_of, until_whole, voice_song
from layerpipe.render.store.store import Store


def preview_song(file: RecipeFile, out: Path, *, sections: Sequence[str] = (), versions: Sequence[str] = (),
                 store: Store | None = None, advance: Advance = lambda share: None) -> list[Listening]:
    """Write listening files of one recipe into its own folder of `out`.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files, a name of a section or version, or the place it should go to.
    """
    store = store or Store()

    def work() -> list[Listening]:
        song = voice_song(file, store, advance=lambda share: advance(share / 2))
        parts, heard = song.stretches(sections), versions_of(song, versions)
        made = make_previews(song, energies_of(song, store), out / file.path.stem, parts, heard, workers=WORKERS,
                             advance=lambda share: advance(share / 2))
        store.prune()
        return made

    return until_whole(work, store)

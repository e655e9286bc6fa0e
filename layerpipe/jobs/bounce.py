"""Bounce recipes: stems, documents and manifest, each folder written completely or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from layerpipe.core.errors import Fault, LayerpipeError, RecipeError
from layerpipe.core.files.atomic import sync_files
from layerpipe.core.files.atomic_folder import atomic_folder
from layerpipe.core.process import release_memory
from layerpipe.core.sound import OnProgress
from layerpipe.jobs.output_places import folder_of, refuse_sources, sources_of
from layerpipe.outputs.bounce.charts import draw_charts
from layerpipe.outputs.bounce.delivery_sheet import files_of_bounce, prepare_template, write_documents
from layerpipe.outputs.bounce.manifest import describe_bounce
from layerpipe.outputs.bounce.stem_energies import StemEnergies
from layerpipe.outputs.bounce.write import StemFiles, lowering_gain, past_full_scale
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import WORKERS, render


@dataclass(frozen=True)
class Bounced:
    """The outcome of one recipe: a folder and its manifest, or the reason why not."""

    recipe: Path
    folder: Path
    manifest: dict[str, Any] = field(default_factory=dict)
    refusal: LayerpipeError | None = None


def bounce_all(files: Sequence[RecipeFile], out: Path, *, cache: TakeCache | None = None, pdf: bool = False,
               on_progress: OnProgress = lambda share: None) -> list[Bounced]:
    """Bounce several recipes side by side, each into its own folder of `out`; a refused one does not stop the others.

    Parameters
    ----------
    files : sequence of RecipeFile
    out : Path
        Gets one folder per recipe, named like its file.
    cache : TakeCache, optional
        Default: the user's.
    pdf : bool
        Also print each delivery sheet, if a Chromium browser is installed.
    on_progress : function of a share
        Called with the share of all the work (of 1) that was just done.

    Raises
    ------
    RecipeError
        If two recipes would share a folder.
    """
    cache = cache or TakeCache()
    names = [file.path.stem.casefold() for file in files]
    twice = [file for file in files if names.count(file.path.stem.casefold()) > 1]
    if twice:
        raise RecipeError([Fault(file.path, "", f'would share the folder "{out / file.path.stem}" with another recipe; '
                                                "rename one or bounce it alone with another --out") for file in twice])

    def one(file: RecipeFile) -> Bounced:
        folder = out / file.path.stem
        try:
            folder = folder_of(file, out)
            made = bounce_song(file, folder, cache, pdf=pdf, on_progress=lambda share: on_progress(share / len(files)))
        except LayerpipeError as refusal:
            return Bounced(file.path, folder, refusal=refusal)
        return Bounced(file.path, folder, made)

    with ThreadPoolExecutor(min(len(files), WORKERS) or 1) as pool:
        done = list(pool.map(one, files))
    cache.prune()
    return done


def bounce_song(file: RecipeFile, folder: Path, cache: TakeCache | None = None, *, pdf: bool = False,
                on_progress: OnProgress = lambda share: None) -> dict[str, Any]:
    """Bounce one recipe into a folder, completely or not at all; returns the manifest.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files or the output folder, or what exceeds full scale.
    """
    refuse_sources([folder], sources_of(file))
    cache = cache or TakeCache()
    return cache.retried(lambda: _bounce(file, folder, cache, pdf, on_progress))


def _bounce(file: RecipeFile, folder: Path, cache: TakeCache, pdf: bool, on_progress: OnProgress) -> dict[str, Any]:
    """One try at a bounce."""
    with atomic_folder(folder, files_of_bounce) as partial, ThreadPoolExecutor(1) as beside:
        beside.submit(prepare_template)
        files = StemFiles(partial)
        # What is too large for memory goes to the disk that must have room for the stems anyway.
        song, energies = render(file, cache, files.open, spool_folder=partial, on_progress=on_progress)
        refusal = past_full_scale(files.stems, song)
        if refusal is not None and song.recipe.bounce.over_full_scale == "refuse":
            raise refusal
        if refusal is not None:
            song, energies = render(file, cache, files.open, scale=lowering_gain(files.stems), spool_folder=partial)
        stems = files.stems
        release_memory()
        digest = sha256(file.text.encode()).hexdigest()
        # The stems are flushed to the disk while their documents are written.
        synced = beside.submit(sync_files, [partial / stem.path for stem in stems])
        blends = StemEnergies(song, stems, energies, spool_folder=partial)
        manifest = write_documents(partial, describe_bounce(song, stems, blends, digest), file.text,
                                   draw_charts(song, stems, blends), pdf=pdf)
        synced.result()
        cache.notes.note_place_of_recipe(digest, file.path.absolute().parent)
    return manifest

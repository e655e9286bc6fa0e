"""Bounce recipes: stems, documents and manifest, each folder written completely or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from pathlib import Path
from typing import Any

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.files.atomic import sync_files
from layerpipe.core.files.atomic_folder import atomic_folder
from layerpipe.core.process import release_memory
from layerpipe.core.sound import OnProgress
from layerpipe.jobs.bounce_state import why_not_current
from layerpipe.jobs.many.song_list import same_names
from layerpipe.jobs.output_places import folder_of, refuse_sources, sources_of
from layerpipe.outputs.bounce.charts import draw_charts
from layerpipe.outputs.bounce.delivery_sheet import files_of_bounce, prepare_template, write_documents
from layerpipe.outputs.bounce.manifest import describe_bounce
from layerpipe.outputs.bounce.stem_energies import StemEnergies
from layerpipe.outputs.bounce.write import StemFiles, lowering_gain, past_full_scale
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.pipeline import render


def refuse_shared_folders(recipes: Sequence[Path], out: Path) -> None:
    """Refuse recipes that would be bounced into one folder of `out`.

    Raises
    ------
    RecipeError
        With every one of them.
    """
    faults = [Fault(path, "", f'would share the folder "{out / path.stem}" with another recipe; rename one or bounce '
                              "it alone with another --out") for path in same_names(recipes)]
    if faults:
        raise RecipeError(faults)


def bounce_into(file: RecipeFile, out: Path, *, resume: bool = False, pdf: bool = False,
                cache: TakeCache | None = None,
                on_progress: OnProgress = lambda share: None) -> tuple[Path, dict[str, Any] | None]:
    """Bounce one recipe into the folder of `out` that is named like its file.

    Parameters
    ----------
    file : RecipeFile
    out : Path
    resume : bool
        Leave a bounce that is already what the recipe says.
    pdf : bool
        Also print the delivery sheet, if a Chromium browser is installed.
    cache : TakeCache, optional
        Default: the user's.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Returns
    -------
    (Path, dict or None)
        The folder, and the manifest; None if the bounce was left as it is.

    Raises
    ------
    RecipeError, AudioError, OutputError
        As `bounce_song`.
    """
    cache = cache or TakeCache()
    folder = folder_of(file, out)
    if resume and why_not_current(file, folder, cache, pdf=pdf) is None:
        return folder, None
    manifest = bounce_song(file, folder, cache, pdf=pdf, on_progress=on_progress)
    cache.prune()
    return folder, manifest


def bounce_song(file: RecipeFile, folder: str | Path, cache: TakeCache | None = None, *, pdf: bool = False,
                on_progress: OnProgress = lambda share: None) -> dict[str, Any]:
    """Bounce one recipe into a folder, completely or not at all; returns the manifest.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files or the output folder, or what exceeds full scale.
    """
    target = Path(folder)
    refuse_sources([target], sources_of(file))
    cache = cache or TakeCache()
    return cache.retried(lambda: _bounce(file, target, cache, pdf, on_progress))


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

"""Bounce recipes: stems, papers and manifest, each folder whole or absent."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from layerpipe.core.errors import Fault, LayerpipeError, RecipeError
from layerpipe.core.files.atomic import sync_files
from layerpipe.core.files.atomic_folder import atomic_folder
from layerpipe.core.process import release_memory
from layerpipe.core.sound import OnProgress
from layerpipe.outputs.bounce.charts import draw_pictures
from layerpipe.outputs.bounce.delivery_sheet import files_of_bounce, prepare_papers, write_papers
from layerpipe.outputs.bounce.manifest import manifest
from layerpipe.outputs.bounce.stem_energies import StemEnergies
from layerpipe.outputs.bounce.write import lowering_gain, past_full_scale, write_stems
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies.readings import EnergyMeter
from layerpipe.render.pipeline import (
    WORKERS,
    energies_key,
    keep_energies,
    measure_song,
    process_takes,
    until_whole,
)


@dataclass(frozen=True)
class Bounced:
    """What became of one recipe: a folder and its manifest, or the reason why not."""

    recipe: Path
    folder: Path
    manifest: dict[str, Any] = field(default_factory=dict)
    refusal: LayerpipeError | None = None


def bounce_all(files: Sequence[RecipeFile], out: Path, *, cache: TakeCache | None = None, pdf: bool = False,
               on_progress: OnProgress = lambda share: None) -> list[Bounced]:
    """Bounce several recipes side by side, each into its own folder of `out`; one that is refused stops no other.

    Parameters
    ----------
    files : sequence of RecipeFile
    out : Path
        Gets one folder per recipe, named like its file.
    store : Store, optional
        Default: the user's.
    pdf : bool
        Also print each delivery sheet, where a Chromium is found.
    advance : function of a share
        Told how much of all the work, of 1, has been done.

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
            def part(share: float) -> None:
                on_progress(share / len(files))

            made = until_whole(lambda: bounce_song(file, folder, cache, pdf=pdf, on_progress=part), cache)
        except LayerpipeError as refusal:
            return Bounced(file.path, folder, refusal=refusal)
        return Bounced(file.path, folder, made)

    with ThreadPoolExecutor(min(len(files), WORKERS) or 1) as pool:
        done = list(pool.map(one, files))
    cache.prune()
    return done


def bounce_song(file: RecipeFile, folder: Path, cache: TakeCache, *, pdf: bool = False,
                on_progress: OnProgress = lambda share: None) -> dict[str, Any]:
    """Bounce one recipe into a folder, whole or not at all; hands the manifest back.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files, or the place it should go to; or what passes full scale.
    """
    with atomic_folder(folder, files_of_bounce) as partial, ThreadPoolExecutor(1) as aside:
        aside.submit(prepare_papers)
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        # What is too much for memory waits on the disk that must have room for the stems anyway.
        meter = None
        if not cache.find_file(energies_key(song), "energies"):
            meter = EnergyMeter(song.channels, song.rate_hz, spool_folder=partial)
        release_memory()
        stems = write_stems(song, partial, workers=WORKERS, meter=meter,
                            on_progress=lambda share: on_progress(share / 2))
        energies = measure_song(song, cache) if meter is None else keep_energies(meter, energies_key(song), cache)
        refusal = past_full_scale(stems, song)
        if refusal is not None and song.recipe.bounce.over_full_scale == "refuse":
            raise refusal
        if refusal is not None:
            song = replace(song, scale=lowering_gain(stems))
            stems = write_stems(song, partial, workers=WORKERS)
        release_memory()
        digest = sha256(file.text.encode()).hexdigest()
        with ThreadPoolExecutor(1) as beside:
            # The stems go to the disk while their papers are written.
            synced = beside.submit(sync_files, [partial / stem.path for stem in stems])
            blends = StemEnergies(song, stems, energies, spool_folder=partial)
            pictures = draw_pictures(song, stems, blends)
            told = write_papers(partial, manifest(song, stems, blends, digest), file.text, pictures, pdf=pdf)
            synced.result()
        cache.notes.note_place_of_recipe(digest, file.path.absolute().parent)
    return told

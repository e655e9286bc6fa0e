"""What every level of a layer does, measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec.structs import asdict

from layerpipe.core.process import release_memory
from layerpipe.core.sound import OnProgress
from layerpipe.outputs.levels import (
    Bands,
    LevelStudy,
    SectionPeaks,
    borders,
    layer_to_try,
    measure_bands,
    measure_peaks,
    reference_layer,
    study,
)
from layerpipe.recipe.model.recipe import Layer
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache, cache_key
from layerpipe.render.layers import take_pans
from layerpipe.render.pipeline import ENGINE, WORKERS, measure_song, process_takes
from layerpipe.render.song import ProcessedSong


def study_levels(file: RecipeFile, levels_db: Sequence[float], *, layer: str | None = None,
                 against: str | None = None, sections: Sequence[str] = (), under_lu: float | None = None,
                 cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> LevelStudy:
    """Try levels of one layer in every section and the whole song, or in those named.

    Parameters
    ----------
    file : RecipeFile
    levels_db : sequence of float
        -inf is off.
    layer : str, optional
        Default: the second of two layers.
    against : str, optional
        The layer that the level is relative to; default: the rest of the blend.
    sections : sequence of str, optional
    under_lu : float, optional
        Also find the level that is this many LU below what it is relative to.
    cache : TakeCache, optional
        Default: the user's.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe, its files, or a name of a layer or section.
    """
    cache = cache or TakeCache()
    name = layer_to_try(file, layer)
    reference = reference_layer(file, name, against)

    def work() -> LevelStudy:
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        parts = song.parts(sections)
        named = {known.name: known for known in song.layers}
        tried, compared = named[name], None if reference is None else named[reference]
        energies = measure_song(song, cache)
        bands = bands_of(song, cache, on_progress=lambda share: on_progress(share / 4))
        peaks = peaks_of(song, tried, cache, on_progress=lambda share: on_progress(share / 4))
        cache.prune()
        # Of threads that measured.
        release_memory()
        return study(song, energies, bands, peaks, tried, parts, levels_db, under_lu, reference=compared)

    return cache.retried(work)


def bands_of(song: ProcessedSong, cache: TakeCache, *, on_progress: OnProgress = lambda share: None) -> Bands:
    """The band energies of the song's layers, from the cache or measured now."""
    key = cache_key({"engine": ENGINE, "bands": 2, "numpy": np.__version__, **_layers_key(song)})
    return cache.find_or_make(key, "bands", Bands.load,
                              lambda: measure_bands(song, workers=WORKERS, on_progress=on_progress))


def peaks_of(song: ProcessedSong, layer: Layer, cache: TakeCache, *,
             on_progress: OnProgress = lambda share: None) -> SectionPeaks:
    """The peaks of the blend at every level of a layer, from the cache or measured now."""
    rest = {other.name: asdict(song.plans[other.name]) for other in song.layers if other is not layer}
    key = cache_key({"engine": ENGINE, "peaks": 1, "layer": song.layers.index(layer), "rest": rest,
                     "borders": borders(song), **_layers_key(song)})
    return cache.find_or_make(key, "peaks", SectionPeaks.load,
                              lambda: measure_peaks(song, layer, workers=WORKERS, on_progress=on_progress))


def _layers_key(song: ProcessedSong) -> dict[str, Any]:
    """What determines the layers at level 0 dB."""
    return {"layers": [[[song.takes[n].sound.key, *take_pans(song.takes[n].take)] for n in song.takes_of(layer)]
                       for layer in song.layers], "scale": song.scale}
